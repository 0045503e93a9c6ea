package budget

import (
	"math"
	"testing"
)

// sum is the plain sum of the arguments.
func sum(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v
	}
	return s
}

// JCGM 101:2008, 9.2: the sum of four inputs, normal and rectangular.
func TestAdditiveSupplement1(t *testing.T) {
	var s struct {
		Additive struct {
			Normal struct {
				U    float64
				Half float64 `json:"interval95_half"`
			}
			Rectangular struct {
				U       float64
				Printed float64 `json:"interval95_half_printed"`
				Half    float64 `json:"interval95_half_recomputed"`
			}
		}
	}
	load(t, "gum/supplement-1.json", &s)
	normal := independent(Normal, 1, 0, 0, 0, 0)
	boxes := independent(Rectangular, 1, 0, 0, 0, 0)
	state := func(v []Value) Statement { return Linear(0, []float64{1, 1, 1, 1}, v...).State(Coverage) }
	n, r := state(normal), state(boxes)
	near(t, "u", n.Uc, s.Additive.Normal.U, 1e-14)
	printed(t, "U of four normal", n.U, "3.92")
	printed(t, "U of four rectangular", r.U, "3.88")
	near(t, "U of four rectangular", r.U, s.Additive.Rectangular.Half, 1e-6)
	near(t, "simulated, normal", Simulate(sum, Coverage, normal...).U, 3.92, 0.02)
	near(t, "simulated, rectangular", Simulate(sum, Coverage, boxes...).U, s.Additive.Rectangular.Half, 0.02)
}

// JCGM 101:2008, 9.4.2: comparison loss Y = X1² + X2², where first order fails.
// Printed figures are simulated ones: they differ from the exact ones by up to 3.5.
func TestComparisonLossSupplement1(t *testing.T) {
	var s struct {
		Loss struct {
			Cases []struct {
				X1, X2, U float64
				First     struct {
					Y, U     float64
					Interval []float64 `json:"interval95"`
				} `json:"first_order"`
				Exact struct {
					Y, U     float64
					Shortest []float64 `json:"shortest95"`
				}
				Printed struct {
					Mean, U  float64
					Shortest []float64 `json:"shortest95"`
				} `json:"printed_micro"`
			}
		} `json:"comparison_loss"`
	}
	load(t, "gum/supplement-1.json", &s)
	loss := func(x []float64) float64 { return x[0]*x[0] + x[1]*x[1] }
	for _, c := range s.Loss.Cases {
		in := independent(Normal, c.U, c.X1, c.X2)
		first := Apply(loss, in...)
		near(t, "first order y", first.X, c.First.Y, 1e-12)
		if math.Abs(first.Uc()-c.First.U) > 1e-12 {
			t.Errorf("first order u = %g, want %g", first.Uc(), c.First.U)
		}
		if st := first.State(Coverage); c.First.U == 0 && st.Finite() {
			t.Errorf("first order at a stationary point claims %g to %g", st.Low, st.High)
		} else if c.First.U > 0 && math.Abs(st.High-c.First.Interval[1]) > 1e-4*c.First.Interval[1] {
			t.Errorf("first order interval %g to %g, want %v", st.Low, st.High, c.First.Interval)
		}
		y := SimulateShortest(loss, Coverage, in...)
		near(t, "u", y.Uc, c.Exact.U, 0.01)
		near(t, "printed u", y.Uc*1e6, c.Printed.U, 0.01)
		// Ends are known to a fiftieth of u, twice the standard error.
		for i, end := range []float64{y.Low, y.High} {
			if math.Abs(end-c.Exact.Shortest[i]) > 0.05*c.Exact.U {
				t.Errorf("x1 = %g: end %d is %g, want %g", c.X1, i, end, c.Exact.Shortest[i])
			}
			if math.Abs(end*1e6-c.Printed.Shortest[i]) > 0.05*c.Printed.U {
				t.Errorf("x1 = %g: end %d is %g, printed %g", c.X1, i, end*1e6, c.Printed.Shortest[i])
			}
		}
		if got, want := Nonlinear(loss, in...), nonlinearLoss(c.X1, c.U); got != want && !(math.Abs(got/want-1) < 1e-6) {
			t.Errorf("x1 = %g is %g from linear, want %g", c.X1, got, want)
		}
	}
}

// nonlinearLoss is by how much the second order matters for the comparison loss
// with X2 = 0: variance 4u⁴ and shift 2u² against 4·x1²u².
func nonlinearLoss(x1, u float64) float64 {
	if x1 == 0 {
		return math.Inf(1)
	}
	return math.Sqrt((4*u*u*u*u + 4*u*u*u*u) / (4 * x1 * x1 * u * u))
}

// The coverage factor of a rectangular with a normal contribution (computed after
// EA-4/02 M:2022 S9/S10), by the convolved distribution and by simulation.
func TestRectangularWithNormal(t *testing.T) {
	var s struct {
		R struct {
			Table []struct {
				Ratio    float64 `json:"u_normal_over_u_rectangular"`
				K        float64 `json:"k95"`
				Coverage float64 `json:"coverage_of_k2"`
			}
		} `json:"rectangular_with_normal"`
	}
	load(t, "gum/supplement-1.json", &s)
	for _, r := range s.R.Table {
		in := []Value{Of(0, NewSource("box", Gain, Rectangular, 1)), Of(0, NewSource("noise", Noise, Normal, r.Ratio))}
		st := in[0].Add(in[1]).State(Coverage)
		near(t, "k", st.K, r.K, 4e-6)
		near(t, "coverage of k = 2", st.Conformity(ptr(-2*st.Uc), ptr(2*st.Uc)), r.Coverage, 2e-6)
		near(t, "simulated k", Simulate(sum, Coverage, in...).K, r.K, 0.02)
	}
	near(t, "0.95·√3", Of(0, NewSource("box", Gain, Rectangular, 1)).State(Coverage).K, 0.95*math.Sqrt(3), 1e-8)
}

