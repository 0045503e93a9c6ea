package procedure

import (
	"math"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// A result that is no more than a bound has no end on the side where the truth
// lies, and the bound, less what it may itself be off, as its other end; one that is
// exact has no U. It is judged as before.
func TestEndsOfABound(t *testing.T) {
	high := 9.0
	for _, c := range []struct {
		name     string
		v        value
		from, to float64
		outcome  derive.Outcome
	}{
		{"at least, exact", value{of: budget.Exact(10), counted: true, only: true, bound: 1}, 10, math.NaN(), derive.Fail},
		{"at most, exact", value{of: budget.Exact(10), counted: true, only: true, bound: -1}, math.NaN(), 10, derive.Invalid},
		{"on a side that nobody knows", value{of: budget.Exact(10), counted: true, only: true}, math.NaN(), math.NaN(), derive.Invalid},
		{"at least, itself off", value{of: guessed(10, 0.1), only: true, bound: 1}, 10 - 0.1959964, math.NaN(), derive.Fail},
		{"at most, itself off", value{of: guessed(10, 0.1), only: true, bound: -1}, math.NaN(), 10 + 0.1959964, derive.Invalid},
		{"a value", value{of: guessed(8, 0.1)}, 8 - 0.1959964, 8 + 0.1959964, derive.Pass},
		{"a count", value{of: budget.Exact(8), counted: true}, 8, 8, derive.Pass},
	} {
		c.v.key = "upper"
		k := judging(Limit{High: &high}, 0)
		r, ok := k.result(c.v)
		if !ok || !nearOrNaN(r.From, c.from) || !nearOrNaN(r.To, c.to) || r.Outcome != c.outcome || r.Value != c.v.of.X || c.v.only && r.U == 0 {
			t.Errorf("%s: %g, from %g to %g, %q; want from %g to %g, %q", c.name, r.Value, r.From, r.To, r.Outcome, c.from, c.to, c.outcome)
		}
	}
}

func nearOrNaN(got, want float64) bool {
	return math.IsNaN(got) && math.IsNaN(want) || math.Abs(got-want) < 1e-6
}

// No current to be seen is a least resistance with no upper end.
func TestEndsOfALeastResistance(t *testing.T) {
	m := base("resistance")
	m.Use, m.Compliance = UseVoltage, 1e-3
	k := newKit(resistanceKind.facts, &m, networkDevice(), Rule{})
	v, ok := ratio(&k, 1, guessed(1, 1e-6), guessed(0, 1e-9), bench.Flags(0))
	r, said := k.result(v)
	if !ok || !said || !(r.Value > 0) || r.From != r.Value || !math.IsNaN(r.To) || !math.IsNaN(r.U) {
		t.Errorf("%+v", r)
	}
}
