package storetest

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// Fill makes n ended runs like one, in one statement: a history of a hundred
// thousand runs in seconds. Vary holds, for columns of runs, SQL expressions
// of the run's index i (0 to n-1); the others are the first run's, without
// readings and results. Units are not made known.
func Fill(t testing.TB, s *store.Store, n int, first *procedure.Record, vary map[string]string) {
	t.Helper()
	ctx := context.Background()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.Begin(ctx, first))
	must(s.Finish(ctx, first.ID, procedure.Ending{Status: procedure.Done, Ended: first.Started}))
	db, err := sql.Open("sqlite", "file:"+s.Path()+"?_foreign_keys=1&_busy_timeout=5000")
	must(err)
	defer func() { must(db.Close()) }()
	var columns, values []string
	rows, err := db.QueryContext(ctx, "SELECT name FROM pragma_table_info('runs') WHERE name <> 'seq'")
	must(err)
	for rows.Next() {
		var c string
		must(rows.Scan(&c))
		v, ok := vary[c]
		switch {
		case ok:
		case c == "id":
			v = "printf('%s-%d', runs.id, i)"
		default:
			v = "runs." + c
		}
		columns, values = append(columns, c), append(values, v)
	}
	must(rows.Err())
	for c := range vary {
		if !slices.Contains(columns, c) {
			t.Fatalf("runs has no column %s", c)
		}
	}
	_, err = db.ExecContext(ctx, fmt.Sprintf(`WITH RECURSIVE k (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM k WHERE i + 1 < ?)
		INSERT INTO runs (%s) SELECT %s FROM k, runs WHERE runs.id = ?`, strings.Join(columns, ", "), strings.Join(values, ", ")), n, first.ID)
	must(err)
	must(s.DeleteRun(ctx, first.ID))
}
