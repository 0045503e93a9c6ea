package derive

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/budget"
)

// state is what is said of x with one source.
func state(x float64, dist budget.Distribution, u float64) budget.Statement {
	return budget.Of(x, budget.NewSource("source", budget.Model, dist, u)).State(budget.Coverage)
}

// JCGM 106:2012, 7.2: the voltage of -5.47 V, u = 0.05 V, below the limit of
// -5.40 V with a probability of 0.919 (from memory, recomputed): each rule's
// answer to it.
func TestJudgeVoltage(t *testing.T) {
	s := state(-5.47, budget.Normal, 0.05)
	for _, c := range []struct {
		rule       Rule
		want       Outcome
		band, risk float64
	}{
		{GuardRule(0), Pass, 0, 0.5},
		{GuardRule(1), ConditionalPass, 1.959964 * 0.05, 0.025},
		{GuardRule(0.5), Pass, 0.5 * 1.959964 * 0.05, 0.163543},
		{Rule{Kind: SpecificRisk, Risk: 0.05}, ConditionalPass, 1.644854 * 0.05, 0.05},
		{Rule{Kind: SpecificRisk, Risk: 0.1}, Pass, 1.281552 * 0.05, 0.1},
	} {
		v := Judge(s, nil, ptr(-5.40), c.rule)
		if v.Outcome != c.want {
			t.Errorf("%+v: %s, want %s", c.rule, v.Outcome, c.want)
		}
		near(t, "conformity", v.Conformity, 0.9192433407662273, 1e-9)
		near(t, "guard band", v.HighBand, c.band, 1e-6)
		near(t, "risk at the limit", v.HighRisk, c.risk, 1e-4)
		if !math.IsNaN(v.LowBand) || !math.IsNaN(v.LowRisk) {
			t.Errorf("%+v: a band inside an open limit: %+v", c.rule, v)
		}
		mirrored := Judge(state(5.47, budget.Normal, 0.05), ptr(5.40), nil, c.rule)
		if mirrored.Outcome != v.Outcome {
			t.Errorf("%+v: %s mirrored is %s", c.rule, v.Outcome, mirrored.Outcome)
		}
		near(t, "band mirrored", mirrored.LowBand, v.HighBand, 1e-9)
	}
}

// The four words by risk, and what cannot be judged.
func TestJudgeByRisk(t *testing.T) {
	rule := Rule{Kind: SpecificRisk, Risk: 0.05}
	for x, want := range map[float64]Outcome{8: Pass, 8.35: Pass, 8.36: ConditionalPass, 10: ConditionalPass, 10.01: ConditionalFail, 11.64: ConditionalFail, 11.65: Fail} {
		if v := Judge(state(x, budget.Normal, 1), nil, ptr(10), rule); v.Outcome != want {
			t.Errorf("%g: %s, want %s", x, v.Outcome, want)
		}
	}
	// Risks of both sides add up: 2 × 4 % in the middle of a narrow tolerance.
	if v := Judge(state(0, budget.Normal, 1), ptr(-1.75), ptr(1.75), rule); v.Outcome != ConditionalPass {
		t.Errorf("a narrow tolerance: %+v", v)
	}
	// A rectangular error has no tails: it may come closer.
	if v := Judge(state(8.36, budget.Rectangular, 1), nil, ptr(10), rule); v.Outcome != Pass {
		t.Errorf("a rectangular error: %+v", v)
	}
	endless := budget.Exact(5).State(budget.Coverage)
	for _, c := range []struct {
		s         budget.Statement
		low, high *float64
		rule      Rule
		want      Outcome
	}{
		{endless, nil, ptr(10), rule, Invalid}, {endless, nil, ptr(10), GuardRule(1), Invalid},
		{endless, nil, ptr(10), GuardRule(0), Pass}, {endless, nil, nil, rule, NoLimits},
		{state(math.NaN(), budget.Normal, 1), nil, ptr(1), GuardRule(0), Invalid},
		{state(1, budget.Normal, 1), ptr(3), ptr(2), rule, Invalid},
		{state(1, budget.Normal, 1), ptr(3), ptr(2), GuardRule(1), Invalid},
		{state(1, budget.Normal, 1), nil, ptr(2), Rule{Kind: "nonsense"}, Invalid},
		{state(1, budget.Normal, 1), nil, ptr(2), Rule{Kind: SpecificRisk, Risk: 0.5}, Invalid},
		{state(1, budget.Normal, 1), nil, ptr(2), GuardRule(math.Inf(1)), Invalid},
	} {
		v := Judge(c.s, c.low, c.high, c.rule)
		if v.Outcome != c.want {
			t.Errorf("%+v by %+v: %q, want %q", c.s, c.rule, v.Outcome, c.want)
		}
		if !c.s.Finite() && !math.IsNaN(v.Conformity) {
			t.Errorf("conformity of nothing known is %g", v.Conformity)
		}
	}
}

// For a guard band, Judge says what Decide says with U; and coming closer to a
// limit never makes an outcome better, whatever the rule.
func TestJudgeAgreesWithDecide(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-5, 15).Draw(t, "x")
		r := rapid.SampledFrom([]float64{0, 0.5, 0.83, 1, 1.5, -1}).Draw(t, "r")
		s := state(x, budget.Rectangular, rapid.Float64Range(0.1, 2).Draw(t, "u"))
		low, high := ptr(0), ptr(10)
		v := Judge(s, low, high, GuardRule(r))
		// A result within rounding of a border may fall to either side.
		edge := false
		for _, side := range []float64{math.Abs(x), math.Abs(x - 10)} {
			edge = edge || math.Abs(side-math.Abs(r)*s.U) < 1e-9
		}
		if want := Decide(x, s.U, low, high, r); v.Outcome != want && !edge {
			t.Fatalf("%s, want %s", v.Outcome, want)
		}
		rule := Rule{Kind: SpecificRisk, Risk: rapid.Float64Range(0.01, 0.4).Draw(t, "risk")}
		closer := state(x+0.5, budget.Rectangular, s.Uc)
		a, b := Judge(s, nil, high, rule).Outcome, Judge(closer, nil, high, rule).Outcome
		if Worst(a, b) != b {
			t.Fatalf("%g: %s, closer: %s", x, a, b)
		}
	})
}
