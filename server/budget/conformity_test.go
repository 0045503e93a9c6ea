package budget

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// JCGM 106:2012, 7.2 and 7.4, conformance probabilities (printed values from
// memory, recomputed), and 8.3, guarded rejection: in closed form for a normal
// distribution, and by the distribution of a statement.
func TestConformityJCGM106(t *testing.T) {
	var s struct {
		Specific []struct {
			ID         string
			Y, U       float64
			Low        *float64 `json:"T_L"`
			High       *float64 `json:"T_U"`
			Recomputed float64
			Printed    string `json:"published_p_c"`
			PrintedMax string `json:"published_v_max"`
		}
	}
	load(t, "conformity/jcgm-106-examples.json", &s)
	checked := 0
	for _, e := range s.Specific {
		if strings.HasPrefix(e.ID, "8.3") {
			// The speed v at which 100 km/h is exceeded with p = 0.999 and u = 2 % of v.
			near(t, e.ID, 100/(1-0.02*RiskBandNormal(0.999)), e.Recomputed, 1e-9)
			st := Of(e.Recomputed, NewSource("speed", Model, Normal, 0.02*e.Recomputed)).State(Coverage)
			near(t, e.ID+" by the statement", 1-st.Below(100), 0.999, 1e-9)
			printed(t, e.ID, e.Recomputed, e.PrintedMax)
			continue
		}
		near(t, e.ID, ConformityNormal(e.Y, e.U, e.Low, e.High), e.Recomputed, 1e-12)
		p := Of(e.Y, NewSource("reading", Model, Normal, e.U)).State(Coverage).Conformity(e.Low, e.High)
		near(t, e.ID+" by the statement", p, e.Recomputed, 1e-12)
		printed(t, e.ID, p, e.Printed)
		checked++
	}
	if checked != 3 {
		t.Errorf("%d examples checked", checked)
	}
	for _, r := range loadCSV(t, "conformity/one-sided-guard-band.csv") {
		p := r["required_conformance_probability"]
		near(t, "w/u", RiskBandNormal(p), r["w_over_u"], 1e-8)
		low, high := Of(3, NewSource("reading", Model, Normal, 0.5)).State(Coverage).RiskBand(1 - p)
		near(t, "w/u by the statement, upper", high/0.5, r["w_over_u"], 1e-7)
		near(t, "w/u by the statement, lower", low/0.5, r["w_over_u"], 1e-7)
	}
	nan := math.NaN()
	for _, p := range []float64{ConformityNormal(nan, 1, nil, nil), ConformityNormal(1, 0, nil, nil), ConformityNormal(1, 1, ptr(2), ptr(1)),
		ConformityNormal(1, 1, ptr(nan), nil), Exact(1).State(Coverage).Conformity(nil, ptr(2)), Exact(1).State(Coverage).Below(1),
		Exact(1).State(Coverage).Quantile(0.2), Of(1, NewSource("x", Model, Normal, 1)).State(Coverage).Conformity(ptr(2), ptr(1))} {
		if !math.IsNaN(p) {
			t.Errorf("conformity without meaning is %g", p)
		}
	}
}

// ILAC-G8:09/2019, Table 1: the specific risk at the acceptance limit of each rule.
func TestSpecificRiskILACG8(t *testing.T) {
	var s struct {
		Rows []struct {
			Rule, W string
			Exact   *float64 `json:"exact_at_AL"`
		}
	}
	load(t, "conformity/ilac-g8-guard-bands.json", &s)
	checked := 0
	for _, r := range s.Rows {
		if r.Exact == nil {
			continue
		}
		guard := map[string]float64{"3 U": 3, "1.5 U": 1.5, "1 U": 1, "0.83 U": 0.83, "0": 0, "-U": -1}[r.W]
		const limit, u = 10.0, 0.5 // U = 1 with the table's k = 2
		at := Of(limit-guard*2*u, NewSource("reading", Model, Normal, u)).State(Coverage)
		risk := 1 - at.Conformity(nil, ptr(limit))
		normal := 1 - ConformityNormal(at.X, u, nil, ptr(limit))
		if guard < 0 { // a rejection that is wrong
			risk, normal = 1-risk, 1-normal
		}
		near(t, r.Rule, normal, *r.Exact, 1e-6)
		near(t, r.Rule+" by the statement", risk, *r.Exact, 1e-6)
		checked++
	}
	if checked != 6 {
		t.Errorf("%d rules checked", checked)
	}
}

