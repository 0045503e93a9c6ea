package procedure

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// TestFalseAccept: at the acceptance limit each rule is wrong with the specific
// risk that ILAC-G8:09/2019, Table 1 states for U = 2u; here U holds 95 %, which
// is 1.96 u, so that each printed risk is met with w = r·U of the same w/u.
func TestFalseAccept(t *testing.T) {
	var s struct {
		Rows []struct {
			Rule, W string
			Exact   *float64 `json:"exact_at_AL"`
		}
	}
	text, err := os.ReadFile("../derive/testdata/conformity/ilac-g8-guard-bands.json")
	if err == nil {
		err = json.Unmarshal(text, &s)
	}
	if err != nil {
		t.Fatal(err)
	}
	r := map[string]float64{"3 U": 3, "1.5 U": 1.5, "1 U": 1, "0.83 U": 0.83, "0": 0}
	checked := 0
	for _, row := range s.Rows {
		times, known := r[row.W]
		if !known || row.Exact == nil {
			continue
		}
		checked++
		rule := Rule{Guard: times * 2 / 1.959963984540054}
		near(t, row.Rule, rule.FalseAccept(), *row.Exact, 1e-9)
	}
	if checked != 5 {
		t.Errorf("%d rules checked", checked)
	}
	near(t, "w = U of 95 %", Rule{Guard: 1}.FalseAccept(), 0.025, 1e-9)
	near(t, "a most specific risk", Rule{Risk: 0.1}.FalseAccept(), 0.1, 0)
}

// TestConformityOfResults: a result carries the probability that JCGM 106:2012
// states for its examples (7.2 container burst strength, 7.2 Zener breakdown
// voltage, 7.4 oil viscosity).
func TestConformityOfResults(t *testing.T) {
	p := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		id        string
		x, u      float64
		low, high *float64
		published float64
		digits    float64
	}{
		{"Zener breakdown voltage", -5.47, 0.05, nil, p(-5.4), 0.919, 0.0005},
		{"container burst strength", 509.7, 8.6, p(490), nil, 0.989, 0.0005},
		{"oil viscosity", 13.6, 1.8, p(12.5), p(16.3), 0.66, 0.005},
	} {
		r := judged(t, Rule{}, guessed(c.x, c.u), c.low, c.high)
		if r.Conformity == nil {
			t.Fatalf("%s: no probability", c.id)
		}
		near(t, c.id, *r.Conformity, c.published, c.digits)
		near(t, c.id+": w", *r.Band, 0, 0)
		if r.Outcome != derive.Pass {
			t.Errorf("%s: %s", c.id, r.Outcome)
		}
	}
}

// judged is a result of the voltage kind with these limits.
func judged(t testing.TB, rule Rule, x budget.Value, low, high *float64) Result {
	t.Helper()
	m := base("voltage")
	m.Limits = map[string]Limit{"voltage": {low, high}}
	k := newKit(voltageKind.facts, &m, inverterDevice(), rule)
	r, ok := k.result(value{key: "voltage", of: x})
	if !ok {
		t.Fatal("no result")
	}
	return r
}

// TestRiskRule: what passes is beyond its limits with the probability asked for
// at most, and is so at the acceptance limit, for a normal and for a rectangular
// error; the guard band is that of JCGM 106:2012, 8.3. A rectangular error of
// half-width a has its last 2.5 % beyond 0.95·a.
func TestRiskRule(t *testing.T) {
	high := 10.0
	box := budget.NewSource("box", budget.Gain, budget.Rectangular, budget.Rectangular.FromHalfWidth(1))
	for _, c := range []struct {
		name string
		of   func(x float64) budget.Value
		w    float64
	}{
		{"normal", func(x float64) budget.Value { return guessed(x, 0.5) }, 1.96 * 0.5},
		{"rectangular", func(x float64) budget.Value { return budget.Of(x, box) }, 0.95},
	} {
		for _, at := range []struct {
			x    float64
			want derive.Outcome
		}{
			{high - c.w - 0.01, derive.Pass}, {high - c.w + 0.01, derive.ConditionalPass},
			{high + c.w - 0.01, derive.ConditionalFail}, {high + c.w + 0.01, derive.Fail},
		} {
			r := judged(t, Rule{Risk: 0.025}, c.of(at.x), nil, &high)
			if r.Outcome != at.want {
				t.Errorf("%s, %g: %s, want %s", c.name, at.x, r.Outcome, at.want)
			}
			near(t, c.name+": w", *r.Band, c.w, 0.002)
		}
	}
}

