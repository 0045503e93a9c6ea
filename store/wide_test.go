package store_test

import (
	"slices"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// TestWideAcrossRevisions: a column holds one measurement's results also where
// another has been put before it since, or has taken its place.
func TestWideAcrossRevisions(t *testing.T) {
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
	err := s.Wide(t.Context(), store.Filter{Procedure: "edited"}, func(cols []store.WideColumn) error {
		for _, c := range cols {
			names = append(names, c.MeasurementName)
		}
		return nil
	}, func(r *store.WideRow) error {
		for _, x := range r.Results {
			v := 0.0
			if x != nil {
				v = x.Value
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
