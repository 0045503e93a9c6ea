package store

import (
	"context"
	"database/sql"
	"testing"
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

// CountAgain returns the counts of the rows of runs that are not being deleted,
// and the counts that triggers keep, as text: the same where they are right.
func (s *Store) CountAgain(ctx context.Context) (want, got string, err error) {
	const text = "WITH runs AS (SELECT * FROM main.runs WHERE seq NOT IN (SELECT run FROM deleting)) SELECT coalesce(group_concat(line, char(10)), '') FROM (SELECT what || ' ' || which || ' ' || n AS line FROM "
	const counted = `(
		SELECT 'outcome' AS what, outcome AS which, count(*) AS n FROM runs GROUP BY outcome
		UNION ALL SELECT 'device', device, count(*) FROM runs GROUP BY device
		UNION ALL SELECT 'readings', '', coalesce(sum(readings), 0) FROM runs WHERE status <> 'running'
		UNION ALL SELECT 'units', '', count(*) FROM units
		UNION ALL SELECT 'lot ' || lot, (SELECT max(started) FROM runs WHERE lot = l.lot) || ' passed ' || sum(passed), count(*) - 1 FROM (
			SELECT lot, 0 AS passed FROM runs WHERE lot <> '' GROUP BY lot
			UNION ALL SELECT lot, outcome IN ('pass', 'conditional pass') FROM runs r WHERE lot <> '' AND status = 'done' AND NOT EXISTS (
				SELECT 1 FROM runs n WHERE n.lot = r.lot AND n.device = r.device AND n.serial = r.serial AND n.status = 'done'
				AND (n.started, n.seq) > (r.started, r.seq))) AS l GROUP BY lot)`
	const kept = `(SELECT what, which, n FROM counts
		UNION ALL SELECT 'lot ' || lot, newest || ' passed ' || passed, units FROM lots)`
	for from, into := range map[string]*string{counted: &want, kept: &got} {
		if err = s.reader(ctx).QueryRowContext(ctx, text+from+" WHERE n <> 0 OR what LIKE 'lot %' ORDER BY 1)").Scan(into); err != nil {
			return "", "", err
		}
	}
	return want, got, nil
}

// SpoilSnapshots changes a letter in everything that runs were made with.
func SpoilSnapshots(t testing.TB, s *Store) {
	t.Helper()
	if _, err := s.write.Exec(`UPDATE snapshots SET body = replace(body, '"key"', '"kez"')`); err != nil {
		t.Fatal(err)
	}
}
