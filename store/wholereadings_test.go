package store_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestWholeReadingsOfDamagedRun: what is whole of a run with damaged readings is
// given, and the file says in words, at its place, what is not.
func TestWholeReadingsOfDamagedRun(t *testing.T) {
	t.Parallel()
	const (
		second = "(SELECT id FROM chunks WHERE run = 1 AND measurement = 0 AND first = 1024)"
		last   = "(SELECT id FROM chunks WHERE run = 1 AND measurement = 0 AND first = 2048)"
	)
	for what, c := range map[string]struct {
		damage string
		count  [2]int // readings of both measurements that are given
		words  []string
		other  bool // the other measurement can be read as if nothing were damaged
	}{
		"data":            {"UPDATE chunk_data SET data = zeroblob(2000) WHERE chunk = " + second, [2]int{1976, 500}, []string{"readings 1025 to 2048 are damaged"}, true},
		"one bit of data": {"UPDATE chunk_data SET data = CAST(substr(data, 1, 300) || x'55' || substr(data, 302) AS BLOB) WHERE chunk = " + second, [2]int{1976, 500}, []string{"readings 1025 to 2048 are damaged"}, true},
		"data lost":       {"DELETE FROM chunk_data WHERE chunk = " + second, [2]int{1976, 500}, []string{"readings 1025 to 2048 are damaged"}, true},
		"row lost":        {"DELETE FROM chunks WHERE id = " + second, [2]int{1976, 500}, []string{"readings 1025 to 2048 are damaged"}, true},
		"seal":            {"UPDATE chunks SET seal = seal + 1 WHERE id = " + second, [2]int{1976, 500}, []string{"readings 1025 to 2048 are damaged"}, true},
		"place":           {"UPDATE chunks SET first = 4000 WHERE id = " + second, [2]int{1976, 500}, []string{"readings 1025 to 2048 are damaged"}, true},
		"last":            {"UPDATE chunks SET seal = seal + 1 WHERE id = " + last, [2]int{2048, 500}, []string{"readings 2049 to 3000 are damaged"}, true},
		"last row lost":   {"DELETE FROM chunks WHERE id = " + last, [2]int{2048, 500}, []string{"3500 readings", "2548"}, false},
		"first":           {"UPDATE chunks SET seal = seal + 1 WHERE run = 1 AND measurement = 0 AND first = 0", [2]int{1976, 500}, []string{"readings 1 to 1024 are damaged"}, true},
		"of another run":  {"UPDATE chunks SET run = 1, measurement = 7 WHERE run = 2", [2]int{3000, 500}, []string{"8,,", "not those that the run ended with"}, false},
		"sum":             {"UPDATE runs SET readings_sum = 1, seal = " + store.SealSQL("runs") + " WHERE seq = 1; UPDATE runs SET seal = " + store.SealSQL("runs") + " WHERE seq = 1", [2]int{3000, 500}, []string{"not those that the run ended with"}, false},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			s := storetest.New(t)
			ctx := t.Context()
			for _, id := range []string{"one", "two"} {
				begin(t, s, record(id, id))
				appendAll(t, s, id, batch(0, readings(0, 3000, 1)))
				appendAll(t, s, id, batch(1, readings(0, 500, 1)))
				must(t, s.Finish(ctx, id, procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: start.Add(time.Minute)}))
			}
			if what == "of another run" { // leave room for it
				store.Spoil(t, s, "DELETE FROM chunks WHERE run = 2 AND (measurement > 0 OR first > 0)")
			}
			before := rowsOf(t, s, "one")
			store.Spoil(t, s, c.damage)
			var count [2]int
			var said []string
			for _, row := range rowsOf(t, s, "one") {
				if strings.Contains(row, "damaged") || strings.Contains(row, "ended with") {
					said = append(said, row)
					continue
				}
				if !slices.Contains(before, row) {
					t.Fatalf("shown as good: %s", row)
				}
				count[row[0]-'1']++
			}
			if count != c.count {
				t.Errorf("%v readings, want %v", count, c.count)
			}
			all := strings.Join(said, "\n")
			for _, w := range c.words {
				if !strings.Contains(all, w) {
					t.Errorf("%q is not said in:\n%s", w, all)
				}
			}
			if len(said) > 2 {
				t.Errorf("too much is said:\n%s", all)
			}
			err := s.Readings(ctx, "one", 1, 0, func(int64, *store.Columns) error { return nil })
			if (err == nil) != c.other {
				t.Errorf("the other measurement: %v", err)
			}
			if err := s.Readings(ctx, "one", 0, 0, func(int64, *store.Columns) error { return nil }); store.CodeOf(err) != store.Corrupt {
				t.Errorf("the damaged measurement is shown as good: %v", err)
			}
			found, err := s.Check(ctx, nil)
			must(t, err)
			if !strings.Contains(fmt.Sprint(found.Findings), "run one") {
				t.Errorf("check: %+v", found.Findings)
			}
		})
	}
}

// rowsOf is the file of all readings of a run, without its header.
func rowsOf(t *testing.T, s *store.Store, id string) (out []string) {
	t.Helper()
	var file bytes.Buffer
	must(t, s.ExportReadings(t.Context(), &file, id, store.AllMeasurements))
	rows, err := csv.NewReader(&file).ReadAll()
	must(t, err)
	for _, row := range rows[1:] {
		out = append(out, strings.Join(row, ","))
	}
	return out
}
