package procedure

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// judging is a kit of a contact with limits on its upper diode and a guard band.
func judging(lim Limit, guard float64) kit {
	m := base("contact")
	m.Limits = map[string]Limit{"upper": lim}
	return newKit(contactKind.facts, &m, inverterDevice(), Rule{Guard: guard})
}

// The rows of ILAC-G8:09/2019, table 1, that are guard bands of so many U: with
// an upper limit of 1 and U = 0.02 each value has the word of its place. The
// words for what lies between are those of its non-binary statement.
func TestOutcomeOfGuardBands(t *testing.T) {
	const limit, expanded = 1.0, 0.02
	high := limit
	for _, c := range []struct {
		rule  string
		guard float64
	}{
		{"6 sigma", 3}, {"3 sigma", 1.5}, {"ILAC G8:2009", 1}, {"ISO 14253-1:2017 (from memory)", 0.83}, {"simple acceptance", 0},
	} {
		k := judging(Limit{High: &high}, c.guard)
		w := c.guard * expanded
		for _, v := range []struct {
			at   float64
			want derive.Outcome
		}{
			{limit - w - 1e-6, derive.Pass}, {limit - w/2, derive.ConditionalPass}, {limit + w/2, derive.ConditionalFail}, {limit + w + 1e-6, derive.Fail},
		} {
			if c.guard == 0 && (v.want == derive.ConditionalPass || v.want == derive.ConditionalFail) {
				continue // nothing lies between
			}
			r, ok := k.result(value{key: "upper", pin: 1, of: guessed(v.at, expanded/k95)})
			if !ok || r.Outcome != v.want || math.Abs(r.U-expanded) > 1e-9*expanded {
				t.Errorf("%s: %g ± %g is %q, want %q", c.rule, v.at, r.U, r.Outcome, v.want)
			}
			if failed := v.want == derive.Fail || v.want == derive.ConditionalFail; r.Flags.Has(bench.OutOfLimit) != failed {
				t.Errorf("%s: %g has flags %v", c.rule, v.at, r.Flags)
			}
		}
	}
}

// The share of wrong acceptances that ILAC-G8:09/2019, table 1, states for a
// value just inside its guarded limit: U is two standard deviations, and the
// true value is normal about what was measured.
func TestRiskAtTheGuardedLimit(t *testing.T) {
	for _, c := range []struct {
		rule         string
		guard, exact float64
	}{
		{"6 sigma", 3, 9.865876450376946e-10}, {"3 sigma", 1.5, 0.0013498980316300933}, {"ILAC G8:2009", 1, 0.022750131948179195},
		{"ISO 14253-1:2017", 0.83, 0.04845722626672282}, {"simple acceptance", 0, 0.5},
	} {
		low, u := 2.0, 0.05
		k := judging(Limit{Low: &low}, c.guard)
		// The lowest value that passes, by halving.
		fails, passes := low-1, low+1
		for passes-fails > 1e-13 {
			x := (passes + fails) / 2
			if r, _ := k.result(value{key: "upper", of: guessed(x, 2*u/k95)}); r.Outcome == derive.Pass {
				passes = x
			} else {
				fails = x
			}
		}
		risk := math.Erfc((passes-low)/u/math.Sqrt2) / 2
		if math.Abs(risk-c.exact) > 1e-6*c.exact+1e-12 {
			t.Errorf("%s: a value that just passes is wrong by %.4g, stated %.4g", c.rule, risk, c.exact)
		}
	}
}

// A value that rests on a reading at its compliance, or on one that cannot be
// trusted, is never a pass, and a fail only where the truth lies further out and the
// rule would fail the bound itself.
func TestOutcomeOfClampedValues(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low, high := -1.0, 1.0
		lim := Limit{Low: &low, High: &high}
		if rapid.Bool().Draw(t, "open below") {
			lim.Low = nil
		}
		v := value{key: "upper", of: guessed(rapid.Float64Range(-3, 3).Draw(t, "x"), rapid.Float64Range(0, 0.5).Draw(t, "u")),
			bound: rapid.IntRange(-1, 1).Draw(t, "bound"), only: rapid.Bool().Draw(t, "only"),
			flags: rapid.SampledFrom([]bench.Flags{0, bench.InCompliance, bench.NotSettled, bench.OverRange | bench.InCompliance, bench.AfterFault}).Draw(t, "flags")}
		k := judging(lim, rapid.SampledFrom([]float64{0, 1, 3}).Draw(t, "guard"))
		r, ok := k.result(v)
		if !ok {
			t.Fatalf("no result of %+v", v)
		}
		// What the rule says of the bound against the limit that the truth lies
		// further out of is the least that can be said; else nothing can.
		bound, u := derive.Invalid, r.U
		if math.IsNaN(u) && len(v.of.Terms) == 0 {
			u = 0 // a bound that is exact has no U
		}
		switch {
		case v.bound > 0:
			bound = derive.Decide(v.x(), u, nil, &high, k.rule.Guard)
		case v.bound < 0 && lim.Low != nil:
			bound = derive.Decide(v.x(), u, lim.Low, nil, k.rule.Guard)
		}
		if bound != derive.Fail && bound != derive.ConditionalFail {
			bound = derive.Invalid
		}
		switch {
		case v.flags&untrusted != 0:
			if r.Outcome != derive.Invalid || r.Note == "" {
				t.Fatalf("%+v is %q: %q", v, r.Outcome, r.Note)
			}
		case v.only || v.flags.Has(bench.InCompliance):
			if r.Outcome != bound {
				t.Fatalf("%+v ± %g is %q, want %q", v, r.U, r.Outcome, bound)
			}
		default:
			if want := derive.Decide(v.x(), r.U, lim.Low, lim.High, k.rule.Guard); r.Outcome != want {
				t.Fatalf("%+v is %q, want %q", v, r.Outcome, want)
			}
		}
	})
}

