package procedure

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// fitted gathers points into a line, without uncertainties of their own.
func fitted(xs, ys []float64) *line {
	var l line
	for i := range xs {
		l.add(end{x: xs[i], y: ys[i]})
	}
	return &l
}

// exactLine is the least-squares line through points, in exact fractions.
func exactLine(xs, ys []float64) (slope, intercept float64) {
	sum := func(f func(i int) *big.Rat) *big.Rat {
		s := new(big.Rat)
		for i := range xs {
			s.Add(s, f(i))
		}
		return s
	}
	x := func(i int) *big.Rat { return new(big.Rat).SetFloat64(xs[i]) }
	y := func(i int) *big.Rat { return new(big.Rat).SetFloat64(ys[i]) }
	mul := func(a, b *big.Rat) *big.Rat { return new(big.Rat).Mul(a, b) }
	n := big.NewRat(int64(len(xs)), 1)
	sx, sy := sum(x), sum(y)
	sxx := sum(func(i int) *big.Rat { return mul(x(i), x(i)) })
	sxy := sum(func(i int) *big.Rat { return mul(x(i), y(i)) })
	over := new(big.Rat).Sub(mul(n, sxy), mul(sx, sy))
	under := new(big.Rat).Sub(mul(n, sxx), mul(sx, sx))
	m := new(big.Rat).Quo(over, under)
	b := new(big.Rat).Quo(new(big.Rat).Sub(sy, mul(m, sx)), n)
	slope, _ = m.Float64()
	intercept, _ = b.Float64()
	return slope, intercept
}

// NIST StRD NoInt2 (checked against two copies and recomputed, see the file).
func TestLineThroughOriginNoInt2(t *testing.T) {
	var s regression
	reference(t, "noint2.json", &s)
	slope, u := fitted(columnsOf(s)).origin()
	near(t, "slope", slope, float64(s.Certified.B1), 1e-15)
	near(t, "its standard deviation", u, float64(s.Certified.SDB1), 1e-14)
}

// NIST StRD Pontius by a straight line, which its curve departs from: the
// figures recomputed to 40 digits that stand in the file, and those printed in
// the NIST/SEMATECH e-Handbook, 4.6.1.5, from single precision.
func TestStraightLineOfPontius(t *testing.T) {
	var s struct {
		regression
		Line struct {
			Published  struct{ B0, B1 number }
			Recomputed struct {
				B0, B1 number
				SDB0   number `json:"sd_B0"`
				SDB1   number `json:"sd_B1"`
			} `json:"recomputed_40_digits"`
		} `json:"straight_line_fit_for_comparison"`
	}
	reference(t, "pontius.json", &s)
	l := fitted(columnsOf(s.regression))
	slope, us := l.fit()
	cut, uc := l.intercept()
	want := s.Line.Recomputed
	near(t, "slope", slope, float64(want.B1), 1e-18)
	near(t, "its standard deviation", us, float64(want.SDB1), 1e-18)
	near(t, "intercept", cut, float64(want.B0), 1e-12)
	near(t, "its standard deviation", uc, float64(want.SDB0), 1e-12)
	near(t, "slope as printed", slope/float64(s.Line.Published.B1), 1, 1e-5)
	near(t, "intercept as printed", cut/float64(s.Line.Published.B0), 1, 1e-5)
}

// columnsOf is a regression set as x and y.
func columnsOf(s regression) (xs, ys []float64) {
	for _, p := range s.Data {
		xs, ys = append(xs, p[1]), append(ys, p[0])
	}
	return xs, ys
}

// The line that grows point by point is the least-squares line in exact
// fractions, also where all points lie far from zero.
func TestLineIsTheExactOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 60).Draw(t, "points")
		far := rapid.SampledFrom([]float64{0, 1, -30, 1e4}).Draw(t, "far from zero")
		slope := rapid.Float64Range(-5, 5).Draw(t, "slope")
		noise := rapid.SampledFrom([]float64{0, 1e-6, 0.1}).Draw(t, "noise")
		var xs, ys []float64
		for i := range n {
			x := far + float64(i)/8
			xs = append(xs, x)
			ys = append(ys, 1+slope*x+noise*rapid.Float64Range(-1, 1).Draw(t, "off"))
		}
		got, u := fitted(xs, ys).fit()
		want, cut := exactLine(xs, ys)
		tol := 1e-11 * (1 + math.Abs(want)) * (1 + math.Abs(far))
		if math.Abs(got-want) > tol || !(u >= 0) {
			t.Fatalf("slope %.17g ± %g, exactly %.17g", got, u, want)
		}
		if y, uy := fitted(xs, ys).intercept(); math.Abs(y-cut) > tol*(1+math.Abs(far)) || !(uy >= 0) {
			t.Fatalf("intercept %.17g ± %g, exactly %.17g", y, uy, cut)
		}
		if noise == 0 && u > 1e-7*(1+math.Abs(far)) {
			t.Fatalf("points on a line scatter by %g", u)
		}
	})
}

// What the ranges are accurate to is in the slope however many points there are,
// as far as it does not fall out between the ends of the line.
func TestAccuracyOfSlope(t *testing.T) {
	for _, c := range []struct {
		name     string
		from, to float64
		want     float64 // of the slope 2, uy 1e-3 and ux 1e-4 at each end
	}{
		{"ends of one sign", 1, 5, math.Hypot(math.Sqrt2*1e-3, 2*math.Sqrt2*1e-4) / 4},
		{"from zero", 0, 4, math.Hypot(math.Sqrt2*1e-3, 2*math.Sqrt2*1e-4) / 4},
		{"through zero: the ends add up in full", -2, 2, math.Hypot(2e-3, 2*2e-4) / 4},
	} {
		for _, n := range []int{3, 30, 3000} {
			var l line
			for i := range n {
				x := c.from + (c.to-c.from)*float64(i)/float64(n-1)
				l.add(end{x: x, y: 2 * x, ux: 1e-4, uy: 1e-3})
			}
			slope, u := l.fit()
			near(t, c.name+": slope", slope, 2, 1e-12)
			near(t, c.name+": its uncertainty", u, c.want, 1e-9)
		}
	}
}

// A slope turned over is the inverse with the same relative uncertainty; one
// that cannot be told from zero gives what the inverse is at least.
func TestInverseOfSlope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		slope := math.Exp(rapid.Float64Range(-20, 20).Draw(t, "log")) * float64(rapid.SampledFrom([]int{-1, 1}).Draw(t, "sign"))
		rel := rapid.Float64Range(0, 3).Draw(t, "relative")
		x, u, known := inverse(slope, rel*math.Abs(slope))
		switch {
		case known != (math.Abs(slope) > rel*math.Abs(slope)):
			t.Fatalf("%g ± %g: known %v", slope, rel*slope, known)
		case known && (math.Abs(x*slope-1) > 1e-14 || math.Abs(u/math.Abs(x)-rel) > 1e-12*(1+rel)):
			t.Fatalf("%g ± %g: %g ± %g", slope, rel*slope, x, u)
		case !known && !(x > 0 && u == 0 && x <= 1/math.Abs(slope) && math.Abs(x*(1+sure*rel)*math.Abs(slope)-1) < 1e-12):
			t.Fatalf("%g ± %g: at least %g ± %g", slope, rel*slope, x, u)
		}
	})
}
