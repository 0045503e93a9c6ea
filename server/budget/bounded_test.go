package budget

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// bounded is a source of which only the bound a is known.
func bounded(a float64) *Source {
	return NewSource("bound", Leakage, Bounded, Bounded.FromHalfWidth(a))
}

// What only has a bound counts in a decision as it does in the interval: a guard
// band holds all of it, and of the probabilities that it allows the least counts.
// Expected: closed forms of the normal and the rectangular rest.
func TestBoundedErrorsInADecision(t *testing.T) {
	normal := func(z float64) float64 { return 1 - upperNormal(z) }
	noise, box := NewSource("noise", Noise, Normal, 0.1), NewSource("gain", Gain, Rectangular, 0.1/math.Sqrt(3))
	for _, c := range []struct {
		name             string
		of               Value
		low, high        *float64
		band, conformity float64
	}{
		{"at its limit", Of(10, bounded(1)).With(noise, 1), nil, ptr(10), 1.195996, normal(-10)},
		{"at its lower limit", Of(10, bounded(1)).With(noise, 1), ptr(10), nil, 1.195996, normal(-10)},
		{"just inside the bound", Of(10, bounded(1)).With(noise, 1), nil, ptr(10.9), 1.195996, normal(-1)},
		{"at the bound", Of(10, bounded(1)).With(noise, 1), nil, ptr(11), 1.195996, 0.5},
		{"as far inside as the band", Of(10, bounded(1)).With(noise, 1), nil, ptr(11.195996), 1.195996, 0.975},
		{"two bounds", Of(10, bounded(1)).With(bounded(0.5), -2).With(noise, 1), nil, ptr(12.1), 2.195996, normal(1)},
		{"between limits", Of(10, bounded(1)).With(noise, 1), ptr(8.8), ptr(11.1), 1.195996, normal(1)},
		{"between limits, the lower one nearer", Of(10, bounded(1)).With(noise, 1), ptr(8.9), ptr(11.2), 1.195996, normal(1)},
		{"with a rectangle", Of(10, bounded(1)).With(box, 1), nil, ptr(11.05), 1.095, 0.75},
		{"nothing else, within", Of(10, bounded(1)), ptr(8.999), ptr(11.001), 1, 1},
		{"nothing else, beyond", Of(10, bounded(1)), nil, ptr(10.999), 1, 0},
		{"nothing else, beyond below", Of(10, bounded(1)), ptr(9.001), nil, 1, 0},
		{"no bound", Of(10, noise), nil, ptr(10.1), 0.1959964, normal(1)},
	} {
		s := c.of.State(Coverage)
		inLow, inHigh := s.RiskBand(0.025)
		near(t, c.name+": band at a lower limit", inLow, c.band, 1e-5)
		near(t, c.name+": band at an upper limit", inHigh, c.band, 1e-5)
		near(t, c.name+": U, which leaves as much beyond each end", s.U, c.band, 1e-5)
		if p := s.Conformity(c.low, c.high); math.Abs(p-c.conformity) > 1e-6 {
			t.Errorf("%s: conformity %g, want %g", c.name, p, c.conformity)
		}
	}
}

// Hum has two peaks: limits about as wide as it is hold least in the middle of
// what the bound allows, not at its ends.
func TestBoundedWithTwoPeaks(t *testing.T) {
	s := Of(0, bounded(0.02)).With(NewSource("hum", Hum, Arcsine, 1/math.Sqrt2), 1).State(Coverage)
	near(t, "conformity", s.Conformity(ptr(-0.99), ptr(0.99)), 2/math.Pi*math.Asin(0.99), 1e-6)
}

// onePeak is a value whose hum is taken for a normal error.
func onePeak(v Value) Value {
	for _, t := range v.Terms {
		if t.Source.Dist == Arcsine {
			t.Source.Dist = Normal
		}
	}
	return v
}

// No error within the bound makes a value conform less often than is said, or more
// often. A statement seen through a falling function says the same.
func TestNoErrorWithinTheBoundIsWorse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rest := onePeak(mixture(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))))
		uc := rest.Uc()
		a := rapid.Float64Range(0.1, 3).Draw(t, "bound") * uc
		s := rest.With(bounded(a), 1).State(Coverage)
		low := rest.X - rapid.Float64Range(0, 5).Draw(t, "low")*uc
		high := rest.X + rapid.Float64Range(0, 5).Draw(t, "high")*uc
		falling := s.Mapped(func(x float64) float64 { return -x }, func(y float64) float64 { return -y })
		for _, limits := range [][2]*float64{{&low, &high}, {nil, &high}, {&low, nil}} {
			least, most := 1.0, 0.0
			said, saidMost := s.ConformityRange(limits[0], limits[1])
			for _, part := range []float64{-1, -0.7, -0.3, 0, 0.2, 0.6, 1} {
				shifted := rest
				shifted.X += part * a
				p := shifted.State(Coverage).Conformity(limits[0], limits[1])
				least, most = min(least, p), max(most, p)
			}
			const alike = 1e-3 // mixtures of Student's t with one degree of freedom, rounded otherwise
			if said > least+alike || saidMost < most-alike {
				t.Fatalf("conformity %g to %g, with one error %g, with another %g", said, saidMost, least, most)
			}
			var mirrored [2]*float64
			for i, l := range limits {
				if l != nil {
					mirrored[1-i] = ptr(-*l)
				}
			}
			if p := falling.Conformity(mirrored[0], mirrored[1]); math.Abs(p-said) > 1e-9 {
				t.Fatalf("mirrored %g, %g", p, said)
			}
		}
		p := rapid.Float64Range(0.51, 0.99).Draw(t, "p")
		near(t, "below its quantile", s.Below(s.Quantile(p)), p, 1e-4)
		near(t, "the other end", s.X-s.Quantile(1-p), s.Quantile(p)-s.X, 1e-6*math.Max(1, math.Abs(s.X/s.Uc)))
	})
}