// A value at its compliance beyond an upper limit is judged as any other there: by
// its U and the rule, since the bound itself may be off. By the risk: with U = 1.96 u
// a bound is truly within a limit 1 u below it with a probability of 15.9 %.
func TestBoundIsJudgedByTheRule(t *testing.T) {
	const u = 0.01
	high := 1.0
	for _, c := range []struct {
		name string
		rule Rule
		by   float64 // beyond the limit, in u
		want derive.Outcome
	}{
		{"simple acceptance, just beyond", Rule{}, 0.1, derive.Fail},
		{"simple acceptance, within", Rule{}, -0.1, derive.Invalid},
		{"w = U, within the band", Rule{Guard: 1}, 1.9, derive.ConditionalFail},
		{"w = U, beyond it", Rule{Guard: 1}, 2, derive.Fail},
		{"w = U, inside the limit", Rule{Guard: 1}, -5, derive.Invalid},
		{"risk of 10 %, 15.9 % left", Rule{Risk: 0.1}, 1, derive.ConditionalFail},
		{"risk of 20 %, 15.9 % left", Rule{Risk: 0.2}, 1, derive.Fail},
	} {
		for _, side := range []int{1, -1} {
			lim := Limit{High: &high}
			low := -high
			if side < 0 {
				lim = Limit{Low: &low}
			}
			k := judging(lim, 0)
			k.rule = c.rule
			x := float64(side) * (high + c.by*u)
			v := value{key: "upper", of: guessed(x, u), bound: side, flags: bench.InCompliance}
			r, ok := k.result(v)
			if !ok || r.Outcome != c.want {
				t.Errorf("%s, side %d: %q, want %q", c.name, side, r.Outcome, c.want)
			}
			if r.Conformity != nil || (r.Band != nil) != (c.want != derive.Invalid) {
				t.Errorf("%s: probability %v, band %v", c.name, r.Conformity, r.Band)
			}
			if fails := c.want != derive.Invalid; r.Flags.Has(bench.OutOfLimit) != fails {
				t.Errorf("%s: flags %v", c.name, r.Flags)
			}
		}
	}
	k := judging(Limit{High: &high}, 1)
	if r, _ := k.result(value{key: "upper", of: guessed(2, math.Inf(1)), bound: 1, flags: bench.InCompliance}); r.Outcome != derive.Invalid {
		t.Errorf("a bound of which nobody knows how far off it is: %q", r.Outcome)
	}
}

// What is no number is no result, and without limits there is nothing to pass.
func TestNoNumberIsNoResult(t *testing.T) {
	k := judging(Limit{}, 1)
	for _, u := range []float64{math.NaN(), math.Inf(1)} { // a number of which nobody knows how far off it is
		r, ok := k.result(value{key: "upper", of: guessed(1, u)})
		if !ok || !math.IsNaN(r.U) || !math.IsNaN(r.From) || r.Outcome != derive.NoLimits || !strings.Contains(r.Note, "cannot be said") {
			t.Errorf("U of %g: %+v", u, r)
		}
	}
	for _, v := range []value{{of: budget.Exact(math.NaN())}, {of: budget.Exact(math.Inf(1))}} {
		v.key = "upper"
		if r, ok := k.result(v); ok {
			t.Errorf("%+v gives %+v", v, r)
		}
		if got := k.add(nil, v); len(got) != 0 {
			t.Errorf("%+v is added as %+v", v, got)
		}
	}
	for _, u := range []float64{math.NaN(), math.Inf(1)} {
		r, ok := k.result(value{key: "upper", of: guessed(1, u)})
		if !ok || !math.IsNaN(r.U) && !math.IsInf(r.U, 1) || !strings.Contains(r.Note, "cannot be said") {
			t.Errorf("1 ± %g gives %+v", u, r)
		}
	}
	r, ok := k.result(value{key: "upper", pin: 2, of: guessed(0.6, 0.01), note: "said"})
	if !ok || r.Outcome != derive.NoLimits || r.Unit != "V" || r.Name != "Upper diode" || r.Note != "said" {
		t.Errorf("%+v", r)
	}
}
