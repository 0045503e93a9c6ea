package demo

import (
	"math"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
)

// only is the scenario's characterisation with one of its measurements, changed.
func only(t *testing.T, id string, change func(*procedure.Measurement)) procedure.Procedure {
	s := Scenario()
	p := *s.procedure(t, LotProcedure)
	for _, m := range p.Measurements {
		if m.ID == id {
			change(&m)
			p.Measurements = []procedure.Measurement{m}
			return p
		}
	}
	t.Fatalf("no measurement %s", id)
	return p
}

// TestRuinousSettingsAreSaid: an aperture that leaves the hum, and a settle that is
// too short, stand in the row of every result that they spoil, and in no other.
func TestRuinousSettingsAreSaid(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*procedure.Measurement)
		says   string
	}{
		"as it is":      {func(*procedure.Measurement) {}, ""},
		"short reading": {func(m *procedure.Measurement) { m.Aperture = procedure.Aperture{Seconds: 1e-3} }, "aperture of 1 ms is no whole number of line cycles"},
		"short settle":  {func(m *procedure.Measurement) { m.Settle.Time = 4e-3 }, "settled for 4 ms where 14"},
	} {
		r := carryOut(t, only(t, "leakage", c.change), coarse(), 3, LotUnit{Serial: "ruined", Seed: 77})
		if len(r.held.Results) == 0 {
			t.Errorf("%s: no results", name)
		}
		for _, x := range r.held.Results {
			if c.says == "" && x.Note != "" || !strings.Contains(x.Note, c.says) {
				t.Errorf("%s: %s", name, r.say(x))
			}
		}
	}
}

// TestShortSettleIsCounted: what is left of settling is in the interval, so that it
// holds what a long wait reads on the same bench.
func TestShortSettleIsCounted(t *testing.T) {
	u := LotUnit{Serial: "settle", Seed: 78}
	for _, id := range []string{"leakage", "output-high"} {
		long := carryOut(t, only(t, id, func(m *procedure.Measurement) { m.Settle.Time = 0.1 }), coarse(), 4, u)
		want := map[procedure.ResultID]procedure.Result{}
		for _, x := range long.held.Results {
			want[x.ID()] = x
		}
		for _, constants := range []float64{3, 5, 7} {
			short := carryOut(t, only(t, id, func(m *procedure.Measurement) { m.Settle.Time = constants * 2e-3 }), coarse(), 4, u)
			for _, x := range short.held.Results {
				w := want[x.ID()]
				if math.Abs(x.Value-w.Value) > x.U {
					t.Errorf("%s, %g time constants: %s; after a long wait %.6g", id, constants, short.say(x), w.Value)
				}
			}
		}
	}
}
