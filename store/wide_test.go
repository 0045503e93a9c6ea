package store_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestWideAcrossRevisions: a column holds one measurement's results also where
// another has been put before it since, or has taken its place.
func TestWideAcrossRevisions(t *testing.T) {
	t.Parallel()
	s := lab(t)
	run := func(id string, measurements ...procedure.Measurement) {
		r := record(id, id)
		r.Procedure.Key, r.ProcRev, r.Procedure.Measurements = "edited", 0, measurements
		begin(t, s, r)
		var b procedure.Batch
		for i := range measurements {
			b.Results = append(b.Results, result(i, "r", 1, float64(measurements[i].Repeats)))
		}
		appendAll(t, s, id, b)
	}
	a := procedure.Measurement{ID: "a", Name: "First", Kind: "watch", Repeats: 1}
	b := procedure.Measurement{ID: "b", Name: "Second", Kind: "watch", Repeats: 2}
	c := procedure.Measurement{ID: "c", Name: "New", Kind: "watch", Repeats: 3}
	run("rev-1", a, b)
	run("rev-2", c, b, a)
	run("rev-3", c)
	var names []string
	got := map[string][]float64{}
	err := s.Wide(t.Context(), store.Filter{Procedure: "edited"}, func(cols []lot.Column) error {
		for _, c := range cols {
			names = append(names, c.MeasurementName)
		}
		return nil
	}, func(r *store.WideRow) error {
		for _, v := range r.Values {
			if math.IsNaN(v) {
				v = 0
			}
			got[r.Run.ID] = append(got[r.Run.ID], v)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"New", "Second", "First"}; !slices.Equal(names, want) {
		t.Errorf("columns %q, want %q", names, want)
	}
	for id, want := range map[string][]float64{"rev-1": {0, 2, 1}, "rev-2": {3, 2, 1}, "rev-3": {3, 0, 0}} {
		if !slices.Equal(got[id], want) {
			t.Errorf("%s: %v, want %v", id, got[id], want)
		}
	}
}

// mixed returns a store of runs of several revisions, whose results were
// stored turn by turn, so that those of one run do not lie together.
func mixed(t *testing.T) *store.Store {
	s := storetest.New(t)
	random := rand.New(rand.NewPCG(7, 11))
	for block := range 13 {
		var ids []string
		for k := range 20 {
			r := record(fmt.Sprintf("run-%02d-%02d", block, k), fmt.Sprint("u", k%7))
			r.Started = r.Started.Add(time.Duration(block*20+k) * time.Second)
			r.Procedure.Measurements[block%2].ID = fmt.Sprint("n", block%2, random.IntN(3)) // unique, as Validate wants it
			begin(t, s, r)
			ids = append(ids, r.ID)
		}
		for range 60 {
			a, b := result(random.IntN(3), fmt.Sprint("r", random.IntN(2)), random.IntN(4), random.Float64()), result(random.IntN(2), "x", 0, random.Float64())
			for _, x := range []*procedure.Result{&a, &b} {
				x.K, x.From, x.To = 1.9, x.Value-random.Float64(), x.Value+random.Float64()
				x.Outcome = []derive.Outcome{derive.NoLimits, derive.Pass, derive.ConditionalPass, derive.ConditionalFail, derive.Fail}[random.IntN(5)]
			}
			appendAll(t, s, ids[random.IntN(len(ids))], procedure.Batch{Results: []procedure.Result{a, b}})
		}
	}
	return s
}

// TestWideIsEveryResult: the table holds each run's own results and nothing
// else, whether values are kept or read again.
func TestWideIsEveryResult(t *testing.T) {
	t.Parallel()
	s, ctx := mixed(t), t.Context()
	for name, prepare := range map[string]func(){"kept": func() {}, "read again": func() { t.Cleanup(store.KeepNothing(s)) }} {
		prepare()
		before := store.Kept(s)
		var columns []lot.Column
		rows, cells := 0, 0
		err := s.Wide(ctx, store.Filter{}, func(c []lot.Column) error {
			columns = slices.Clone(c)
			return nil
		}, func(r *store.WideRow) error {
			rec, err := s.GetRun(ctx, r.Run.ID)
			if err != nil {
				return err
			}
			results, err := s.Results(ctx, r.Run.ID)
			if err != nil {
				return err
			}
			rows++
			type said struct {
				value, from, to float64
				outcome         derive.Outcome
			}
			want := map[lot.Identity]said{}
			for i := range results {
				x := &results[i]
				want[lot.SourceOf(&rec.Procedure, 0).Identity(x)] = said{x.Value, x.From, x.To, x.Outcome}
			}
			for i, v := range r.Values {
				got := said{v, r.From[i], r.To[i], r.Outcomes[i]}
				if w, there := want[columns[i].Identity]; there && got != w || !there && !(math.IsNaN(v) && math.IsNaN(got.from) && math.IsNaN(got.to) && got.outcome == "") {
					t.Errorf("%s: %s, %+v: %v instead of %v", name, r.Run.ID, columns[i].Identity, got, w)
				}
				delete(want, columns[i].Identity)
			}
			if len(want) > 0 {
				t.Errorf("%s: %s lacks %v", name, r.Run.ID, want)
			}
			cells += len(results)
			return nil
		})
		if err != nil || rows != 260 || cells < 1000 {
			t.Errorf("%s: %d runs, %d results, %v", name, rows, cells, err)
		}
		if after := store.Kept(s); after != before {
			t.Errorf("%s: %d bytes stay on the account", name, after-before)
		}
	}
}

// TestWideHasBounds: a table of more columns than anybody reads is refused,
// and gives back what it kept.
func TestWideHasBounds(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("many", "u"))
	var b procedure.Batch
	for i := range 4001 {
		b.Results = append(b.Results, result(0, fmt.Sprint("r", i), 1, 1))
	}
	appendAll(t, s, "many", b)
	err := s.Wide(t.Context(), store.Filter{}, func([]lot.Column) error { t.Error("columns of a table that is refused"); return nil }, nil)
	wantCode(t, err, store.Invalid)
	if n := store.Kept(s); n != 0 {
		t.Errorf("%d bytes stay on the account", n)
	}
}

// TestLotAndWideTableGroupAlike: the statistics of a lot have the columns of
// the wide table of the same runs, in its order and with its values.
func TestLotAndWideTableGroupAlike(t *testing.T) {
	t.Parallel()
	s, ctx := mixed(t), t.Context()
	var runs []store.RunRow
	if err := s.EachRun(ctx, store.Filter{}, func(r *store.RunRow) error { runs = append(runs, *r); return nil }); err != nil {
		t.Fatal(err)
	}
	table, last := lot.NewTable(len(runs)), -1
	err := s.EachResult(ctx, runs, func(run int, from *lot.Source, x *procedure.Result, order int64) error {
		last = max(last, run)
		table.Add(run, from, x, order)
		return nil
	})
	if err != nil || last != len(runs)-1 {
		t.Fatalf("results up to run %d of %d: %v", last, len(runs), err)
	}
	stats := table.Statistics()
	n := 0
	err = s.Wide(ctx, store.Filter{}, func(columns []lot.Column) error {
		if len(columns) != len(stats) || len(stats) < 10 {
			t.Fatalf("%d columns, %d statistics", len(columns), len(stats))
		}
		for i := range columns {
			if columns[i] != stats[i].Column {
				t.Errorf("column %d is %+v, and on the page %+v", i, columns[i], stats[i].Column)
			}
		}
		return nil
	}, func(r *store.WideRow) error {
		for i, v := range r.Values {
			if w := stats[i].Values[n]; v != w && !(math.IsNaN(v) && math.IsNaN(w)) {
				t.Errorf("%s, column %d: %v, and on the page %v", r.Run.ID, i, v, w)
			}
		}
		n++
		return nil
	})
	if err != nil || n != len(runs) {
		t.Errorf("%d rows: %v", n, err)
	}
}
