package procedure

import (
	"math"
	"testing"
)

// The curve through three points is exact for what it is made of: closed forms, a
// place between the points and the ends, where the slope is one-sided.
func TestParabolaIsExact(t *testing.T) {
	type form struct {
		name     string
		x        [3]float64
		y, slope func(x float64) float64
	}
	for _, c := range []form{
		{"a junction with a resistance, by decades", [3]float64{1e-7, 1e-6, 1e-5},
			func(x float64) float64 { return 0.6 + 0.0257*math.Log(x) + 2000*x }, func(x float64) float64 { return 0.0257/x + 2000 }},
		{"the same on the other side of zero", [3]float64{-1e-5, -1e-6, -1e-7},
			func(x float64) float64 { return -0.6 - 0.0257*math.Log(-x) + 2000*x }, func(x float64) float64 { return -0.0257/x + 2000 }},
		{"a third of a decade a step", [3]float64{1e-7, 1.26e-7, 1.58e-7},
			func(x float64) float64 { return 0.6 + 0.0257*math.Log(x) }, func(x float64) float64 { return 0.0257 / x }},
		{"a power, by decades", [3]float64{1e-2, 1e-1, 1},
			func(x float64) float64 { return 3e-3 * math.Pow(x, 1.7) }, func(x float64) float64 { return 5.1e-3 * math.Pow(x, 0.7) }},
		{"an exponential by even steps", [3]float64{0.4, 0.5, 0.6},
			func(x float64) float64 { return 1e-12 * math.Exp(x/0.0257) }, func(x float64) float64 { return 1e-12 / 0.0257 * math.Exp(x/0.0257) }},
		{"a parabola by even steps from next to nothing", [3]float64{-6e-10, -2e-4, -4e-4},
			func(x float64) float64 { return 3 + 100*x - 2e4*x*x }, func(x float64) float64 { return 100 - 4e4*x }},
	} {
		var y, none [3]float64
		for i, x := range c.x {
			y[i] = c.y(x)
		}
		q := newParabola(c.x, y, none, none)
		between := math.Copysign(math.Sqrt(c.x[0]*c.x[1]), c.x[0])
		for k, x := range [4]float64{c.x[0], c.x[1], c.x[2], between} {
			got, slope, _, w := q.at(x, min(k, 2))
			near(t, c.name+", value", got, c.y(x), 1e-9*math.Abs(c.y(x)))
			near(t, c.name+", slope", slope, c.slope(x), 1e-6*math.Abs(c.slope(x)))
			near(t, c.name+", weights", w[0]+w[1]+w[2], 1, 1e-9)
		}
	}
}

// At a level near one of its points a curve is off by no more than it says: a
// junction with a leak beside it, which takes a twentieth of the current or less.
func TestParabolaSaysWhatItIsOffBy(t *testing.T) {
	const is, vt = 1e-15, 0.0257
	for _, leak := range []float64{1e8, 1e9, 1e10} { // Ω
		volts := func(amps float64) float64 {
			low, high := 0.0, 2.0
			for range 100 {
				v := (low + high) / 2
				if is*math.Expm1(v/vt)+v/leak > amps {
					high = v
				} else {
					low = v
				}
			}
			return low
		}
		for _, factor := range []float64{1.26, 3, 10} {
			x := [3]float64{1e-7, 1e-7 * factor, 1e-7 * factor * factor}
			var y, none [3]float64
			for i := range x {
				y[i] = volts(x[i])
			}
			q := newParabola(x, y, none, none)
			for k := range x {
				level := x[k] * 1.003
				got, _, bend, _ := q.at(level, k)
				if off := math.Abs(got - volts(level)); off > math.Abs(bend) {
					t.Errorf("%g Ω, by %g, at %g: off by %g, says %g", leak, factor, level, off, bend)
				}
				if change := vt * math.Log(1.003); math.Abs(bend) > 0.1*change {
					t.Errorf("%g Ω, by %g, at %g: may be off by %g, of a change of %g", leak, factor, level, bend, change)
				}
			}
		}
	}
}

// A sensitivity between three nodes is off by no more than it says, for exponentials
// of any growth: that of an output's voltage to its supply along a load is 1 without
// one and grows towards the end.
func TestFollowedBetweenNodes(t *testing.T) {
	for _, growth := range []float64{-2.5, -1, -0.3, 0.05, 0.3, 1, 2.5} {
		of := func(set float64) float64 { return math.Exp(growth * set / 5e-3) }
		f := followed{}
		for _, set := range []float64{-5e-3, -2.6e-3, 0} {
			f.add(set, of(set), 0)
		}
		for k := range 51 {
			set := -5e-3 * float64(k) / 50
			c, half, ok := f.at(set)
			if off := math.Abs(c - of(set)); !ok || off > half+1e-12 {
				t.Errorf("growth %g at %g: off by %g, says %g", growth, set, off, half)
			}
			if line := math.Abs(of(-5e-3)-of(0)) / 4; half > 0.3*line {
				t.Errorf("growth %g at %g: says %g, of which a straight line knows %g", growth, set, half, line)
			}
		}
	}
}

// A curve at a level rests on some reading, or is not taken there.
func TestResampledRestsOnReadings(t *testing.T) {
	// Through 1e-140, 1 and 1e-140 the logarithm is steep enough to end in 0.
	p := pointsOf([]float64{0, 1, 2, 12}, []float64{1e-140, 1, 1e-140, 1e-140})
	for k := range p.points {
		p.points[k].total = 0
	}
	if r := p.bent([3]int{0, 1, 2}, 2, 11); r.y != 0 || r.sound() {
		t.Errorf("%+v is taken for sound", r)
	}
	if r := p.at(3, 11); !r.sound() {
		t.Errorf("%+v is not sound", r)
	}
}