// Below is what drawn errors do, for mixtures of every kind, and agrees with the
// interval: 2.5 % beyond each end.
func TestBelowAgainstTrials(t *testing.T) {
	const trials = 20_000
	r := rand.New(rand.NewPCG(7, 8))
	for range 30 {
		v := mixture(r)
		s := v.State(Coverage)
		at := s.X + (4*r.Float64()-2)*s.Uc
		below := 0
		for range trials {
			if s.X+errorOf(r, v) <= at {
				below++
			}
		}
		p := s.Below(at)
		if z := (float64(below) - p*trials) / math.Sqrt(trials*p*(1-p)+1); math.Abs(z) > 4 {
			t.Errorf("below %.3g: %.4f, trials %.4f: %s", at, p, float64(below)/trials, describe(v))
		}
		if len(v.Terms) > 1 { // one Student alone has its factor from the table
			near(t, "below the low end", s.Below(s.Low), 0.025, 1e-4)
			near(t, "below the high end", s.Below(s.High), 0.975, 1e-4)
		}
		near(t, "within the interval", s.Conformity(&s.Low, &s.High), 0.95, 1e-4)
	}
}

// Quantile is the inverse of Below, rises, and is symmetric; also for a simulated
// statement, whose distribution is not symmetric.
func TestQuantileInvertsBelow(t *testing.T) {
	simulated := Simulate(func(x []float64) float64 { return math.Exp(x[0]) }, Coverage, Of(0, NewSource("log", Model, Normal, 1)))
	near(t, "low end of exp", simulated.Low, math.Exp(-1.96), 0.03)
	near(t, "high end of exp", simulated.High, math.Exp(1.96), 0.03)
	near(t, "median of exp", simulated.Quantile(0.5), 1, 0.02)
	if simulated.U != simulated.High-simulated.X {
		t.Errorf("U = %g is not the larger side", simulated.U)
	}
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0.01, 0.99).Draw(t, "p")
		s := mixture(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))).State(Coverage)
		near(t, "below the quantile", s.Below(s.Quantile(p)), p, 1e-4)
		near(t, "simulated", simulated.Below(simulated.Quantile(p)), p, 1e-9)
		near(t, "symmetry", s.X-s.Quantile(1-p), s.Quantile(p)-s.X, 1e-6*math.Max(1, math.Abs(s.X/s.Uc)))
		if !(s.Quantile(p+0.005) > s.Quantile(p)) {
			t.Fatalf("quantiles fall at %g", p)
		}
	})
}

// A rectangular error has no risk beyond its half-width, where a normal one of
// the same standard uncertainty still has 4 %.
func TestRiskOfARectangle(t *testing.T) {
	s := Of(0, NewSource("gain", Gain, Rectangular, 1/math.Sqrt(3))).State(Coverage)
	_, w := s.RiskBand(0.025)
	near(t, "w for 2.5 %", w, 0.95, 1e-7)
	near(t, "w is U", w, s.U, 1e-7)
	if p := s.Conformity(nil, ptr(1.0001)); p != 1 {
		t.Errorf("conformity %g", p)
	}
	near(t, "normal", 1-ConformityNormal(0, s.Uc, nil, ptr(1)), 0.0416, 1e-2)
	if low, high := s.RiskBand(0.6); !math.IsNaN(low) || !math.IsNaN(high) {
		t.Error("a risk above a half has a guard band")
	}
}

// Limits may be open; more room is never less likely to hold, but for the 2e-5 to
// which probabilities are known.
func TestConformityIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := mixture(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))).State(Coverage)
		low := s.X + rapid.Float64Range(-3, 0).Draw(t, "low")*s.Uc
		high := s.X + rapid.Float64Range(0, 3).Draw(t, "high")*s.Uc
		p := s.Conformity(&low, &high)
		if !(p >= 0 && p <= 1) || s.Conformity(nil, nil) != 1 {
			t.Fatalf("conformity %g", p)
		}
		more := high + 0.1*s.Uc
		if q := s.Conformity(&low, &more); q < p-3e-5 || s.Conformity(nil, &high) < p-3e-5 || s.Conformity(&low, nil) < p-3e-5 {
			t.Fatalf("more room: %g after %g", q, p)
		}
	})
}
