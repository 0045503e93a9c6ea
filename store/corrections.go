package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"time"

	"ohmkeep/server/bench"
)

// BenchCorrections is what was decided once of a bench's corrections.
type BenchCorrections struct {
	Bench    string // key
	Revision int    // from 1
	At       time.Time
	By       string
	Why      string
	Built    string // sum of the bench that they are of (bench.Definition.Built)
	Serial   string // of that bench
	// Body is nil where the decision was to use none, and where it is damaged.
	Body    *bench.Corrections
	Damaged string // why it says nothing; "": it is as it was stored
}

// SaveCorrections stores what is decided of a bench's corrections as the revision
// after expected, which must be the newest, and returns its number: Conflict where
// somebody was quicker. Revision, At and By of the corrections themselves are set.
func (s *Store) SaveCorrections(ctx context.Context, c BenchCorrections, expected int) (int, error) {
	if err := checkKey("bench", c.Bench); err != nil {
		return 0, &Error{Code: Invalid, Message: err.Error(), Err: err}
	}
	err := s.update(ctx, "save corrections", func(t *tx) error {
		var newest int
		if err := t.row("SELECT coalesce(max(revision), 0) FROM corrections WHERE bench = ?", c.Bench).Scan(&newest); err != nil {
			return err
		}
		if newest != expected {
			return errorf(Conflict, "the corrections of this bench were changed meanwhile: look at them again")
		}
		c.Revision = newest + 1
		body := []byte("null")
		if c.Body != nil {
			kept := *c.Body
			kept.Revision, kept.At, kept.By = c.Revision, timeOf(t.at), c.By
			var err error
			if body, err = json.Marshal(&kept); err != nil {
				return &Error{Code: Invalid, Message: "the corrections hold a value that is not a number", Err: err}
			}
		}
		_, err := t.exec("INSERT INTO corrections (bench, revision, at, by, why, built, serial, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
			c.Bench, c.Revision, t.at, c.By, c.Why, c.Built, c.Serial, string(body))
		return errors.Join(err, sealRows(t, "corrections", "bench = ? AND revision = ?", c.Bench, c.Revision))
	})
	return c.Revision, err
}

var correctionsColumns = "SELECT bench, revision, at, by, why, built, serial, body, " + soundSQL("corrections") + " FROM corrections WHERE "

func (s *Store) scanCorrections(scan func(...any) error) (c BenchCorrections, err error) {
	var at int64
	var body string
	var sound bool
	if err := scan(&c.Bench, &c.Revision, &at, &c.By, &c.Why, &c.Built, &c.Serial, &body, &sound); err != nil {
		return c, err
	}
	c.At = timeOf(at)
	if !sound || json.Unmarshal([]byte(body), &c.Body) != nil {
		c.Body, c.Damaged = nil, s.damaged("the corrections of bench "+c.Bench).Error()
	}
	return c, nil
}

// Corrections returns a revision of a bench's corrections, 0 for the newest; nil
// where there is none. A damaged one says so.
func (s *Store) Corrections(ctx context.Context, benchKey string, revision int) (*BenchCorrections, error) {
	c, err := s.scanCorrections(s.reader(ctx).QueryRowContext(ctx, correctionsColumns+"bench = ?1 AND (revision = ?2 OR ?2 = 0) ORDER BY revision DESC LIMIT 1", benchKey, revision).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, wrap("get corrections", err)
	}
	return &c, nil
}

// ListCorrections lists the newest revisions of a bench's corrections, at most
// limit, the newest first.
func (s *Store) ListCorrections(ctx context.Context, benchKey string, limit int) (out []BenchCorrections, err error) {
	err = s.rows(ctx, correctionsColumns+"bench = ? ORDER BY revision DESC LIMIT ?", []any{benchKey, limit}, func(r *sql.Rows) error {
		c, err := s.scanCorrections(r.Scan)
		out = append(out, c)
		return err
	})
	return out, wrap("list corrections", err)
}
