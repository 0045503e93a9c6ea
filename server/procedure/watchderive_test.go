package procedure

import (
	"math"
	"math/rand/v2"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// autoregressive are n readings about zero of standard deviation 1, each with phi
// of the one before it.
func autoregressive(rng *rand.Rand, n int, phi float64) []float64 {
	out := make([]float64, n)
	prev := rng.NormFloat64()
	for i := range out {
		out[i] = prev
		prev = phi*prev + math.Sqrt(1-phi*phi)*rng.NormFloat64()
	}
	return out
}

// coverageOf is how often, in 200 series, the results of one key hold truth, and
// their mean U.
func coverageOf(t *testing.T, key, group string, phi, truth, slope float64, n int) (in, meanU float64) {
	t.Helper()
	const trials = 200
	rng := rand.New(rand.NewPCG(uint64(n), math.Float64bits(phi)))
	for range trials {
		y := autoregressive(rng, n, phi)
		for i := range y {
			y[i] += slope * float64(i)
		}
		r := find(t, watchSeries(1e-9, y), key, 1, group)
		if math.Abs(r.Value-truth) <= r.U {
			in += 1.0 / trials
		}
		meanU += r.U / trials
	}
	return in, meanU
}

// TestWatchHoldsWhatItSays holds mean, scatter and drift of simulated readings
// against what they were drawn from, which is known exactly.
func TestWatchHoldsWhatItSays(t *testing.T) {
	for _, c := range []struct {
		key         string
		n           int
		phi         float64
		truth       float64
		slope       float64
		least, most float64
	}{
		{"mean", 100, 0, 0, 0, 0.91, 0.995},
		{"mean", 100, 0.5, 0, 0, 0.91, 0.995},
		{"mean", 200, 0.9, 0, 0, 0.91, 0.995},
		{"sd", 100, 0, 1, 0, 0.91, 0.995}, // the larger side of an interval that is not symmetric
		{"sd", 20, 0, 1, 0, 0.91, 0.995},
		{"sd", 200, 0.5, 1, 0, 0.91, 0.995},
		{"drift", 100, 0, 3600 * 0.01, 0.01, 0.91, 0.995},
		{"drift", 100, 0.5, 3600 * 0.01, 0.01, 0.91, 0.995},
		{"drift", 300, 0.8, 0, 0, 0.91, 0.995},
	} {
		in, u := coverageOf(t, c.key, "", c.phi, c.truth, c.slope, c.n)
		t.Logf("%s, n %d, phi %g: %.1f %%, mean U %.3g", c.key, c.n, c.phi, 100*in, u)
		if in < c.least || in > c.most {
			t.Errorf("%s of %d readings, phi %g: %.1f %% hold the truth", c.key, c.n, c.phi, 100*in)
		}
	}
}

// TestAllanHoldsWhatItSays: white noise of standard deviation 1 has an Allan
// deviation of 1/√m over m readings (NIST SP 1065, 3.6: σ² = h/2τ).
func TestAllanHoldsWhatItSays(t *testing.T) {
	for _, c := range []struct {
		group string
		n     int
		truth float64
	}{{"tau 1 s", 100, 1}, {"tau 4 s", 100, 0.5}, {"tau 16 s", 100, 0.25}} {
		in, u := coverageOf(t, "allan-deviation", c.group, 0, c.truth, 0, c.n)
		t.Logf("%s: %.1f %%, mean U %.3g", c.group, 100*in, u)
		if in < 0.92 { // few pairs: the larger side of a skewed interval
			t.Errorf("%s: %.1f %% hold the truth", c.group, 100*in)
		}
	}
}

// The lowest of many readings is drawn out by its own noise: the interval of what
// was there when it was taken must allow for it. A plain reading's holds next to
// none of 1000.
func TestExtremeAllowsForItsChoice(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	for _, n := range []int{20, 1000} {
		in, plain := 0, 0
		const trials = 200
		for range trials {
			r := find(t, watchSeries(1e-9, autoregressive(rng, n, 0)), "minimum", 1, "")
			if r.Value+r.U >= 0 {
				in++
			}
			if r.Value+1.96 >= 0 {
				plain++
			}
		}
		t.Logf("%d readings: %d of %d, a plain reading's %d", n, in, trials, plain)
		if in < 0.9*trials {
			t.Errorf("%d readings: only %d of %d hold what was there", n, in, trials)
		}
		if n == 1000 && plain > trials/10 {
			t.Errorf("the plain interval does as well: %d", plain)
		}
	}
}

// A deviation's interval is that of χ², not symmetric, and U is its larger side.
// Table value: 95 % of χ² with 9 degrees of freedom lies within 2.700 and 19.023
// (NIST/SEMATECH e-Handbook, 1.3.6.7.4).
func TestDeviationByChiSquare(t *testing.T) {
	v := value{}.deviation("sd", 1, 9, nil)
	near(t, "low", v.said.Low, math.Sqrt(9/19.023), 3e-4)
	near(t, "high", v.said.High, math.Sqrt(9/2.700), 3e-4)
	near(t, "U", v.said.U, math.Sqrt(9/2.700)-1, 3e-4)
	gain := &bench.RangeErrors{Range: bench.Range{Gain: 1}, Gain: budget.NewSource("gain", budget.Gain, budget.Rectangular, 1/math.Sqrt(3))}
	if w := (value{}).deviation("sd", 1, 9, gain); !(w.said.U > v.said.U) {
		t.Error("the gain adds nothing")
	}
	if w := (value{}).deviation("sd", 0, 9, nil); w.said != nil || len(w.of.Terms) != 0 {
		t.Error("no scatter has an interval")
	}
}

// Degrees of freedom of a scatter: all but one for independent readings, about
// 3/5 of them for a lag-1 autocorrelation of 0.5.
func TestScatterDF(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct{ phi, part float64 }{{0, 1}, {0.5, 0.6}, {0.8, 0.36 / 1.64}} {
		var a derive.Accumulator
		for i, y := range autoregressive(rng, 20000, c.phi) {
			a.Add(float64(i), y)
		}
		if got := scatterDF(&a) / 19999; math.Abs(got-c.part) > 0.03 {
			t.Errorf("phi %g: %g of the readings, want %g", c.phi, got, c.part)
		}
	}
}

// A converter that never moves tells no drift, and how little it could have seen.
func TestDriftWithinAStep(t *testing.T) {
	m := base("watch")
	m.Pins, m.Use, m.Compliance, m.Duration, m.Interval = []int{1}, UseCurrent, 1e4, 9, 1
	der := watchKind.Derive(&m, networkDevice(), Rule{})
	sense := accuracy{uv: 1e-9}.sense()
	sense.V.Range.Step = 1e-3
	for i := range 10 {
		der.Add(Observation{Sense: sense, Reading: bench.Reading{T: int64(i) * 1e9, V: 2, Pin: 1}})
	}
	r := find(t, der.Results(), "drift", 1, "")
	if r.Value != 0 || !(r.U > 0.7*3600e-3/9 && r.U < 3600e-3/9) {
		t.Errorf("%g ± %g V/h", r.Value, r.U)
	}
}
