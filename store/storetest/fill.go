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
// thousand runs in seconds. Vary is as for Copy; the id is made from the first
// run's. There are no readings and results, and units are not made known.
func Fill(t testing.TB, s *store.Store, n int, first *procedure.Record, vary map[string]string) {
	t.Helper()
	ctx := context.Background()
	must(t, s.Begin(ctx, first))
	must(t, s.Finish(ctx, first.ID, procedure.Ending{Status: procedure.Done, Ended: first.Started}))
	all := map[string]string{"id": "'" + first.ID + "-' || i"}
	for c, v := range vary {
		all[c] = v
	}
	Copy(t, s, "runs", "id = '"+first.ID+"'", n, all)
	must(t, s.DeleteRun(ctx, first.ID))
}

// Copy adds n rows to a table, like the one that a condition picks. Vary holds,
// for columns, SQL expressions of the new row's index i (0 to n-1) and the
// columns of the row that is copied; the other columns are as they are there,
// but for an integer primary key of the names seq or id, which is new.
func Copy(t testing.TB, s *store.Store, table, where string, n int, vary map[string]string) {
	t.Helper()
	ctx := context.Background()
	db, err := sql.Open("sqlite", "file:"+s.Path()+"?_foreign_keys=1&_busy_timeout=5000&_synchronous=OFF")
	must(t, err)
	defer func() { must(t, db.Close()) }()
	var columns, values []string
	rows, err := db.QueryContext(ctx, "SELECT name FROM pragma_table_info('"+table+"') WHERE NOT (pk > 0 AND type = 'INTEGER' AND name IN ('seq', 'id'))")
	must(t, err)
	for rows.Next() {
		var c string
		must(t, rows.Scan(&c))
		v, ok := vary[c]
		if !ok {
			v = c
		}
		columns, values = append(columns, c), append(values, v)
	}
	must(t, rows.Err())
	for c := range vary {
		if !slices.Contains(columns, c) {
			t.Fatalf("%s has no column %s", table, c)
		}
	}
	_, err = db.ExecContext(ctx, fmt.Sprintf(`WITH RECURSIVE k (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM k WHERE i + 1 < ?)
		INSERT INTO %[1]s (%[2]s) SELECT %[3]s FROM k, (SELECT * FROM %[1]s WHERE %[4]s)`,
		table, strings.Join(columns, ", "), strings.Join(values, ", "), where), n)
	must(t, err)
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
