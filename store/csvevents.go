package store

import (
	"context"
	"encoding/hex"
	"io"

	"ohmkeep/server/turn"
)

// EventsCSV writes a row for each line of the log.
type EventsCSV struct{ *csvWriter }

// NewEventsCSV writes the header.
func NewEventsCSV(w io.Writer) *EventsCSV {
	return &EventsCSV{newCSV(w, "line", "at", "by", "action", "subject", "detail", "SHA-256 of the hash before and the line", "as it was written")}
}

// Row writes one line.
func (e *EventsCSV) Row(x *Event) error {
	e.integer(x.ID)
	e.time(x.At)
	e.text(x.By)
	e.text(x.Action)
	e.text(x.Subject)
	e.text(x.Detail)
	e.text(hex.EncodeToString(x.Hash))
	e.yes(!x.Broken)
	return e.end()
}

// eventBlock is the number of lines that one query reads.
const eventBlock = 1000

// EachEvent calls fn with every line that a filter picks, newest first, block by
// block: no lock is held while fn runs.
func (s *Store) EachEvent(ctx context.Context, f EventFilter, fn func(*Event) error) error {
	for {
		block, err := s.FindEvents(ctx, f, eventBlock)
		if err != nil {
			return err
		}
		for i := range block {
			if err := fn(&block[i]); err != nil {
				return err
			}
		}
		if len(block) < eventBlock {
			return nil
		}
		f.Before = block[eventBlock-1].ID
		if err := turn.Pass(ctx); err != nil {
			return wrap("events", err)
		}
	}
}
