package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Event is one line of the log: who did what to what, and when.
type Event struct {
	ID      int64     `json:"id"`
	At      time.Time `json:"at"`
	By      string    `json:"by"`
	Action  string    `json:"action"`
	Subject string    `json:"subject"`
	Detail  string    `json:"detail,omitempty"`
	// Hash is the SHA-256 of the line and of the hash before it.
	Hash []byte `json:"hash,omitempty"`
	// Broken is true where the line is not what was written, or where one
	// before it is missing.
	Broken bool `json:"broken,omitempty"`
}

// Log writes a line into the log. The store sets its number and time.
func (s *Store) Log(ctx context.Context, e Event) error {
	return s.update(ctx, "log", func(t *tx) error { return logEvent(t, &e) })
}

// logEvent writes a line in the transaction of what it tells of. Numbers have no
// gaps: one that is missing was taken out.
func logEvent(t *tx, e *Event) error {
	var last []byte
	line := *e
	line.At = timeOf(t.at)
	err := t.row(`SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'events'), 0) + 1,
		(SELECT hash FROM events ORDER BY id DESC LIMIT 1)`).Scan(&line.ID, &last)
	if err != nil {
		return err
	}
	_, err = t.exec("INSERT INTO events (id, at, by, action, subject, detail, hash) VALUES (?, ?, ?, ?, ?, ?, ?)",
		line.ID, t.at, e.By, e.Action, e.Subject, e.Detail, line.hash(last))
	return err
}

// hash is the hash of a line after the one with that hash: SHA-256 of the hash
// before (nothing for the first line) and of the line as a JSON list of its
// number, Unix nanoseconds, person, action, subject and detail.
func (e *Event) hash(before []byte) []byte {
	line, err := json.Marshal([]any{e.ID, e.At.UnixNano(), e.By, e.Action, e.Subject, e.Detail})
	if err != nil {
		panic("store: numbers and texts always marshal: " + err.Error())
	}
	sum := sha256.Sum256(append(bytes.Clone(before), line...))
	return sum[:]
}

// chainEvents takes the lines of before into the chain.
func chainEvents(t *tx) error {
	var events []Event
	var last []byte
	err := each(t.ctx, t, selectEvents+" ORDER BY e.id", nil, func(r *sql.Rows) error {
		e, err := scanEvent(r)
		events = append(events, e)
		return err
	})
	for i := range events {
		if err != nil {
			return err
		}
		if events[i].Hash == nil {
			events[i].Hash = events[i].hash(last)
			_, err = t.exec("UPDATE events SET hash = ? WHERE id = ?", events[i].Hash, events[i].ID)
		}
		last = events[i].Hash
	}
	return err
}

// selectEvents selects lines with the hash of the line before each.
const selectEvents = `SELECT e.id, e.at, e.by, e.action, e.subject, e.detail, e.hash,
	(SELECT p.hash FROM events p WHERE p.id = e.id - 1) FROM events e`

// scanEvent reads a row of selectEvents, and says whether it continues the chain.
func scanEvent(r *sql.Rows) (e Event, err error) {
	var at int64
	var before []byte
	if err := r.Scan(&e.ID, &at, &e.By, &e.Action, &e.Subject, &e.Detail, &e.Hash, &before); err != nil {
		e = Event{Action: "damaged", Broken: true} // a value that is not of its column's type
		return e, anyValues(r, 8, map[int]any{0: &e.ID})
	}
	e.At = timeOf(at)
	e.Broken = !bytes.Equal(e.Hash, e.hash(before)) || before == nil && e.ID != 1
	return e, nil
}

// EventFilter picks lines of the log; the zero value picks all.
type EventFilter struct {
	By, Action, Subject string
	Text                string // anywhere in the line
	From, To            time.Time
	Before              int64 // lines with a smaller number; 0: from the newest on
}

func (f *EventFilter) clauses() (cs clauses) {
	for column, want := range map[string]string{"by": f.By, "action": f.Action, "subject": f.Subject} {
		if want != "" {
			cs = append(cs, clause{"e." + column + " = ?", []any{want}})
		}
	}
	if f.Text != "" {
		like := "%" + strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(f.Text) + "%"
		cs = append(cs, clause{`(e.by LIKE ? ESCAPE '\' OR e.action LIKE ? ESCAPE '\' OR e.subject LIKE ? ESCAPE '\' OR e.detail LIKE ? ESCAPE '\')`,
			[]any{like, like, like, like}})
	}
	if !f.From.IsZero() {
		cs = append(cs, clause{"e.at >= ?", []any{f.From.UnixNano()}})
	}
	if !f.To.IsZero() {
		cs = append(cs, clause{"e.at < ?", []any{f.To.UnixNano()}})
	}
	if f.Before > 0 {
		cs = append(cs, clause{"e.id < ?", []any{f.Before}})
	}
	return cs
}

// FindEvents returns up to limit lines of the log that a filter picks, newest
// first.
func (s *Store) FindEvents(ctx context.Context, f EventFilter, limit int) (out []Event, err error) {
	where, args := f.clauses().where()
	err = s.rows(ctx, selectEvents+" WHERE "+where+" ORDER BY e.id DESC LIMIT ?", append(args, limit), func(r *sql.Rows) error {
		e, err := scanEvent(r)
		if e.Broken {
			_ = s.damaged(fmt.Sprintf("line %d of the log of who did what", e.ID))
		}
		out = append(out, e)
		return err
	})
	return out, wrap("events", err)
}

// Events returns up to limit lines of the log before a number (0: the
// newest), newest first, of one subject or, where it is empty, of all.
func (s *Store) Events(ctx context.Context, subject string, before int64, limit int) ([]Event, error) {
	return s.FindEvents(ctx, EventFilter{Subject: subject, Before: before}, limit)
}

// EventActions lists what people have done so far, by name, for a filter to
// choose from.
func (s *Store) EventActions(ctx context.Context) (out []string, err error) {
	err = s.rows(ctx, "SELECT DISTINCT action FROM events ORDER BY action", nil, func(r *sql.Rows) error {
		var action string
		err := r.Scan(&action)
		out = append(out, action)
		return err
	})
	return out, wrap("actions", err)
}

// LastEvent returns the number and the hash of the newest line; zero without
// any.
func (s *Store) LastEvent(ctx context.Context) (id int64, hash []byte, err error) {
	err = s.reader(ctx).QueryRowContext(ctx, "SELECT id, hash FROM events ORDER BY id DESC LIMIT 1").Scan(&id, &hash)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil, nil
	}
	return id, hash, wrap("last event", err)
}

// EventHash returns the hash of a line; nil where there is none.
func (s *Store) EventHash(ctx context.Context, id int64) (hash []byte, err error) {
	err = s.reader(ctx).QueryRowContext(ctx, "SELECT hash FROM events WHERE id = ?", id).Scan(&hash)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return hash, wrap("event", err)
}
