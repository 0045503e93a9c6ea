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

// TestDefaultsHaveSettled: no default of any kind, with the settle that its bench
// asks for, has a result that ten times as long a wait would move by more than its U.
func TestDefaultsHaveSettled(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	s := Scenario()
	d := s.device(t, TarnelKey)
	pm := s.pinMap(t, TarnelKey)
	def := coarse()
	tried := map[string]bool{}
	for _, k := range procedure.Kinds() {
		m := k.Default(d)
		if len(m.Validate(d)) > 0 {
			continue
		}
		step, err := procedure.NewPlanner(d, pm, &def).Step(0, &m, k, nil)
		if err != nil {
			continue // more pins than the bench has channels for
		}
		m.Settle = procedure.SettleFor(step, d)
		p := procedure.Procedure{Key: "defaults", Name: "Defaults", Device: TarnelKey, Measurements: []procedure.Measurement{m}}
		u := LotUnit{Serial: "defaults", Seed: 79}
		first := carryOut(t, p, def, 5, u)
		p.Measurements = []procedure.Measurement{m.Clone()}
		p.Measurements[0].Settle.Time *= 10
		longer := map[procedure.ResultID]procedure.Result{}
		for _, x := range carryOut(t, p, def, 5, u).held.Results {
			longer[x.ID()] = x
		}
		for _, x := range first.held.Results {
			w, ok := longer[x.ID()]
			if !ok || x.U == 0 || x.Key == "sd" || x.Key == "allan-deviation" || x.Key == "drift" {
				continue // scatter is another one each time
			}
			tried[k.Key()] = true
			if math.Abs(x.Value-w.Value) > x.U {
				t.Errorf("%s: %s; ten times as long a wait: %.6g", k.Key(), first.say(x), w.Value)
			}
		}
	}
	if len(tried) < 7 {
		t.Errorf("only %v were tried", tried)
	}
}
