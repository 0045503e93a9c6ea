package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"regexp"
	"time"

	"ohmkeep/server/check"
	"ohmkeep/server/standing"
)

// BenchCheck is a check of a bench by itself, as it is kept. Where it is
// damaged, its verdict is empty and its record nil: nothing of it is to be
// believed, not even its times.
type BenchCheck struct {
	ID      string
	Bench   string // key
	Began   time.Time
	At      time.Time // end of its newest step
	Ended   time.Time // zero while steps may follow
	By      string
	Verdict check.Verdict
	Record  *check.Record
	Damaged string // why it says nothing; "": it is as it was stored
}

// checkID is what the identity of a check may look like.
var checkID = regexp.MustCompile(`^[0-9a-z-]{1,64}$`)

// newestStep is when a check's newest step ended; its beginning where it has
// none.
func newestStep(r *check.Record) time.Time {
	at := r.Began
	for i := range r.Steps {
		if ended := r.Steps[i].Ended; ended.After(at) {
			at = ended
		}
	}
	return at
}

// SaveCheck stores a check of a bench, in place of what was stored of it before.
func (s *Store) SaveCheck(ctx context.Context, r *check.Record) error {
	if !checkID.MatchString(r.ID) {
		return errorf(Invalid, "the check has no identity")
	}
	if err := checkKey("bench", r.Bench); err != nil {
		return &Error{Code: Invalid, Message: err.Error(), Err: err}
	}
	body, err := json.Marshal(r)
	if err != nil {
		return &Error{Code: Invalid, Message: "the check of the bench holds a value that is not a number", Err: err}
	}
	err = s.update(ctx, "save bench check", func(t *tx) error {
		_, err := t.exec(`INSERT INTO bench_checks (id, bench, began, at, ended, by, verdict, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
			ON CONFLICT (id) DO UPDATE SET bench = ?2, began = ?3, at = ?4, ended = ?5, by = ?6, verdict = ?7, body = ?8`,
			r.ID, r.Bench, r.Began.UnixNano(), newestStep(r).UnixNano(), timeOrNull(r.Ended), r.By, string(r.Verdict()), string(body))
		return errors.Join(err, sealRows(t, "bench_checks", "id = ?", r.ID))
	})
	if err == nil {
		s.benchChecks.stored(r.Bench, standing.CheckOf(r, newestStep(r)))
	}
	return err
}

var checkColumns = "SELECT id, bench, began, at, ended, by, verdict, body, " + soundSQL("bench_checks") + " FROM bench_checks WHERE "

func (s *Store) scanCheck(scan func(...any) error) (c BenchCheck, err error) {
	var began, at int64
	var ended sql.NullInt64
	var body string
	var sound bool
	if err := scan(&c.ID, &c.Bench, &began, &at, &ended, &c.By, &c.Verdict, &body, &sound); err != nil {
		return c, err
	}
	c.Began, c.At, c.Ended = timeOf(began), timeOf(at), timeOfNull(ended)
	if sound {
		sound = json.Unmarshal([]byte(body), &c.Record) == nil && c.Record != nil
	}
	if !sound {
		c.Verdict, c.Record, c.Damaged = "", nil, s.damaged("the check "+c.ID+" of a bench").Error()
	}
	return c, nil
}

// GetCheck returns a check of a bench; a damaged one is Corrupt.
func (s *Store) GetCheck(ctx context.Context, id string) (*BenchCheck, error) {
	c, err := s.scanCheck(s.reader(ctx).QueryRowContext(ctx, checkColumns+"id = ?", id).Scan)
	if err != nil {
		return nil, wrap("get bench check", missing(err, "there is no such check of a bench"))
	}
	if c.Damaged != "" {
		return nil, errorf(Corrupt, "%s", c.Damaged)
	}
	return &c, nil
}

// ListChecks lists at most limit checks of a bench, newest begun first, and the
// cursor of the next page, "" on the last. After is the cursor of this page, ""
// for the first. A damaged check stands in its place and says so.
func (s *Store) ListChecks(ctx context.Context, benchKey, after string, limit int) (out []BenchCheck, next string, err error) {
	if after != "" && !checkID.MatchString(after) {
		return nil, "", errNotOfList
	}
	err = s.rows(ctx, checkColumns+"bench = ?1 AND (?2 = '' OR id < ?2) ORDER BY id DESC LIMIT ?3", []any{benchKey, after, limit + 1},
		func(r *sql.Rows) error {
			c, err := s.scanCheck(r.Scan)
			out = append(out, c)
			return err
		})
	if len(out) > limit {
		out = out[:limit]
		next = out[limit-1].ID
	}
	return out, next, wrap("list bench checks", err)
}

// LastCheckBefore returns the check of a bench whose newest step ended last at or
// before t; nil where there is none. A damaged one is returned as such, and not
// passed over for an older one.
func (s *Store) LastCheckBefore(ctx context.Context, benchKey string, t time.Time) (*BenchCheck, error) {
	return s.checkBeside(ctx, "bench = ? AND at <= ? ORDER BY at DESC, id DESC LIMIT 1", benchKey, t)
}

// FirstCheckAfter returns the check of a bench whose newest step ended first
// after t; nil where there is none. A damaged one as for LastCheckBefore.
func (s *Store) FirstCheckAfter(ctx context.Context, benchKey string, t time.Time) (*BenchCheck, error) {
	return s.checkBeside(ctx, "bench = ? AND at > ? ORDER BY at, id LIMIT 1", benchKey, t)
}

func (s *Store) checkBeside(ctx context.Context, where, benchKey string, t time.Time) (*BenchCheck, error) {
	c, err := s.scanCheck(s.reader(ctx).QueryRowContext(ctx, checkColumns+where, benchKey, t.UnixNano()).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, wrap("bench check", err)
	}
	return &c, nil
}
