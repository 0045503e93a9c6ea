package procedure

import (
	"math"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
	"ohmkeep/server/testkit"
)

// number is a number of a reference file.
type number = testkit.Num

var reference = testkit.Load

type regression struct {
	Certified struct {
		B0, B1 number
		SDB0   number `json:"sd_B0"`
		SDB1   number `json:"sd_B1"`
	}
	Data [][2]float64 // y, x
}

// regressionSweep feeds a regression set to a current sweep: x as the current, y
// as the voltage.
func regressionSweep(s regression) []Result {
	m := base("sweep")
	m.Pins, m.Use, m.Compliance = []int{1}, UseCurrent, 1e4
	m.Sweep = &Sweep{Spacing: Linear, From: 0, To: 1, Points: len(s.Data)}
	m.Limits = map[string]Limit{"resistance-origin": limits(0, 10)} // asks for it
	der := sweepKind.Derive(&m, networkDevice(), Rule{Guard: 0})
	for i, p := range s.Data {
		der.Add(Observation{Reading: bench.Reading{Set: p[1], V: p[0], I: p[1], Point: uint32(i), Pin: 1}})
	}
	return der.Results()
}

// NIST StRD Norris (verified against a second copy and recomputed, see the file).
func TestSweepNorris(t *testing.T) {
	var s regression
	reference(t, "norris.json", &s)
	rs := regressionSweep(s)
	r, y := find(t, rs, "resistance", 1, ""), find(t, rs, "intercept", 1, "")
	near(t, "slope", r.Value, float64(s.Certified.B1), 1e-13)
	near(t, "its U", r.U, budget.CoverageFactor(budget.Coverage, 34)*float64(s.Certified.SDB1), 1e-11)
	near(t, "intercept", y.Value, float64(s.Certified.B0), 1e-10)
	near(t, "its U", y.U, budget.CoverageFactor(budget.Coverage, 34)*float64(s.Certified.SDB0), 1e-8)
	near(t, "conductance", find(t, rs, "conductance", 1, "").Value, 1/float64(s.Certified.B1), 1e-13)
}

// NIST StRD NoInt1 (verified against a second copy and recomputed, see the file).
func TestSweepNoInt1(t *testing.T) {
	var s regression
	reference(t, "noint1.json", &s)
	r := find(t, regressionSweep(s), "resistance-origin", 1, "")
	near(t, "slope", r.Value, float64(s.Certified.B1), 1e-13)
	// The set lies on a straight line beside zero: what is left over the line
	// through zero is its shape, and not scatter (as the published SD takes it).
	near(t, "its U", r.U, 0, 1e-10)
}

// Shockley (1949) with series resistance, Banwell and Jayakumar (2000); 60-digit
// figures.
func TestSweepDiodeReference(t *testing.T) {
	var s struct {
		True   struct{ Is, N, Rs, T number }
		Points [][2]number `json:"points_I_V"`
	}
	reference(t, "parameter-extraction.json", &s)
	m := base("sweep")
	m.Pins, m.Use, m.Compliance = []int{1}, UseCurrent, 2
	m.Sweep = &Sweep{Spacing: List}
	celsius := float64(s.True.T) - zeroCelsius
	m.At = &Condition{Temperature: &celsius}
	for _, p := range s.Points {
		m.Sweep.List = append(m.Sweep.List, float64(p[0]))
	}
	for _, turn := range []float64{1, -1} { // forward, and with the terminals exchanged
		der := sweepKind.Derive(&m, networkDevice(), Rule{Guard: 0})
		for i, p := range s.Points {
			der.Add(Observation{Sense: accuracy{uv: 1e-9, ui: 1e-15}.sense(), Reading: bench.Reading{
				Set: turn * float64(p[0]), V: turn * float64(p[1]), I: turn * float64(p[0]), Point: uint32(i), Pin: 1}})
		}
		rs := der.Results()
		near(t, "n", find(t, rs, "ideality", 1, "").Value, float64(s.True.N), 1e-9)
		near(t, "Is", find(t, rs, "saturation-current", 1, "").Value, float64(s.True.Is), 1e-21)
		near(t, "Rs", find(t, rs, "series-resistance", 1, "").Value, float64(s.True.Rs), 1e-8)
	}
}