// Coverage factors in closed form: triangular 1-√0.05 of its half-width, arcsine
// sin(0.475·π), the trapezoid of two rectangles (EA-4/02 M:2022, S10.13).
func TestClosedForms(t *testing.T) {
	k := func(v Value) float64 { return v.State(Coverage).K }
	near(t, "triangular", k(Of(0, NewSource("t", Model, Triangular, 1))), (1-math.Sqrt(0.05))*math.Sqrt(6), 1e-5)
	near(t, "arcsine", k(Of(0, NewSource("a", Hum, Arcsine, 1))), math.Sin(0.475*math.Pi)*math.Sqrt2, 1e-6)
	for _, ratio := range []float64{0.06, 0.1, 0.2, 0.4, 0.7, 1} {
		v := Of(0, NewSource("wide", Model, Rectangular, 1)).With(NewSource("narrow", Model, Rectangular, ratio), 1)
		near(t, "trapezoid", k(v), trapezoidFactor((1-ratio)/(1+ratio)), 1e-4)
	}
}

// trapezoidFactor is k for 95 % of a symmetric trapezoid with edge parameter β.
func trapezoidFactor(beta float64) float64 {
	if beta > 0.95/1.05 { // the end lies on the flat top
		return Coverage * (1 + beta) / 2 / math.Sqrt((1+beta*beta)/6)
	}
	return (1 - math.Sqrt(0.05*(1-beta*beta))) / math.Sqrt((1+beta*beta)/6)
}

// EA-4/02 M:2022, S3: a 10 kΩ resistor by substitution (inputs from memory, they
// reproduce the checked result).
func TestStandardResistorS3(t *testing.T) {
	var s struct {
		Ratios     []float64 `json:"observed_ratio_r"`
		Published  map[string]string
		Recomputed map[string]num
	}
	load(t, "gum/ea-4-02-s3-standard-resistor.json", &s)
	mean, sd := meanSD(s.Ratios)
	box := func(a float64) *Source { return NewSource("box", Model, Rectangular, Rectangular.FromHalfWidth(a)) }
	reference := Of(10000.053, NewSource("reference", Model, Normal, 0.0025)).Add(Of(0.02, box(0.01))).With(box(0.00275), 1)
	bridge := Of(1, NewSource("bridge", Gain, Triangular, Triangular.FromHalfWidth(1e-6)))
	ratio := Of(mean, &Source{Name: "ratio", Class: Scatter, U: sd / math.Sqrt(5), DF: 4})
	r := reference.Mul(bridge).Mul(ratio).Sub(Of(0, box(0.0055)))
	st := r.State(Coverage)
	near(t, "R", st.X, float64(s.Recomputed["R_X"]), 1e-12)
	// The file's u of the ratio is rounded to 7.07e-8.
	near(t, "u", st.Uc, float64(s.Recomputed["u_ohm"]), 2e-5)
	printed(t, "R", st.X, s.Published["R_X_ohm"])
	printed(t, "u in mΩ", st.Uc*1e3, s.Published["u_mohm"])
	printed(t, "U in mΩ, k = 2 by the book", 2*st.Uc*1e3, s.Published["U_k2_mohm"])
	if !(st.K > 1.75 && st.K < 1.96) {
		t.Errorf("k = %g: a rectangular contribution of half the variance", st.K)
	}
}

// EA-4/02 M:2022, S9: a hand-held multimeter at 100 V, and S10: a calliper. Inputs
// and printed answers are from memory.
func TestDominatedByRectangles(t *testing.T) {
	box := func(name string, a float64) *Source {
		return NewSource(name, Model, Rectangular, Rectangular.FromHalfWidth(a))
	}
	indicated := Of(100.1, box("resolution", 0.05))
	calibrator := Of(100.0, NewSource("calibration", Model, Normal, 0.001)).With(box("specification", 0.011), 1)
	e := indicated.Sub(calibrator).State(Coverage)
	printed(t, "S9 E in V", e.X, "0.1")
	printed(t, "S9 u in V", e.Uc, "0.030")
	printed(t, "S9 U in V", e.U, "0.05")
	// The printed k is that of the resolution alone; with the calibrator's
	// specification the distribution is a trapezoid.
	printed(t, "S9 k of what dominates", Of(0, indicated.Terms[0].Source).State(Coverage).K, "1.65")
	near(t, "S9 k", e.K, trapezoidFactor((0.05-0.011)/(0.05+0.011)), 1e-3)
	calliper := Of(0.10, NewSource("gauge block", Model, Rectangular, 0.46e-3)).
		With(NewSource("its length", Model, Triangular, 0.46e-3), 1).
		With(box("temperature difference, 2 K", 2), 1.7e-3).
		With(box("resolution", 25e-3), 1).With(box("mechanical", 50e-3), 1)
	c := calliper.State(Coverage)
	near(t, "S10 u in mm", c.Uc, 0.033, 0.021) // printed from contributions rounded to 15 and 29 µm
	printed(t, "S10 k", c.K, "1.83")
	printed(t, "S10 U in mm", c.U, "0.06")
}
