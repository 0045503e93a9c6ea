package procedure

import (
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// inRange is a reading of a drive by a channel with ranges of 1 and 100, its errors
// the same parts of each, that forces in a mode.
func inRange(mode bench.Mode, full float64) *Sense {
	ranges := []bench.Range{{FullScale: 1, Offset: 1e-4, Step: 1e-5}, {FullScale: 100, Offset: 1e-2, Step: 1e-3}}
	ch := &bench.Channel{ID: 1, Name: "1A", SenseV: ranges, SenseI: ranges}
	r, _ := bench.RangeFor(ranges, full)
	e := bench.NewErrors(&bench.Definition{})
	return &Sense{V: e.SenseV(ch, r), I: e.SenseI(ch, r), Cycles: 1, Segment: &Segment{Drives: []*Drive{{Channel: ch, Pin: 1, Mode: mode}}}}
}

// What was read decides whether a smaller range would have held it; what is forced
// has its range by the level. A result that the range does not dominate, or that is
// known well enough, is left alone.
func TestTooCoarse(t *testing.T) {
	read := func(s *Sense, v, i float64) ranged {
		r := newRanged(s)
		r.add(&Observation{Reading: bench.Reading{V: v, I: i}, Sense: s})
		return r
	}
	result := func(value, u, offset float64) *Result {
		return &Result{Value: value, U: u, Budget: &Budget{Lines: []Line{
			{Name: "offset of 1A, sensing ±100 A", Class: "offset", Share: offset}, {Name: "offset of 1A, sensing ±100 V", Class: "offset", Share: offset},
			{Name: "gain of 1A, sensing ±100 A", Class: "gain", Share: 1 - offset}}}}
	}
	within := func(x *Result, low, high float64) *Result {
		x.Low, x.High = &low, &high
		return x
	}
	for name, c := range map[string]struct {
		r    ranged
		x    *Result
		says string
	}{
		"a small current":       {read(inRange(bench.ForceVoltage, 100), 5, 0.1), result(0.1, 0.02, 0.4), ""},
		"dominated":             {read(inRange(bench.ForceVoltage, 100), 50, 0.1), result(0.1, 0.02, 0.6), "the ±100 A range"},
		"a small voltage":       {read(inRange(bench.ForceCurrent, 100), -0.1, 50), result(0.1, 0.02, 0.6), "and the ±1 V range holds"},
		"no smaller range":      {read(inRange(bench.ForceVoltage, 1), 0, 1e-3), result(0.1, 0.02, 0.6), ""},
		"a good part of it":     {read(inRange(bench.ForceVoltage, 100), 0, 6), result(6, 1, 0.9), ""},
		"nothing that holds it": {read(inRange(bench.ForceVoltage, 100), 0, 0.95), result(0.95, 0.1, 0.9), ""},
		"known well enough":     {read(inRange(bench.ForceVoltage, 100), 0, 0.1), result(0.1, 0.009, 0.9), ""},
		"well within limits":    {read(inRange(bench.ForceVoltage, 100), 0, 0.1), within(result(0.1, 0.02, 0.9), -0.3, 0.3), ""},
		"limits too near":       {read(inRange(bench.ForceVoltage, 100), 0, 0.1), within(result(0.1, 0.02, 0.9), -0.1, 0.1), "far too coarse"},
		"without a budget":      {read(inRange(bench.ForceVoltage, 100), 0, 0.1), &Result{Value: 0.1, U: 0.02}, ""},
	} {
		if got := c.r.words(c.x); c.says == "" && got != "" || !strings.Contains(got, c.says) {
			t.Errorf("%s: %q", name, got)
		}
	}
	mixed := read(inRange(bench.ForceVoltage, 100), 0, 0.1)
	mixed.add(&Observation{Reading: bench.Reading{I: 0.1}, Sense: inRange(bench.ForceVoltage, 1)})
	if got := mixed.words(result(0.1, 0.02, 0.9)); got != "" {
		t.Errorf("read in two ranges: %q", got)
	}
	low, high := -0.3, 0.5
	if r := read(inRange(bench.ForceVoltage, 100), 0, 0.1).forLimits(Limit{&low, &high}, quantity.Ampere); r.most != 0.5 {
		t.Errorf("up to %g", r.most)
	}
	if r := read(inRange(bench.ForceVoltage, 100), 0, 0.1).forLimits(Limit{&low, &high}, quantity.Ohm); r.most != 0.1 {
		t.Errorf("limits of a resistance are taken for currents: %g", r.most)
	}
}