// Own examples by elementary algebra, see the file: two-point reversal, and a
// steadily drifting thermal voltage that three points cancel.
func TestReversalReference(t *testing.T) {
	var s struct {
		Two struct {
			I, R, Offset number
			Plus         number `json:"V_plus"`
			Minus        number `json:"V_minus"`
		} `json:"current_reversal_2_point"`
		Three struct {
			I number
			R number `json:"true_R"`
			V [3]number
		} `json:"delta_3_point_linear_drift"`
	}
	reference(t, "resistance-methods.json", &s)
	m := base("resistance")
	m.Pins, m.Against, m.Method, m.Use, m.Level, m.Compliance = []int{1}, 2, CurrentReversal, UseCurrent, 1e-3, 1
	run := func(i float64, v ...float64) []Result {
		der := resistanceKind.Derive(&m, networkDevice(), Rule{Guard: 0})
		for n, x := range v {
			der.Add(Observation{Sense: accuracy{uv: 1e-9, ui: 1e-9}.sense(), Reading: bench.Reading{
				V: x, I: i * math.Pow(-1, float64(n)), Point: uint32(n), Pin: 1}})
		}
		return der.Results()
	}
	two := run(float64(s.Two.I), float64(s.Two.Plus), float64(s.Two.Minus), float64(s.Two.Plus))
	near(t, "R of two", find(t, two, "resistance", 1, "").Value, float64(s.Two.R), 1e-14)
	near(t, "offset", find(t, two, "offset", 1, "").Value, float64(s.Two.Offset), 1e-18)
	v := s.Three.V
	three := run(float64(s.Three.I), float64(v[0]), float64(v[1]), float64(v[2]))
	near(t, "R of three", find(t, three, "resistance", 1, "").Value, float64(s.Three.R), 1e-14)
}

// watchSeries feeds a series of voltages, one a second.
func watchSeries(u float64, data []float64) []Result {
	m := base("watch")
	m.Pins, m.Use, m.Compliance, m.Duration, m.Interval = []int{1}, UseCurrent, 1e4, float64(len(data)-1), 1
	der := watchKind.Derive(&m, networkDevice(), Rule{Guard: 0})
	for i, v := range data {
		der.Add(Observation{Sense: accuracy{uv: u}.sense(), Reading: bench.Reading{T: int64(i) * 1e9, V: v, Pin: 1}})
	}
	return der.Results()
}

// NIST StRD Mavro: mean and standard deviation; the uncertainty of the mean takes
// its lag-1 autocorrelation into account.
func TestWatchMavro(t *testing.T) {
	var s struct {
		Certified struct {
			Mean number
			SD   number `json:"sd_n_minus_1"`
			R1   number `json:"lag1_autocorrelation"`
		}
		Data []float64
	}
	reference(t, "mavro.json", &s)
	rs := watchSeries(1e-9, s.Data)
	mean, r, sd := find(t, rs, "mean", 1, ""), float64(s.Certified.R1), float64(s.Certified.SD)
	near(t, "mean", mean.Value, float64(s.Certified.Mean), 1e-14)
	near(t, "sd", find(t, rs, "sd", 1, "").Value, sd, 1e-15)
	// About what the autocorrelation asks for: for one that is known and for very
	// many readings it would be this.
	known := budget.CoverageFactor(budget.Coverage, 49) * sd / math.Sqrt(50) * math.Sqrt((1+r)/(1-r))
	if !(mean.U >= 0.9*known && mean.U < 1.5*known) {
		t.Errorf("U of the mean is %g, with a known autocorrelation %g", mean.U, known)
	}
}

// NIST SP 1065, nine-point set (from memory and recomputed, see the file).
func TestWatchAllan(t *testing.T) {
	var s struct {
		Data      []float64
		Published struct {
			M1 number `json:"allan_dev_m1"`
			M2 number `json:"allan_dev_m2"`
		}
	}
	reference(t, "allan-deviation-nbs14.json", &s)
	rs := watchSeries(0, s.Data)
	near(t, "tau 1 s", find(t, rs, "allan-deviation", 1, "tau 1 s").Value, float64(s.Published.M1), 5e-6)
	near(t, "tau 2 s", find(t, rs, "allan-deviation", 1, "tau 2 s").Value, float64(s.Published.M2), 5e-5)
}

func TestWatchDrift(t *testing.T) {
	data := make([]float64, 100)
	for i := range data {
		data[i] = 1 + 2e-6*float64(i) // 2 µV/s
	}
	r := find(t, watchSeries(1e-6, data), "drift", 1, "")
	near(t, "drift", r.Value, 7.2e-3, 1e-12)
	if r.Unit != "V/h" || r.Outcome != derive.NoLimits {
		t.Errorf("%+v", r)
	}
}
