package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"testing"
	"time"
)

// CountRows looks into a table, for tests that ask what was left behind.
func CountRows(t testing.TB, s *Store, table string) (n int) {
	t.Helper()
	if err := s.read[Pages].QueryRow("SELECT count(*) FROM " + table).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// LogFrames returns the number of frames of the write-ahead log that are not
// in the database file yet.
func LogFrames(t testing.TB, s *Store) int {
	t.Helper()
	var busy, frames, moved int
	if err := s.write.QueryRow("PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &frames, &moved); err != nil {
		t.Fatal(err)
	}
	return frames + busy
}

// Bounds of the candidates that one page reads.
const (
	LookBound  = lookBound
	CountBound = countBound // only to count
)

// ScanRuns returns every run that a filter picks, newest first, by one scan of
// all runs: what every search must find.
func (s *Store) ScanRuns(ctx context.Context, f Filter) (ids []string, err error) {
	where, args := f.condition()
	err = s.rows(ctx, "SELECT id FROM runs NOT INDEXED WHERE "+notDeleting+" AND "+where+" ORDER BY started DESC, seq DESC", args, func(r *sql.Rows) error {
		var id string
		err := r.Scan(&id)
		ids = append(ids, id)
		return err
	})
	return ids, err
}

// PlanOf returns SQLite's query plan for a page of a filter.
func (s *Store) PlanOf(ctx context.Context, f Filter) (steps []string, err error) {
	d, err := s.search(ctx, &f)
	if err != nil {
		return nil, err
	}
	from, args := d.from(d.top, d.bottom, d.rest)
	return s.planOf(ctx, "SELECT "+selectRow+" FROM "+from+" ORDER BY started DESC, seq DESC LIMIT 51", args)
}

// PlanOfUnits returns SQLite's query plan for a page of units.
func (s *Store) PlanOfUnits(ctx context.Context, device, cursor string) ([]string, error) {
	query, args, err := unitPage(device, cursor, 51)
	if err != nil {
		return nil, err
	}
	return s.planOf(ctx, query, args)
}

func (s *Store) planOf(ctx context.Context, query string, args []any) (steps []string, err error) {
	err = s.rows(ctx, "EXPLAIN QUERY PLAN "+query, args, func(r *sql.Rows) error {
		var step string
		var a, b, c int
		err := r.Scan(&a, &b, &c, &step)
		steps = append(steps, step)
		return err
	})
	return steps, err
}

// KeepNothing has wide tables read every value a second time, as very large
// ones do, until the function it returns is called.
func KeepNothing(s *Store) (undo func()) {
	s.kept.Add(keptMost)
	return func() { s.kept.Add(-keptMost) }
}

// Kept returns the memory of the values that wide tables in the making keep,
// in bytes.
func Kept(s *Store) int64 { return s.kept.Load() }

// EmptyLog moves the write-ahead log into the file, so that LogFrames counts
// from here on.
func EmptyLog(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Checkpoint(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// SpoilTail changes a bit in the first page of the tail.
func SpoilTail(t testing.TB, s *Store) {
	t.Helper()
	var slot int64
	var page []byte
	if err := s.write.QueryRow("SELECT slot, page FROM tail ORDER BY slot LIMIT 1").Scan(&slot, &page); err != nil {
		t.Fatal(err)
	}
	page[100] ^= 1
	if _, err := s.write.Exec("UPDATE tail SET page = ? WHERE slot = ?", page, slot); err != nil {
		t.Fatal(err)
	}
	s.appendMu.Lock()
	defer s.appendMu.Unlock()
	clear(s.open) // what Append remembers is not what is on the disk
}

// TailOverflows counts the pages of the file that the tail needs beside those
// of its rows.
func TailOverflows(t testing.TB, s *Store) (n int) {
	t.Helper()
	if err := s.write.QueryRow("SELECT count(*) FROM dbstat WHERE name = 'tail' AND pagetype = 'overflow'").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// MarkDeleting begins to delete a run and leaves it there, as a power cut does.
func (s *Store) MarkDeleting(ctx context.Context, runID string) error {
	_, err := s.markDeleting(ctx, runID)
	return err
}

// SpoilSnapshots changes a letter in everything that runs were made with.
func SpoilSnapshots(t testing.TB, s *Store) {
	t.Helper()
	if _, err := s.write.Exec(`UPDATE snapshots SET body = replace(body, '"key"', '"kez"')`); err != nil {
		t.Fatal(err)
	}
}

// TrySpoil changes what is stored, past the store.
func TrySpoil(s *Store, query string) error {
	_, err := s.write.Exec("PRAGMA foreign_keys = 0; " + query)
	_, err2 := s.write.Exec("PRAGMA foreign_keys = 1")
	return errors.Join(err, err2)
}

// Spoil changes what is stored, past the store.
func Spoil(t testing.TB, s *Store, query string) {
	t.Helper()
	if err := TrySpoil(s, query); err != nil {
		t.Fatal(err)
	}
}

// ForgetSeals leaves everything as a program without seals did.
func ForgetSeals(t testing.TB, s *Store) {
	t.Helper()
	for table, of := range sealedTables {
		if of.old != neverOld {
			Spoil(t, s, "UPDATE "+table+" SET seal = NULL")
		}
	}
	Spoil(t, s, "UPDATE runs SET results_sum = NULL, readings_sum = NULL; UPDATE unsealed SET runs = (SELECT max(seq) FROM runs), documents = 1, units = 1")
	if err := s.sealDocuments(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// Unsealed counts the rows without a seal.
func Unsealed(t testing.TB, s *Store) (all int) {
	t.Helper()
	for table := range sealedTables {
		var n int
		if err := s.write.QueryRow("SELECT count(*) FROM " + table + " WHERE seal IS NULL").Scan(&n); err != nil {
			t.Fatal(err)
		}
		all += n
	}
	return all
}

// LimitQueries gives queries another time limit until the function it returns is
// called.
func LimitQueries(most time.Duration) (undo func()) {
	before := queryMost
	queryMost = most
	return func() { queryMost = before }
}

// RawRows returns the rows of a table that a condition picks, by its tree alone,
// as text.
func RawRows(ctx context.Context, s *Store, table, where string) (out string) {
	err := s.rows(ctx, "SELECT * FROM "+table+" NOT INDEXED WHERE "+where, nil, func(r *sql.Rows) error {
		columns, err := r.Columns()
		if err != nil {
			return err
		}
		values, into := make([]any, len(columns)), make([]any, len(columns))
		for k := range values {
			into[k] = &values[k]
		}
		err = r.Scan(into...)
		out += fmt.Sprint(values)
		return err
	})
	if err != nil {
		out += err.Error()
	}
	return out
}

// Count is what a query that counts answers.
func Count(t testing.TB, s *Store, query string) (n int) {
	t.Helper()
	if err := s.write.QueryRow(query).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
