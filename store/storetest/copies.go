package storetest

import (
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"testing"

	"ohmkeep/store"
)

// Copies is a history made from runs that were stored in the ordinary way.
type Copies struct {
	Runs    int // copies of each run
	PerLot  int // units in a lot, newest last
	Prefix  string
	Between int64 // nanoseconds between two runs
}

// Copy adds copies of every run of the database at path: each of another unit, later than the one before, with values that
// differ by parts of a thousand. It writes rows at once instead of one commit
// a batch, since a history of 20,000 runs would take minutes. Readings are not
// copied.
func (c Copies) Copy(t testing.TB, path string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_synchronous=OFF&_busy_timeout=5000")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	run := func(query string, args ...any) {
		t.Helper()
		if _, err := db.ExecContext(t.Context(), query, args...); err != nil {
			t.Fatalf("%v in %s", err, query)
		}
	}
	run("BEGIN")
	run("CREATE TEMP TABLE copy AS SELECT seq AS run, row_number() OVER (ORDER BY seq) AS nth FROM runs")
	var sources, last int64
	if err := db.QueryRow("SELECT count(*), max(run) FROM copy").Scan(&sources, &last); err != nil || sources == 0 {
		t.Fatalf("%d runs to copy: %v", sources, err)
	}
	run("CREATE TEMP TABLE made AS WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) "+
		"SELECT i, run, ? + (i - 1) * ? + nth AS seq, ? || nth || '-' || i AS name, ? || nth || '-' || ((i - 1) / ?) AS lot FROM copy, n",
		c.Runs, last, sources, c.Prefix, c.Prefix+"lot-", max(c.PerLot, 1))
	run("INSERT INTO units (device, serial, lot, first) SELECT device, name, made.lot, started + i * ? FROM made JOIN runs ON runs.seq = run", c.Between)
	set := map[string]string{"seq": "made.seq", "id": "made.name", "serial": "made.name", "lot": "made.lot", "readings": "0",
		"started": fmt.Sprint("started + i * ", c.Between), "ended": fmt.Sprint("ended + i * ", c.Between),
		"unit": "(SELECT units.id FROM units WHERE units.device = runs.device AND units.serial = made.name)"}
	run(copyRows(t, db, "runs", set, "made JOIN runs ON runs.seq = made.run ORDER BY made.seq"))
	run(copyRows(t, db, "results", map[string]string{"id": "NULL", "run": "made.seq",
		"value": "value * (1 + ((i * 7919 + results.id * 104729) % 2001 - 1000) * 1e-6)"},
		"made JOIN results ON results.run = made.run ORDER BY made.seq, results.id"))
	run("COMMIT")
	sealCopies(t, db, "units")
	sealCopies(t, db, "results")
	run("UPDATE runs SET readings_sum = 0, results_sum = (SELECT coalesce(sum(seal), 0) FROM results WHERE run = runs.seq) WHERE seal IS NULL")
	sealCopies(t, db, "runs")
	run("PRAGMA wal_checkpoint(TRUNCATE)")
}

// sealCopies seals the rows that copyRows has inserted into a table. What a run
// has in all is not known any more.
func sealCopies(t testing.TB, db *sql.DB, table string) {
	t.Helper()
	run := func(query string) {
		t.Helper()
		if _, err := db.ExecContext(t.Context(), query); err != nil {
			t.Fatalf("%v in %s", err, query)
		}
	}
	var seals int
	if err := db.QueryRowContext(t.Context(), "SELECT count(*) FROM pragma_table_info(?) WHERE name = 'seal'", table).Scan(&seals); err != nil {
		t.Fatal(err)
	}
	if seals == 0 {
		return
	}
	if table == "results" || table == "chunks" {
		run("UPDATE runs SET results_sum = NULL, readings_sum = NULL, seal = NULL WHERE seq IN (SELECT run FROM " + table + " WHERE seal IS NULL)")
		run("UPDATE runs SET seal = " + store.SealSQL("runs") + " WHERE seal IS NULL AND seq IN (SELECT run FROM " + table + " WHERE seal IS NULL)")
	}
	run("UPDATE " + table + " SET seal = " + store.SealSQL(table) + " WHERE seal IS NULL")
}

// copyRows inserts every column of a table from itself, but for those that set
// has an expression for. The columns are asked for, so that a migration that
// adds one needs no change here.
func copyRows(t testing.TB, db *sql.DB, table string, set map[string]string, from string) string {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), "SELECT name FROM pragma_table_info(?)", table)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var columns, values []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		value, ok := set[name]
		if !ok && (name == "seal" || name == "results_sum" || name == "readings_sum") {
			value, ok = "NULL", true // sealCopies seals them
		}
		if !ok {
			value = table + "." + name
		}
		columns, values = append(columns, name), append(values, value)
	}
	for name := range set {
		if !slices.Contains(columns, name) {
			t.Fatalf("%s has no column %s any more", table, name)
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return "INSERT INTO " + table + " (" + strings.Join(columns, ", ") + ") SELECT " + strings.Join(values, ", ") + " FROM " + from
}
