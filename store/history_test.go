package store_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// lab returns a store with 30 runs, two started at each instant.
func lab(t testing.TB) *store.Store {
	s := storetest.New(t)
	for i := range 30 {
		r := record(fmt.Sprintf("run-%02d", i), fmt.Sprintf("u%d", i%5))
		r.Started = start.Add(time.Duration(i/2) * time.Hour)
		if i%3 == 0 {
			r.Device, r.Unit.Lot = device("r-two"), "L2"
		}
		if i == 7 {
			r.Note, r.Operator = "100% odd_ness", "Änne"
		}
		begin(t, s, r)
		if i < 29 {
			outcome := derive.Pass
			if i%10 == 0 {
				outcome = derive.Fail
			}
			if err := s.Finish(t.Context(), r.ID, procedure.Ending{Status: procedure.Done, Outcome: outcome, Ended: r.Started.Add(time.Minute)}); err != nil {
				t.Fatal(err)
			}
		}
	}
	return s
}

func ids(rows []store.RunRow) (out []string) {
	for _, r := range rows {
		out = append(out, r.ID)
	}
	return out
}

func TestFilters(t *testing.T) {
	t.Parallel()
	s := lab(t)
	for name, c := range map[string]struct {
		f    store.Filter
		want int
	}{
		"all":             {store.Filter{}, 30},
		"device":          {store.Filter{Device: "r-two"}, 10},
		"lot":             {store.Filter{Lot: "L2"}, 10},
		"serial":          {store.Filter{Serial: "u3"}, 6},
		"outcome":         {store.Filter{Outcome: derive.Fail}, 3},
		"without limits":  {store.Filter{WithoutLimits: true}, 1},
		"status":          {store.Filter{Status: procedure.Running}, 1},
		"procedure":       {store.Filter{Procedure: "r-check"}, 30},
		"from":            {store.Filter{From: start.Add(14 * time.Hour)}, 2},
		"to is excluded":  {store.Filter{To: start.Add(time.Hour)}, 2},
		"text":            {store.Filter{Text: " ODD "}, 1},
		"percent":         {store.Filter{Text: "100%"}, 1},
		"only percent":    {store.Filter{Text: "%"}, 1},
		"underscore":      {store.Filter{Text: "d_n"}, 1},
		"no underscore":   {store.Filter{Text: "o_d"}, 0},
		"operator":        {store.Filter{Text: "nne"}, 1},
		"backslash":       {store.Filter{Text: `\`}, 0},
		"quote":           {store.Filter{Text: `' OR 1=1 --`}, 0},
		"device and fail": {store.Filter{Device: "r-two", Outcome: derive.Fail}, 1},
		"nothing":         {store.Filter{Device: "r-three"}, 0},
	} {
		p, err := s.ListRuns(t.Context(), c.f, "", 100)
		if err != nil || len(p.Runs) != c.want || p.Total != c.want || p.Next != "" {
			t.Errorf("%s: %d runs, total %d, next %q (%v), want %d", name, len(p.Runs), p.Total, p.Next, err, c.want)
		}
	}
}

func TestPagesJoinUp(t *testing.T) {
	t.Parallel()
	s := lab(t)
	var got []string
	cursor := ""
	for pages := 0; ; pages++ {
		p, err := s.ListRuns(t.Context(), store.Filter{}, cursor, 7)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, ids(p.Runs)...)
		if pages == 1 { // a run that comes and one that goes must move nothing
			r := record("late", "")
			r.Started = start.Add(100 * time.Hour)
			begin(t, s, r)
			if err := s.DeleteRun(t.Context(), got[len(got)-1]); err != nil {
				t.Fatal(err)
			}
		}
		if cursor = p.Next; cursor == "" {
			break
		}
	}
	var want []string
	for i := 29; i >= 0; i-- {
		want = append(want, fmt.Sprintf("run-%02d", i))
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
	for _, cursor := range []string{"x", "1.", "1.2.3", "zzzzzzzzzzzzzzzzzz.1"} {
		_, err := s.ListRuns(t.Context(), store.Filter{}, cursor, 7)
		wantCode(t, err, store.Invalid)
	}
}

// Runs need not be stored in the order in which they were started.
func TestPagesFollowTheStart(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	var want []string
	for i := range 12 {
		r := record(fmt.Sprint(i), "")
		r.Started = start.Add(-time.Duration(i) * time.Hour)
		begin(t, s, r)
		want = append(want, r.ID)
	}
	var got []string
	for cursor, more := "", true; more; more = cursor != "" {
		p, err := s.ListRuns(t.Context(), store.Filter{}, cursor, 5)
		if err != nil {
			t.Fatal(err)
		}
		got, cursor = append(got, ids(p.Runs)...), p.Next
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
}

func TestEachRunPagesThroughAll(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	for i := range 450 {
		begin(t, s, record(fmt.Sprint(i), ""))
	}
	n := 0
	if err := s.EachRun(t.Context(), store.Filter{}, func(*store.RunRow) error { n++; return nil }); err != nil || n != 450 {
		t.Errorf("%d runs, %v", n, err)
	}
}

func TestOverview(t *testing.T) {
	t.Parallel()
	s := lab(t)
	o, err := s.GetOverview(t.Context(), 3)
	if err != nil {
		t.Fatal(err)
	}
	if o.Runs != 30 || o.Outcomes[derive.Fail] != 3 || o.Outcomes[derive.Pass] != 26 || o.Outcomes[""] != 1 ||
		o.Units != 10 || !slices.Equal(ids(o.Last), []string{"run-29", "run-28", "run-27"}) {
		t.Errorf("%+v", o)
	}
}

func TestWide(t *testing.T) {
	t.Parallel()
	s := lab(t)
	begin(t, s, record("wide-1", "u1"))
	appendAll(t, s, "wide-1", procedure.Batch{Results: []procedure.Result{result(1, "r", 1, 11), result(0, "r", 2, 12)}})
	begin(t, s, record("wide-2", "u2"))
	appendAll(t, s, "wide-2", procedure.Batch{Results: []procedure.Result{result(0, "r", 2, 22), result(1, "other", 1, 23)}})
	var columns []lot.Column
	values := map[string][]float64{}
	err := s.Wide(t.Context(), store.Filter{Device: "r-one"}, func(c []lot.Column) error {
		columns = slices.Clone(c)
		return nil
	}, func(r *store.WideRow) error {
		for _, v := range r.Values {
			if math.IsNaN(v) {
				v = -1
			}
			values[r.Run.ID] = append(values[r.Run.ID], v)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var heads []string
	for _, c := range columns {
		heads = append(heads, fmt.Sprint(c.Place, c.MeasurementName, c.Key, c.Pin))
	}
	if want := []string{"0Resistancer2", "1Watchr1", "1Watchother1"}; !slices.Equal(heads, want) {
		t.Errorf("columns %v", heads)
	}
	if len(values) != 22 || !slices.Equal(values["wide-1"], []float64{12, 11, -1}) || !slices.Equal(values["wide-2"], []float64{22, -1, 23}) {
		t.Errorf("%d rows: %v", len(values), values)
	}
}
