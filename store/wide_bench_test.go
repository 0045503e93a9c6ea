package store_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"testing"
	"time"

	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/turn"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// history returns a store of n runs with perRun results each, lots of 100
// units.
func history(b testing.TB, n, perRun int) (*store.Store, string) {
	b.Helper()
	path := storetest.Path(b)
	s, err := store.Open(b.Context(), path, store.Options{}) // closed below: the copies need the file to themselves
	if err != nil {
		b.Fatal(err)
	}
	r := record("first", "u")
	var all procedure.Batch
	r.Procedure.Measurements = nil
	for m := range 3 {
		r.Procedure.Measurements = append(r.Procedure.Measurements, procedure.Measurement{ID: fmt.Sprint("m", m), Name: fmt.Sprint("Measurement ", m), Kind: "watch"})
	}
	for i := range perRun {
		x := result(i*3/perRun, "r", 1+i%(perRun/3), 1+float64(i)/7)
		x.Unit, x.Condition = quantity.Volt, "VCC 4.5 V"
		x.K, x.From, x.To = 1.65, x.Value-x.U/3, x.Value+x.U/3
		all.Results = append(all.Results, x)
	}
	begin(b, s, r)
	appendAll(b, s, "first", all)
	if err := s.Finish(b.Context(), "first", procedure.Ending{Status: procedure.Done, Outcome: "pass", Ended: start.Add(time.Minute)}); err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	storetest.Copies{Runs: n - 1, PerLot: 100, Prefix: "c", Between: int64(time.Minute)}.Copy(b, path)
	return storetest.Open(b, path, store.Options{}), path
}

// wideOf writes the wide table of all runs and returns how many bytes it has.
func wideOf(t testing.TB, s *store.Store) (n int64) {
	t.Helper()
	return wideIn(t.Context(), t, s)
}

func wideIn(ctx context.Context, t testing.TB, s *store.Store) (n int64) {
	t.Helper()
	var size counted
	var e *store.WideCSV
	err := s.Wide(ctx, store.Filter{}, func(c []lot.Column) error {
		e = store.NewWideCSV(&size, c)
		return nil
	}, func(r *store.WideRow) error { return e.Row(r) })
	if err := errors.Join(err, e.Close()); err != nil {
		t.Error(err)
	}
	return int64(size)
}

type counted int64

func (c *counted) Write(p []byte) (int, error) {
	*c += counted(len(p))
	return len(p), nil
}

// plainScan reads what a wide table needs of every result in the cheapest
// order there is, that of the file, and does nothing with it.
func plainScan(t testing.TB, path string) (n int) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.QueryContext(t.Context(), "SELECT run, measurement, key, pin, curve, condition, name, unit, outcome, value, interval_from, interval_to FROM results")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var run, measurement, pin int64
		var key, curve, condition, name, unit, outcome string
		var value, from, to sql.NullFloat64
		if err := rows.Scan(&run, &measurement, &key, &pin, &curve, &condition, &name, &unit, &outcome, &value, &from, &to); err != nil {
			t.Fatal(err)
		}
		n++
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return n
}

// BenchmarkWideByTurns compares 16 wide tables of 20,000 runs of 39 results that
// are made at the same time, by turns, with the same 16 made one after the
// other, and says when the first of them was there. The ratios are what counts:
// turns must not make much more work, and the first must not wait for the last.
func BenchmarkWideByTurns(b *testing.B) {
	const runs, perRun, tables = 20_000, 39, 16
	s, _ := history(b, runs, perRun)
	var alone, first, all time.Duration
	b.ResetTimer()
	for range b.N {
		begun := time.Now()
		wideOf(b, s)
		alone += time.Since(begun)

		q := turn.NewQueue(turn.Limits{Computing: 1})
		ended := make(chan time.Duration, tables)
		begun = time.Now()
		for i := range tables {
			go func() {
				err := turn.Do(turn.For(store.From(b.Context(), store.Reports), q, fmt.Sprint(i)), func(ctx context.Context) error {
					wideIn(ctx, b, s)
					return nil
				})
				if err != nil {
					b.Error(err)
				}
				ended <- time.Since(begun)
			}()
		}
		for i := range tables {
			took := <-ended
			if i == 0 {
				first += took
			}
			if i == tables-1 {
				all += took
			}
		}
		begun = time.Now()
		wideOf(b, s)
		alone += time.Since(begun)
	}
	alone = alone / 2 // before and after
	b.ReportMetric(alone.Seconds()/float64(b.N), "s/table")
	b.ReportMetric(first.Seconds()/alone.Seconds(), "first/table")
	b.ReportMetric(all.Seconds()/(tables*alone.Seconds()), "all/one-by-one")
}

// BenchmarkWide compares the wide table of 20,000 runs of 39 results, as CSV,
// with one plain scan of the same results, turn by turn. The ratio is what
// counts.
func BenchmarkWide(b *testing.B) {
	const runs, perRun = 20_000, 39
	s, path := history(b, runs, perRun)
	var ours, scan time.Duration
	var size int64
	b.ResetTimer()
	for range b.N {
		begun := time.Now()
		size = wideOf(b, s)
		ours += time.Since(begun)
		begun = time.Now()
		if n := plainScan(b, path); n != runs*perRun {
			b.Fatalf("%d results instead of %d", n, runs*perRun)
		}
		scan += time.Since(begun)
	}
	b.ReportMetric(ours.Seconds()/float64(b.N), "s/table")
	b.ReportMetric(scan.Seconds()/float64(b.N), "s/scan")
	b.ReportMetric(ours.Seconds()/scan.Seconds(), "ratio")
	b.ReportMetric(float64(size)/1e6, "MB")
}