// TestRiskOfBothLimits: between two limits that are close, what is beyond either
// counts: at the middle of limits ±U the risk is 5 %.
func TestRiskOfBothLimits(t *testing.T) {
	low, high := -1.96, 1.96
	for risk, want := range map[float64]derive.Outcome{0.04: derive.ConditionalPass, 0.06: derive.Pass} {
		r := judged(t, Rule{Risk: risk}, guessed(0, 1), &low, &high)
		if r.Outcome != want {
			t.Errorf("at most %g: %s, want %s", risk, r.Outcome, want)
		}
		near(t, "within", *r.Conformity, 0.95, 1e-3)
	}
}

// TestRiskHolds: of drawn parts that pass by the rule, no more are beyond the
// limit than it allows, whatever the error is spread like.
func TestRiskHolds(t *testing.T) {
	const risk = 0.1
	high := 1.0
	draw := rand.New(rand.NewPCG(1, 2))
	passed, wrong := 0, 0
	for range 20_000 {
		truth := high // the worst: all parts at the limit
		x := truth + (2*draw.Float64() - 1)
		box := budget.NewSource("box", budget.Gain, budget.Rectangular, budget.Rectangular.FromHalfWidth(1))
		if r := judged(t, Rule{Risk: risk}, budget.Of(x, box), nil, &high); r.Outcome == derive.Pass {
			passed++
		}
		wrong++
	}
	if got := float64(passed) / float64(wrong); math.Abs(got-risk) > 0.01 {
		t.Errorf("%.3f of parts at the limit pass, want %g", got, risk)
	}
}

// TestNoLimitsIsNeverInvalid: whatever is wrong with a result without limits, it
// says so in its row and does not make anything invalid; with limits it does.
func TestNoLimitsIsNeverInvalid(t *testing.T) {
	one := 1.0
	rapid.Check(t, func(t *rapid.T) {
		m := base("voltage")
		limited := rapid.Bool().Draw(t, "limits")
		if limited {
			m.Limits = map[string]Limit{"voltage": {High: &one}}
		}
		k := newKit(voltageKind.facts, &m, inverterDevice(), Rule{Guard: 1})
		v := value{key: "voltage", of: guessed(0, 0.1), only: rapid.Bool().Draw(t, "only"), bound: rapid.IntRange(-1, 1).Draw(t, "bound"), note: "at least so much"}
		if rapid.Bool().Draw(t, "lost") {
			v.lost = "1 A was at its compliance: the condition was not reached"
		}
		v.flags = rapid.SampledFrom(untrustedFlags).Draw(t, "flags")
		r, ok := k.result(v)
		bad := v.only || v.lost != "" || v.flags != 0
		switch {
		case !ok:
			t.Fatal("no result")
		case !limited && r.Outcome == derive.Invalid:
			t.Fatalf("invalid without limits: %+v", v)
		case !limited && bad != (r.Outcome == derive.Untrusted):
			t.Fatalf("%+v is %q", v, r.Outcome)
		case limited && bad && r.Outcome != derive.Invalid && r.Outcome != derive.Fail:
			t.Fatalf("%+v is %q", v, r.Outcome)
		case bad && r.Note == "":
			t.Fatal("no word why")
		case derive.Worst(derive.Pass, r.Outcome) == derive.Invalid && !limited:
			t.Fatal("it makes the whole invalid")
		case bad && (r.Conformity != nil || r.Band != nil):
			t.Fatalf("a probability of what cannot be trusted: %+v", r)
		}
	})
}

// untrustedFlags are flags of readings that are no measure, and none.
var untrustedFlags = []bench.Flags{0, 0, bench.InCompliance, bench.OverRange, bench.NotSettled, bench.AfterFault}

// TestUnknownUncertainty: a value with a contribution that nothing is known of
// stays to be read, says why it has no interval, and passes nothing.
func TestUnknownUncertainty(t *testing.T) {
	high := 10.0
	v := guessed(1, 0.1).With(budget.Unknown("the leak of channel 1A", budget.Leakage), 1)
	r := judged(t, Rule{}, v, nil, &high)
	if !math.IsNaN(r.U) || r.Outcome != derive.Invalid || !strings.Contains(r.Note, "the leak of channel 1A") || r.Conformity != nil {
		t.Errorf("%+v", r)
	}
	if r := judged(t, Rule{}, v, nil, nil); r.Outcome != derive.NoLimits || !strings.Contains(r.Note, "cannot be said") || r.Budget.Why == "" {
		t.Errorf("without limits: %+v", r)
	}
}

