package store

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"io"

	"ohmkeep/server/cardinfo"
)

// trafficMost is the largest unpacked traffic of one run, in bytes.
const trafficMost = 64 << 20

// SaveTraffic stores the traffic between host and cards during a run. It
// replaces what was stored before.
func (s *Store) SaveTraffic(ctx context.Context, runID string, t cardinfo.Traffic) error {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	enc := json.NewEncoder(z)
	for i := range t.Events {
		if err := enc.Encode(&t.Events[i]); err != nil {
			return &Error{Code: Invalid, Message: "the traffic cannot be stored", Err: err}
		}
	}
	if err := z.Close(); err != nil {
		return err
	}
	return s.update(ctx, "save traffic", func(w *tx) error {
		var there int
		if err := w.row("SELECT 1 FROM runs WHERE id = ? AND "+notDeleting, runID).Scan(&there); err != nil {
			return missing(err, "there is no run %s", runID)
		}
		_, err := w.exec(`INSERT INTO traffic (run, events, dropped) VALUES (?1, ?2, ?3)
			ON CONFLICT (run) DO UPDATE SET events = ?2, dropped = ?3`, runID, packed.Bytes(), t.Dropped)
		return errors.Join(err, sealRows(w, "traffic", "run = ?", runID))
	})
}

// Traffic returns the traffic of a run; NotFound where none is stored.
func (s *Store) Traffic(ctx context.Context, runID string) (cardinfo.Traffic, error) {
	var t cardinfo.Traffic
	var packed []byte
	var sound bool
	err := s.reader(ctx).QueryRowContext(ctx, "SELECT events, dropped, "+soundSQL("traffic")+" FROM traffic JOIN runs ON runs.id = traffic.run WHERE runs.id = ? AND "+notDeleting, runID).
		Scan(&packed, &t.Dropped, &sound)
	if err != nil {
		return t, wrap("traffic", missing(err, "there is no traffic of run %s", runID))
	}
	if !sound {
		return t, s.damaged("the traffic of run " + runID)
	}
	t.Events, err = unpackTraffic(packed)
	return t, wrap("traffic of run "+runID, err)
}

// unpackTraffic reads traffic as it is stored.
func unpackTraffic(packed []byte) (events []cardinfo.Event, err error) {
	err = eachExchange(packed, func(e *cardinfo.Event) error {
		events = append(events, *e)
		return nil
	})
	return events, err
}

// eachExchange calls fn with each event of traffic as it is stored.
func eachExchange(packed []byte, fn func(*cardinfo.Event) error) error {
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return err
	}
	dec := json.NewDecoder(io.LimitReader(z, trafficMost))
	for {
		var e cardinfo.Event
		err := dec.Decode(&e)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil {
			err = fn(&e)
		}
		if err != nil {
			return err
		}
	}
}

// HasTraffic reports whether traffic of a run is stored.
func (s *Store) HasTraffic(ctx context.Context, runID string) (bool, error) {
	var there bool
	err := s.reader(ctx).QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM traffic JOIN runs ON runs.id = traffic.run WHERE runs.id = ? AND "+notDeleting+")", runID).Scan(&there)
	return there, err
}
