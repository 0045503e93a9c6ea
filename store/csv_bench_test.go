package store_test

import (
	"bytes"
	"database/sql"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"ohmkeep/store"
)

const sqliteShell = "/usr/bin/sqlite3" // Debian's

// rowsFile writes the readings as ordinary rows, with the columns of the
// export, into a database file for the shell.
func rowsFile(b testing.TB, n int) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "rows.db")
	db, err := sql.Open("sqlite", "file:"+path+"?_journal_mode=OFF&_synchronous=OFF")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	must := func(_ any, err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	must(db.Exec(`CREATE TABLE readings (measurement INTEGER, name TEXT, pin INTEGER, pin_name TEXT, channel INTEGER,
		point INTEGER, curve INTEGER, time REAL, level REAL, voltage REAL, current REAL, flags TEXT, rehearsal TEXT)`))
	tx, err := db.Begin()
	must(nil, err)
	st, err := tx.Prepare("INSERT INTO readings VALUES (1, 'Resistance', ?, 'A', ?, ?, ?, ?, ?, ?, ?, ?, 'yes')")
	must(nil, err)
	for i := range n {
		r := reading(i, 1)
		flags := ""
		if r.Flags != 0 {
			flags = "in compliance"
		}
		must(st.Exec(r.Pin, r.Channel, r.Point, r.Group, float64(r.T)/1e9, r.Set, r.V, r.I, flags))
	}
	must(nil, tx.Commit())
	return path
}

// BenchmarkExportReadings compares with the shell's export of the same
// readings stored as rows, turn by turn in one run. The ratio is what counts.
func BenchmarkExportReadings(b *testing.B) {
	if _, err := os.Stat(sqliteShell); err != nil {
		if os.Getenv("CI") == "true" {
			b.Fatalf("%s is missing: install Debian's sqlite3 to compare with", sqliteShell)
		}
		b.Skipf("NOT MEASURED: %s is missing; install Debian's sqlite3 to compare with", sqliteShell)
	}
	const n = 1_000_000
	s, rows := filled(b, n), rowsFile(b, n)
	var ours, shell time.Duration
	b.ResetTimer()
	for range b.N {
		ours += export(b, s, n)
		shell += exportByShell(b, rows, n)
	}
	b.ReportMetric(ours.Seconds()/float64(b.N), "s/export")
	b.ReportMetric(shell.Seconds()/float64(b.N), "s/sqlite3")
	b.ReportMetric(ours.Seconds()/shell.Seconds(), "ratio")
}

// lineCounter counts lines: both sides write into one.
type lineCounter struct{ lines int }

func (c *lineCounter) Write(p []byte) (int, error) {
	c.lines += bytes.Count(p, []byte{'\n'})
	return len(p), nil
}

// Both exports go through a pipe to the same reader.
func timed(b testing.TB, n int, write func(w *os.File) error) time.Duration {
	b.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	start := time.Now()
	failed := make(chan error, 1)
	go func() {
		err := write(w)
		w.Close()
		failed <- err
	}()
	var c lineCounter
	if _, err := io.CopyBuffer(&c, struct{ io.Reader }{r}, make([]byte, 64<<10)); err != nil {
		b.Fatal(err)
	}
	if err := <-failed; err != nil {
		b.Fatal(err)
	}
	took := time.Since(start)
	if c.lines != n+1 {
		b.Fatalf("%d lines instead of %d", c.lines, n+1)
	}
	return took
}

func export(b testing.TB, s *store.Store, n int) time.Duration {
	return timed(b, n, func(w *os.File) error {
		return s.ExportReadings(b.Context(), w, "run", store.AllMeasurements)
	})
}

func exportByShell(b testing.TB, path string, n int) time.Duration {
	return timed(b, n, func(w *os.File) error {
		cmd := exec.Command(sqliteShell, "-csv", "-header", path, "SELECT * FROM readings")
		cmd.Stdout, cmd.Stderr = w, os.Stderr
		return cmd.Run()
	})
}
