package demo

import (
	"math"
	"slices"
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

// TestCoarseRangeIsSaid: a leakage within 0.6 µA that is read on a range of 1 mA, with
// six times as much room between its limits as ±U, is warned of before power and
// marked in its row, with the range that would do; on 10 µA it is neither. Where the
// limits ask for more than that, the warning of their precision has the remedy.
// Without limits nothing is predicted, and what a range hides is marked alone.
func TestCoarseRangeIsSaid(t *testing.T) {
	s, def := Scenario(), coarse()
	for _, c := range []struct {
		compliance float64
		limit      float64 // A either way; 0: none
		warned     string  // name of the warning; "" for none
		message    string
		noted      string
	}{
		{compliance: 10e-6, limit: 600e-9},
		{compliance: 1e-3, limit: 2e-6}, // as much room as anybody needs
		{compliance: 1e-3, limit: 600e-9, warned: "range:leakage", message: "a compliance of 1 µA takes the range that holds it", noted: "the ±1 mA range is far too coarse"},
		{compliance: 1e-3, limit: 300e-9, warned: "precision:leakage", message: "a compliance of ", noted: "the ±1 mA range is far too coarse"},
		{compliance: 1e-3, noted: "and the ±1 µA range holds what was read"},
		{compliance: 1e-6},
	} {
		p := only(t, "leakage", func(m *procedure.Measurement) {
			m.Compliance, m.Settle.Time = c.compliance, 50e-3
			m.Limits = nil
			if low, high := -c.limit, c.limit; high > 0 {
				m.Limits = map[string]procedure.Limit{"high": {Low: &low, High: &high}, "low": {Low: &low, High: &high}}
			}
		})
		report := procedure.PrePower(procedure.CheckInput{Device: s.device(t, TarnelKey), Procedure: &p, PinMap: s.pinMap(t, TarnelKey), Bench: &def})
		var names []string
		for _, f := range report.Warnings() {
			if !slices.Contains(names, f.Name()) {
				names = append(names, f.Name())
			}
			if f.Name() == c.warned && !strings.Contains(f.Message, c.message) {
				t.Errorf("%g A: %s", c.compliance, f.Message)
			}
		}
		if want := strings.Fields(c.warned); !slices.Equal(names, want) {
			t.Errorf("%g A: warned of %q, want %q: %+v", c.compliance, names, want, report.Findings)
		}
		r := carryOut(t, p, def, 3, LotUnit{Serial: "coarse", Seed: 77})
		if len(r.held.Results) == 0 {
			t.Errorf("%g A: no results", c.compliance)
		}
		for _, x := range r.held.Results {
			if c.noted == "" && strings.Contains(x.Note, "coarse") || !strings.Contains(x.Note, c.noted) {
				t.Errorf("%g A: %s", c.compliance, r.say(x))
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
