package store_test

import (
	"bytes"
	"encoding/csv"
	"testing"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestHistorySaysWhereRunsAreFrom: the list of runs and the file of the history say
// from which server and file a run came, and which run it was there.
func TestHistorySaysWhereRunsAreFrom(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	from, to := storetest.New(t), storetest.New(t)
	stockLab(t, from)
	stockRun(t, from, "run-a", 10, nil)
	stockLab(t, to)
	stockRun(t, to, "run-b", 10, nil)
	file, _ := exported(t, from, store.Choice{All: true})
	got := imported(t, to, file)
	var list []store.RunRow
	history := func() (rows [][]string) {
		var out bytes.Buffer
		e := store.NewHistoryCSV(&out)
		list = nil
		must(t, to.EachRun(ctx, store.Filter{}, func(r *store.RunRow) error { list = append(list, *r); return e.Row(r) }))
		must(t, e.Close())
		rows, err := csv.NewReader(&out).ReadAll()
		must(t, err)
		return rows
	}
	cell := func(rows [][]string, run, name string) string {
		for i, heading := range rows[0] {
			for _, row := range rows[1:] {
				if heading == name && row[0] == run {
					return row[i]
				}
			}
		}
		return "not there"
	}
	rows := history()
	for run, want := range map[string][3]string{"run-a": {"https://a.example", "run-a", got.Sum}, "run-b": {"", "", ""}} {
		is := [3]string{cell(rows, run, "brought from"), cell(rows, run, "run there"), cell(rows, run, "file (SHA-256)")}
		if is != want {
			t.Errorf("%s: %q, want %q", run, is, want)
		}
	}
	for _, r := range list {
		if b := r.Brought; (b != nil) != (r.ID == "run-a") || b != nil && (b.Server != "https://a.example" || b.BroughtBy != "Bob" || b.File != got.Sum) {
			t.Errorf("%s: %+v", r.ID, b)
		}
	}
	store.Spoil(t, to, "UPDATE origins SET body = replace(body, 'a.example', 'z.example')")
	if is := cell(history(), "run-a", "brought from"); is != "not known: damaged" {
		t.Errorf("damaged: %q", is)
	}
}
