package procedure

import (
	"math"
	"testing"

	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// unconnected is a value that errs by up to 1 on a side that nobody knows, as one
// that depends on a pin that is left open does, and beside it by a normal error of
// standard uncertainty 0.1.
func unconnected(x float64) budget.Value {
	return guessed(x, 0.1).With(budget.NewSource("potential of what is not connected", budget.Leakage, budget.Bounded, 1/math.Sqrt(3)), 1)
}

// A rule by risk takes all of an error that only has a bound: it passes what is
// within its limit wherever in the bound the error is, but for the risk, and fails
// what is beyond it in the same way.
func TestRuleByRiskOfABound(t *testing.T) {
	limit := 10.0
	rule := Rule{Risk: 0.025}
	for x, want := range map[float64]derive.Outcome{8.8: derive.Pass, 8.81: derive.ConditionalPass, 9.1: derive.ConditionalPass,
		10:   derive.ConditionalPass,
		10.1: derive.ConditionalFail, 11.19: derive.ConditionalFail, 11.2: derive.Fail} {
		r := judged(t, rule, unconnected(x), nil, &limit)
		if r.Outcome != want {
			t.Errorf("%g: %s, want %s", x, r.Outcome, want)
		}
		near(t, "w", *r.Band, 1.1959964, 1e-6)
	}
}

// One over a slope with such errors has, at the least, the probabilities of the
// slope.
func TestTransformOfABound(t *testing.T) {
	for _, x := range []float64{8.8, -8.8} {
		said := stated{unconnected(x).State(budget.Coverage), inverted(x)}
		at := 1 / (x + 1.1) // 1 sigma beyond the bound
		least, most := said.ConformityRange(&at, nil)
		if x < 0 { // beyond on the other side
			at = 1 / (x - 1.1)
			least, most = said.ConformityRange(nil, &at)
		}
		near(t, "least", least, 0.8413447, 1e-6)
		near(t, "most", most, 1, 1e-6)
	}
}

// What a guard band accepts falsely of a predicted result counts the bound whole,
// as the band itself does.
func TestFalseAcceptOfABound(t *testing.T) {
	limit := 10.0
	for guard, want := range map[float64]float64{1: 0.025, 0: 1} {
		rule := Rule{Guard: guard}
		p := Prediction{Result: judged(t, rule, unconnected(5), nil, &limit)}
		p.forecast(rule, 10)
		near(t, rule.Name()+": risk", p.FalseAccept, want, 1e-4)
	}
}

// What is left of U without the noise is the bound itself, whole.
func TestBudgetWithoutTheRestOfABound(t *testing.T) {
	r := judged(t, Rule{}, unconnected(5), nil, nil)
	near(t, "U", r.U, 1.1959964, 1e-6)
	near(t, "U again", r.Budget.without(5, func(*Line) float64 { return 1 }), r.U, 1e-9)
	left := r.Budget.without(5, func(l *Line) float64 {
		if l.Distribution == budget.Bounded.String() {
			return 1
		}
		return 0
	})
	near(t, "U without the noise", left, 1, 1e-9)
}
