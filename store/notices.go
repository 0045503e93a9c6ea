package store

import (
	"context"
	"database/sql"
	"time"
)

// StartNotice is what was seen at a start that somebody must know of.
type StartNotice struct {
	ID   int64     `json:"id"`
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// AddNotice keeps something that owners are told until one has taken note of it.
func (s *Store) AddNotice(ctx context.Context, text string) error {
	return s.update(ctx, "add notice", func(t *tx) error {
		_, err := t.exec("INSERT INTO notices (at, text) SELECT ?1, ?2 WHERE NOT EXISTS (SELECT 1 FROM notices WHERE text = ?2 AND acknowledged IS NULL)",
			t.at, text)
		return err
	})
}

// Notices lists what nobody has taken note of yet, oldest first.
func (s *Store) Notices(ctx context.Context) (out []StartNotice, err error) {
	err = s.rows(ctx, "SELECT id, at, text FROM notices WHERE acknowledged IS NULL ORDER BY id", nil, func(r *sql.Rows) error {
		var n StartNotice
		var at int64
		err := r.Scan(&n.ID, &at, &n.Text)
		n.At = timeOf(at)
		out = append(out, n)
		return err
	})
	return out, wrap("notices", err)
}

// AcknowledgeNotice says that somebody has taken note, and writes it into the
// log.
func (s *Store) AcknowledgeNotice(ctx context.Context, id int64, by string) error {
	return s.update(ctx, "acknowledge notice", func(t *tx) error {
		var text string
		err := t.row("UPDATE notices SET acknowledged = ?, by = ? WHERE id = ? AND acknowledged IS NULL RETURNING text", t.at, by, id).Scan(&text)
		if err != nil {
			return missing(err, "there is no such notice, or somebody has taken note of it already")
		}
		return logEvent(t, &Event{By: by, Action: "take note", Subject: "start", Detail: text})
	})
}

// MadeBackup is a backup as lists show it.
type MadeBackup struct {
	At    time.Time     `json:"at"`
	Took  time.Duration `json:"took"` // nanoseconds
	Path  string        `json:"path"`
	Size  int64         `json:"size"` // bytes
	By    string        `json:"by"`
	Error string        `json:"error,omitempty"` // why it failed; empty: it was read again, whole
}

// RecordBackup keeps that a backup was made, or why it failed.
func (s *Store) RecordBackup(ctx context.Context, b MadeBackup) error {
	return s.update(ctx, "record backup", func(t *tx) error {
		_, err := t.exec("INSERT INTO backups (at, took, path, size, by, error) VALUES (?, ?, ?, ?, ?, ?)",
			b.At.UnixNano(), int64(b.Took), b.Path, b.Size, b.By, b.Error)
		return err
	})
}

// MadeBackups lists the newest backups, at most limit, newest first.
func (s *Store) MadeBackups(ctx context.Context, limit int) (out []MadeBackup, err error) {
	err = s.rows(ctx, "SELECT at, took, path, size, by, error FROM backups ORDER BY id DESC LIMIT ?", []any{limit}, func(r *sql.Rows) error {
		var b MadeBackup
		var at, took int64
		err := r.Scan(&at, &took, &b.Path, &b.Size, &b.By, &b.Error)
		b.At, b.Took = timeOf(at), time.Duration(took)
		out = append(out, b)
		return err
	})
	return out, wrap("backups", err)
}