// TestOldRules: a document of before keeps its meaning, and each rule says its
// name.
func TestOldRules(t *testing.T) {
	for text, want := range map[string]string{
		`"guard":0`: "simple acceptance", `"guard":1`: "guard band w = U", `"guard":0.5`: "guard band w = 0.5 U",
		`"guard":0,"risk":0.02`: "at most 2 % specific risk", `"guard":-0`: "simple acceptance",
	} {
		p, err := ParseProcedure([]byte(`{"key":"a","name":"A","device":"b","measurements":[],` + text + `}`))
		if err != nil || p.Rule().Name() != want {
			t.Errorf("%s: %q %v", text, p.Rule().Name(), err)
		}
		again, err := p.Canonical()
		if err != nil || strings.Contains(string(again), "risk") != strings.Contains(text, "risk") {
			t.Errorf("%s: written as %s, %v", text, again, err)
		}
	}
	for _, r := range []Rule{{}, {Guard: 1}, {Guard: 2}, {Risk: 0.02}} {
		if w := r.Words(); !strings.Contains(w, "%") || !strings.HasSuffix(w, ".") {
			t.Errorf("%+v does not say what it accepts: %s", r, w)
		}
	}
}

// TestForecast: what a rule gives away of the limits and accepts falsely, against
// sums by hand: U = 0.1 within limits 1 wide on both sides of 2.5.
func TestForecast(t *testing.T) {
	low, high := 2.0, 3.0
	u := 0.1 / 1.959963984540054
	for _, c := range []struct {
		rule  Rule
		given float64
		risk  float64
		words string
	}{
		{Rule{}, 0, 0.5, "gives nothing of the limits away"},
		{Rule{Guard: 1}, 0.2, 0.025, "w = 100 mV gives away 20 %"},
		{Rule{Guard: 5}, 1, 0, "nothing can pass"},
		{Rule{Risk: 0.025}, 0.2, 0.025, "gives away 20 %"},
	} {
		p := Prediction{Result: judged(t, c.rule, guessed(2.5, u), &low, &high)}
		p.Unit = "V"
		p.forecast(c.rule, 1)
		near(t, c.rule.Name()+": given", p.Given, c.given, 1e-3)
		near(t, c.rule.Name()+": risk", p.FalseAccept, c.risk, 1e-3)
		if w := p.Consequence(); !strings.Contains(w, c.words) {
			t.Errorf("%s: %s", c.rule.Name(), w)
		}
	}
}

// JCGM 106:2012, 7.2: the voltage of -5.47 V, u = 0.05 V, below the limit of -5.40 V
// with a probability of 0.919 (from memory, recomputed): what each rule makes of it,
// and of the same above a lower limit.
func TestEachRuleOfOneVoltage(t *testing.T) {
	p := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		rule       Rule
		want       derive.Outcome
		band, risk float64
	}{
		{Rule{}, derive.Pass, 0, 0.5},
		{Rule{Guard: 1}, derive.ConditionalPass, 1.959964 * 0.05, 0.025},
		{Rule{Guard: 0.5}, derive.Pass, 0.5 * 1.959964 * 0.05, 0.163543},
		{Rule{Risk: 0.05}, derive.ConditionalPass, 1.644854 * 0.05, 0.05},
		{Rule{Risk: 0.1}, derive.Pass, 1.281552 * 0.05, 0.1},
	} {
		below, above := judged(t, c.rule, guessed(-5.47, 0.05), nil, p(-5.40)), judged(t, c.rule, guessed(5.47, 0.05), p(5.40), nil)
		for side, r := range map[string]Result{"below": below, "above": above} {
			if r.Outcome != c.want {
				t.Errorf("%s, %s: %s, want %s", c.rule.Name(), side, r.Outcome, c.want)
			}
			near(t, side+": conformity", *r.Conformity, 0.9192433407662273, 1e-9)
			near(t, side+": w", *r.Band, c.band, 1e-6)
		}
		x := Prediction{Result: below}
		x.forecast(c.rule, 5.4)
		near(t, c.rule.Name()+": risk at the limit", x.FalseAccept, c.risk, 1e-4)
	}
}

