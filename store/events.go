package store

import (
	"context"
	"database/sql"
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
}

// Log writes a line into the log. The store sets its number and time.
func (s *Store) Log(ctx context.Context, e Event) error {
	return s.update(ctx, "log", func(t *tx) error { return logEvent(t, &e) })
}

// logEvent writes a line in the transaction of what it tells of.
func logEvent(t *tx, e *Event) error {
	_, err := t.exec("INSERT INTO events (at, by, action, subject, detail) VALUES (?, ?, ?, ?, ?)",
		t.at, e.By, e.Action, e.Subject, e.Detail)
	return err
}

// Events returns up to limit lines of the log before a number (0: the
// newest), newest first, of one subject or, where it is empty, of all.
func (s *Store) Events(ctx context.Context, subject string, before int64, limit int) ([]Event, error) {
	var out []Event
	err := s.rows(ctx, `SELECT id, at, by, action, subject, detail FROM events
		WHERE (?1 = 0 OR id < ?1) AND (?2 = '' OR subject = ?2) ORDER BY id DESC LIMIT ?3`,
		[]any{before, subject, limit}, func(r *sql.Rows) error {
			var e Event
			var at int64
			if err := r.Scan(&e.ID, &at, &e.By, &e.Action, &e.Subject, &e.Detail); err != nil {
				return err
			}
			e.At = timeOf(at)
			out = append(out, e)
			return nil
		})
	return out, wrap("events", err)
}
