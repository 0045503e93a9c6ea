package routes

import (
	"slices"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// TestLotAcrossRevisions: the statistics of a result are of one measurement,
// also where the procedure was edited between two units of the lot.
func TestLotAcrossRevisions(t *testing.T) {
	a := newAPI(t)
	p := loadProcedure()
	p.Measurements = p.Measurements[:1]
	second := p.Measurements[0]
	second.ID, second.Name, second.Use, second.Level, second.Compliance = "again", "Again", procedure.UseVoltage, 1, 10e-3
	p.Measurements = append(p.Measurements, second)
	p.Key = "edited"
	rev, err := a.store.SaveProcedure(t.Context(), p, 0, "test")
	must(t, err)
	one := a.runOnce(map[string]any{"procedure": "edited", "serial": "S1", "lot": "L"})
	slices.Reverse(p.Measurements)
	_, err = a.store.SaveProcedure(t.Context(), p, rev, "test")
	must(t, err)
	two := a.runOnce(map[string]any{"procedure": "edited", "serial": "S2", "lot": "L"})

	var rows []store.RunRow
	must(t, a.store.EachRun(t.Context(), store.Filter{Lot: "L"}, func(r *store.RunRow) error { rows = append(rows, *r); return nil }))
	stats, err := a.server.lotStats(t.Context(), rows)
	must(t, err)
	want := map[string][]float64{}
	for _, id := range []string{two, one} { // newest first, as the list is
		rec, err := a.store.GetRun(t.Context(), id)
		must(t, err)
		results, err := a.store.Results(t.Context(), id)
		must(t, err)
		for _, r := range results {
			name := rec.Procedure.Measurements[r.Measurement].Name
			want[name] = append(want[name], r.Value)
		}
	}
	if len(rows) != 2 || len(stats) != len(want) {
		t.Fatalf("%d runs, %d statistics", len(rows), len(stats))
	}
	for _, st := range stats {
		if !slices.Equal(st.Values, want[st.Measurement]) {
			t.Errorf("%s: %v, want %v", st.Measurement, st.Values, want[st.Measurement])
		}
	}
}
