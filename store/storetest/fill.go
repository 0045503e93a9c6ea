package storetest

import (
	"context"
	"database/sql"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// Fill makes n ended runs like one, in one statement: a history of a hundred
// thousand runs in seconds. Vary is as for More; the id is made from the first
// run's. There are no readings and results, and units are not made known.
func Fill(t testing.TB, s *store.Store, n int, first *procedure.Record, vary map[string]string) {
	t.Helper()
	ctx := context.Background()
	must(t, s.Begin(ctx, first))
	must(t, s.Finish(ctx, first.ID, procedure.Ending{Status: procedure.Done, Ended: first.Started}))
	all := map[string]string{"seq": "NULL", "id": "'" + first.ID + "-' || i"}
	for c, v := range vary {
		all[c] = v
	}
	More(t, s, "runs", "id = '"+first.ID+"'", n, all)
	must(t, s.DeleteRun(ctx, first.ID))
}

// CutDeletions has every deletion of a run end after its first transaction, as a
// power cut does.
func CutDeletions(t testing.TB, s *store.Store) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+s.Path()+"?_busy_timeout=5000")
	must(t, err)
	defer func() { must(t, db.Close()) }()
	_, err = db.ExecContext(t.Context(), "CREATE TRIGGER cut BEFORE DELETE ON runs BEGIN SELECT raise(ABORT, 'cut'); END")
	must(t, err)
}

// More adds n rows to a table, like the one that a condition picks. Vary holds,
// for columns, SQL expressions of the new row's index i (0 to n-1) and the
// columns of the row that is copied; the other columns are as they are there.
func More(t testing.TB, s *store.Store, table, where string, n int, vary map[string]string) {
	t.Helper()
	ctx := context.Background()
	db, err := sql.Open("sqlite", "file:"+s.Path()+"?_foreign_keys=1&_busy_timeout=5000&_synchronous=OFF")
	must(t, err)
	defer func() { must(t, db.Close()) }()
	_, err = db.ExecContext(ctx, "WITH RECURSIVE k (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM k WHERE i + 1 < ?) "+
		copyRows(t, db, table, vary, "k, (SELECT * FROM "+table+" WHERE "+where+") AS "+table), n)
	must(t, err)
	sealCopies(t, db, table)
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// Exec changes what is stored past the store, as a disk or a hand does.
func Exec(t testing.TB, s *store.Store, query string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+s.Path()+"?_busy_timeout=5000")
	must(t, err)
	defer func() { must(t, db.Close()) }()
	_, err = db.ExecContext(t.Context(), query)
	must(t, err)
}
