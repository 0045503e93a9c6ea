package store_test

import (
	"database/sql"
	"testing"
	"time"

	"ohmkeep/store"
)

// BenchmarkHistoryCSV writes the history's file, and reads the same columns of
// the same runs in the order of the table and does nothing with them, turn by
// turn. The ratio is what counts.
func BenchmarkHistoryCSV(b *testing.B) {
	const n = 10_000
	s, path := history(b, n, 3)
	var file, scan time.Duration
	b.ResetTimer()
	for range b.N {
		at := time.Now()
		var size counted
		e := store.NewHistoryCSV(&size)
		must(b, s.EachRun(store.From(b.Context(), store.Reports), store.Filter{}, e.Row))
		must(b, e.Close())
		file += time.Since(at)
		at = time.Now()
		if read := scanOfRuns(b, path); read != n || size < n*100 {
			b.Fatalf("%d runs, %d bytes", read, size)
		}
		scan += time.Since(at)
	}
	b.ReportMetric(file.Seconds()*1e6/float64(b.N)/n, "µs/run")
	b.ReportMetric(scan.Seconds()*1e6/float64(b.N)/n, "µs/scanned")
	b.ReportMetric(file.Seconds()/scan.Seconds(), "ratio")
}

// scanOfRuns reads every column that the history's file has, and returns how
// many runs there are.
func scanOfRuns(b *testing.B, path string) (n int) {
	b.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	must(b, err)
	defer db.Close()
	rows, err := db.QueryContext(b.Context(), `SELECT id, started, ended, device, device_rev, procedure, procedure_rev, serial, lot, outcome, status,
		reason, operator, bench, rehearsal, manual, readings, note FROM runs`)
	must(b, err)
	defer rows.Close()
	var cells [18]sql.RawBytes
	into := make([]any, len(cells))
	for i := range cells {
		into[i] = &cells[i]
	}
	for ; rows.Next(); n++ {
		must(b, rows.Scan(into...))
	}
	must(b, rows.Err())
	return n
}