// The four words by risk, one standard uncertainty being 1: what passes is beyond
// its limit with 5 % at most, 1.645 inside it. Risks of both sides add up; a
// rectangular error has no tails and may come closer.
func TestWordsByRisk(t *testing.T) {
	p := func(v float64) *float64 { return &v }
	rule := Rule{Risk: 0.05}
	for x, want := range map[float64]derive.Outcome{8: derive.Pass, 8.35: derive.Pass, 8.36: derive.ConditionalPass, 10: derive.ConditionalPass,
		10.01: derive.ConditionalFail, 11.64: derive.ConditionalFail, 11.65: derive.Fail} {
		if r := judged(t, rule, guessed(x, 1), nil, p(10)); r.Outcome != want {
			t.Errorf("%g: %s, want %s", x, r.Outcome, want)
		}
	}
	if r := judged(t, rule, guessed(0, 1), p(-1.75), p(1.75)); r.Outcome != derive.ConditionalPass { // 2 × 4 %
		t.Errorf("the middle of a narrow tolerance: %s", r.Outcome)
	}
	box := budget.NewSource("box", budget.Model, budget.Rectangular, 1)
	if r := judged(t, rule, budget.Of(8.36, box), nil, p(10)); r.Outcome != derive.Pass {
		t.Errorf("a rectangular error: %s", r.Outcome)
	}
	for name, r := range map[string]Result{
		"limits that cross, by risk":  judged(t, rule, guessed(1, 1), p(3), p(2)),
		"limits that cross, by U":     judged(t, Rule{Guard: 1}, guessed(1, 1), p(3), p(2)),
		"a risk of half":              judged(t, Rule{Risk: 0.5}, guessed(1, 1), nil, p(2)),
		"a guard band without end":    judged(t, Rule{Guard: math.Inf(1)}, guessed(1, 1), nil, p(2)),
		"an interval without end":     judged(t, rule, guessed(5, 1).With(budget.Unknown("x", budget.Model), 1), nil, p(10)),
		"an interval without end, U":  judged(t, Rule{Guard: 1}, guessed(5, 1).With(budget.Unknown("x", budget.Model), 1), nil, p(10)),
		"a limit that is no number":   judged(t, Rule{Guard: 1}, guessed(5, 1), nil, p(math.NaN())),
		"a limit beyond all numbers":  judged(t, Rule{}, guessed(5, 1), nil, p(math.Inf(1))),
		"no number for a lower limit": judged(t, rule, guessed(5, 1), p(math.NaN()), nil),
	} {
		if r.Outcome != derive.Invalid {
			t.Errorf("%s: %q", name, r.Outcome)
		}
	}
}

// Coming closer to a limit never makes an outcome better, whatever the rule and
// however the error is spread.
func TestCloserIsNeverBetter(t *testing.T) {
	high := 10.0
	rapid.Check(t, func(t *rapid.T) {
		rule := rapid.SampledFrom([]Rule{{}, {Guard: 0.5}, {Guard: 0.83}, {Guard: 1}, {Guard: 1.5},
			{Risk: rapid.Float64Range(0.01, 0.4).Draw(t, "risk")}}).Draw(t, "rule")
		source := budget.NewSource("source", budget.Model, rapid.SampledFrom([]budget.Distribution{budget.Rectangular, budget.Normal, budget.Arcsine}).Draw(t, "distribution"),
			rapid.Float64Range(0.1, 2).Draw(t, "u"))
		x := rapid.Float64Range(-5, 15).Draw(t, "x")
		closer := x + rapid.Float64Range(0.01, 2).Draw(t, "by")
		m := base("voltage")
		m.Limits = map[string]Limit{"voltage": {High: &high}}
		k := newKit(voltageKind.facts, &m, inverterDevice(), rule)
		a, _ := k.result(value{key: "voltage", of: budget.Of(x, source)})
		b, _ := k.result(value{key: "voltage", of: budget.Of(closer, source)})
		if derive.Worst(a.Outcome, b.Outcome) != b.Outcome {
			t.Fatalf("%s: %g: %s, closer, %g: %s", rule.Name(), x, a.Outcome, closer, b.Outcome)
		}
	})
}

func TestPercent(t *testing.T) {
	for p, want := range map[float64]string{0.025: "2.5 %", 0.5: "50 %", 0.994: "99 %", 0.9999: "100 %", 1: "100 %"} {
		if got := percent(p); got != want {
			t.Errorf("%g: %q, want %q", p, got, want)
		}
	}
}
