package derive

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/budget"
)

func ptr(v float64) *float64 { return &v }

func TestDecide(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		value, u  float64
		low, high *float64
		guard     float64
		want      Outcome
	}{
		// One upper limit of 10, w = 1: the four bands of ILAC-G8:09/2019, on
		// their borders ("non_binary_with_guard_band" of the reference file).
		{9, 1, nil, ptr(10), 1, Pass}, {9.01, 1, nil, ptr(10), 1, ConditionalPass}, {10, 1, nil, ptr(10), 1, ConditionalPass},
		{10.01, 1, nil, ptr(10), 1, ConditionalFail}, {11, 1, nil, ptr(10), 1, ConditionalFail}, {11.01, 1, nil, ptr(10), 1, Fail},
		// The same, mirrored.
		{-9, 1, ptr(-10), nil, 1, Pass}, {-9.01, 1, ptr(-10), nil, 1, ConditionalPass}, {-10, 1, ptr(-10), nil, 1, ConditionalPass},
		{-10.01, 1, ptr(-10), nil, 1, ConditionalFail}, {-11, 1, ptr(-10), nil, 1, ConditionalFail}, {-11.01, 1, ptr(-10), nil, 1, Fail},
		// Both limits; the guard factor scales U.
		{0, 1, ptr(-10), ptr(10), 1, Pass}, {9.5, 1, ptr(-10), ptr(10), 0.5, Pass}, {9.51, 1, ptr(-10), ptr(10), 0.5, ConditionalPass},
		// No room between the guarded limits.
		{0, 3, ptr(-1), ptr(1), 1, ConditionalPass},
		// Simple acceptance needs no U.
		{10, nan, nil, ptr(10), 0, Pass}, {10.0001, nan, nil, ptr(10), 0, Fail},
		// Uncritical rule, w = -U.
		{10.9, 1, nil, ptr(10), -1, Pass}, {11.1, 1, nil, ptr(10), -1, Fail},
		// Without limits, and what cannot be decided.
		{5, 1, nil, nil, 1, NoLimits}, {nan, 1, nil, nil, 1, Invalid}, {nan, 1, nil, ptr(10), 0, Invalid}, {inf, 1, nil, ptr(10), 0, Invalid},
		{5, nan, nil, ptr(10), 1, Invalid}, {5, -1, nil, ptr(10), 1, Invalid}, {5, inf, nil, ptr(10), 1, Invalid},
		{5, 1, ptr(nan), nil, 1, Invalid}, {5, 1, ptr(6), ptr(4), 1, Invalid}, {5, 1, nil, ptr(inf), 1, Invalid},
	} {
		if got := Decide(c.value, c.u, c.low, c.high, c.guard); got != c.want {
			t.Errorf("Decide(%g, %g, %v, %v, %g) = %q, want %q", c.value, c.u, c.low, c.high, c.guard, got, c.want)
		}
	}
}

// ILAC-G8:09/2019 Table 1: at the acceptance limit the specific risk of each rule
// is the one stated, and just beyond it the result no longer passes.
func TestGuardBandRisks(t *testing.T) {
	var s struct {
		Rows []struct {
			Rule, W string
			Exact   *float64 `json:"exact_at_AL"`
			Status  string
		}
	}
	load(t, "conformity/ilac-g8-guard-bands.json", &s)
	checked := 0
	for _, r := range s.Rows {
		if r.Exact == nil {
			continue
		}
		guard := map[string]float64{"3 U": 3, "1.5 U": 1.5, "1 U": 1, "0.83 U": 0.83, "0": 0, "-U": -1}[r.W]
		const limit, u = 10.0, 0.5 // standard uncertainty; U = 1
		at := limit - guard*2*u
		risk := 1 - budget.ConformityNormal(at, u, nil, ptr(limit))
		if guard < 0 { // a rejection that is wrong
			risk = 1 - risk
		}
		near(t, r.Rule, risk, *r.Exact, 1e-6)
		if Decide(at, 2*u, nil, ptr(limit), guard) != Pass || Decide(at+1e-9, 2*u, nil, ptr(limit), guard) == Pass {
			t.Errorf("%s: %g is not the acceptance limit", r.Rule, at)
		}
		checked++
	}
	if checked != 6 {
		t.Errorf("%d rules checked", checked)
	}
}

func TestWorst(t *testing.T) {
	order := []Outcome{NoLimits, Pass, ConditionalPass, ConditionalFail, Invalid, Fail}
	for i, a := range order {
		for j, b := range order {
			if got := Worst(a, b); got != order[max(i, j)] {
				t.Errorf("Worst(%q, %q) = %q", a, b, got)
			}
		}
	}
	if Worst() != NoLimits || Worst(Pass, "nonsense") == Pass {
		t.Error("Worst of nothing, or of an unknown word")
	}
}

// Moving towards a limit never improves the outcome, whatever the guard.
func TestDecideIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.Float64Range(0, 5).Draw(t, "U")
		guard := rapid.Float64Range(-1, 3).Draw(t, "guard")
		a := rapid.Float64Range(0, 20).Draw(t, "a")
		b := a + rapid.Float64Range(0, 5).Draw(t, "step")
		high := ptr(10)
		if x, y := Decide(a, u, nil, high, guard), Decide(b, u, nil, high, guard); Worst(x, y) != y {
			t.Fatalf("%g: %s but %g: %s", a, x, b, y)
		}
	})
}

// JCGM 106:2012, 8.3 (speed of a vehicle, relative u = 2 %, required probability
// 0.999): a driver at the published 107 km/h is not beyond 100 with that
// probability, at a little more is.
func TestDecideRisk(t *testing.T) {
	beyond := func(v float64) float64 { return budget.ConformityNormal(v, 0.02*v, nil, ptr(100)) }
	if got := DecideRisk(107, beyond(107), nil, ptr(100), 0.001); got != Fail {
		t.Errorf("107 km/h: %s", got)
	}
	if got := DecideRisk(106.5, beyond(106.5), nil, ptr(100), 0.001); got != ConditionalFail {
		t.Errorf("106.5 km/h: %s", got)
	}
	for _, c := range []struct {
		value, conforms, risk float64
		low, high             *float64
		want                  Outcome
	}{
		{9, 0.98, 0.02, nil, ptr(10), Pass}, {9, 0.979, 0.02, nil, ptr(10), ConditionalPass}, {10, 0.5, 0.02, nil, ptr(10), ConditionalPass},
		{11, 0.021, 0.02, nil, ptr(10), ConditionalFail}, {11, 0.02, 0.02, nil, ptr(10), Fail},
		{5, 1, 0.02, nil, nil, NoLimits},
		{9, math.NaN(), 0.02, nil, ptr(10), Invalid}, {9, 1.1, 0.02, nil, ptr(10), Invalid}, {9, 1, 0, nil, ptr(10), Invalid},
		{9, 1, 0.5, nil, ptr(10), Invalid}, {math.NaN(), 1, 0.02, nil, ptr(10), Invalid}, {9, 1, 0.02, ptr(10), ptr(8), Invalid},
	} {
		if got := DecideRisk(c.value, c.conforms, c.low, c.high, c.risk); got != c.want {
			t.Errorf("%g, %g, at most %g: %q, want %q", c.value, c.conforms, c.risk, got, c.want)
		}
	}
	if Worst(Untrusted, Pass) != Pass || Worst(Untrusted) != NoLimits {
		t.Error("what nothing was asked of decides over the whole")
	}
}
