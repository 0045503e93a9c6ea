package rehearsal

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

// TestErrorsStayWithinStatedAccuracy: for many benches, every range, both
// directions. Gain and offset reach as far as the stated accuracy; the
// converter's step is stated apart, and so half of it comes on top. So does
// the noise.
func TestErrorsStayWithinStatedAccuracy(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	used, count := 0.0, 0
	w := ServedWorld()
	for seed := range uint64(100) {
		for _, ch := range DefaultBench().Channels {
			c := newChannel(ch, seed, &w)
			for _, cs := range [][]converter{c.forceV, c.forceI, c.senseV, c.senseI} {
				for i := range cs {
					x := cs[i].FullScale * (2*rng.Float64() - 1)
					forced := cs[i].force(x, 0)
					sensed, over := cs[i].sense(x, 0, 0)
					most := bound(cs[i].Range, x)
					own := math.Abs(cs[i].gain.first*x + cs[i].offset.first)
					if math.Abs(forced-x) > most || math.Abs(sensed-x) > most || over || own > cs[i].MaxError(x) {
						t.Fatalf("seed %d %s, range %g at %g: forced %g, sensed %g, permitted %g",
							seed, ch.Name, cs[i].FullScale, x, forced, sensed, most)
					}
					used = math.Max(used, own/cs[i].MaxError(x))
					count++
				}
			}
		}
	}
	if used < 0.95 {
		t.Errorf("of %d, the worst uses only %g of what is permitted", count, used)
	}
}

func TestConverterSteps(t *testing.T) {
	c := converter{Range: bench.Range{FullScale: 1, Step: 0.25}}
	for _, x := range []struct {
		in, out float64
		over    bool
	}{{0.1, 0, false}, {0.13, 0.25, false}, {-0.6, -0.5, false}, {1.04, 1, false}, {1.06, 1, true}, {-9, -1, true}} {
		if got, over := c.quantise(x.in); got != x.out || over != x.over {
			t.Errorf("%g gives %g, %v", x.in, got, over)
		}
	}
}

// spreadOf is the standard deviation of n readings of 1 kΩ at 1 mA, in V.
func spreadOf(t *testing.T, d bench.Definition, aperture time.Duration, n int) float64 {
	r := newRig(t, Config{Definition: d, Seed: 5, Seat: Seat{PinMap: straight(2), place: resistor(1000)}})
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceI(1e-3, 5))
	r.wait(time.Second)
	sum, square := 0.0, 0.0
	mid := r.read(2, aperture).V
	for range n {
		d := r.read(2, aperture).V - mid
		sum += d
		square += d * d
	}
	m := sum / float64(n)
	return math.Sqrt((square/float64(n) - m*m) * float64(n) / float64(n-1))
}

// TestNoiseFallsWithAperture: over whole line cycles there is white noise
// only, which falls with the root of the time. 4000 readings give the standard
// deviation to 1.1 % (1/√2n). The converter has no steps here: they would
// drown the small noise of long apertures.
func TestNoiseFallsWithAperture(t *testing.T) {
	d := DefaultBench()
	rg := &d.Channels[1].SenseV[1]
	rg.Step = 0
	for _, cycles := range []int{1, 4, 16, 64} {
		got := spreadOf(t, d, time.Duration(cycles)*cycle, 4000)
		white := rg.Noise / math.Sqrt(float64(cycles))
		near(t, "SD", got, white, 0.05*white)
	}
}

// TestHumVanishesOverWholeCycles: sin(x)/x of a 50 Hz line.
func TestHumVanishesOverWholeCycles(t *testing.T) {
	for k := 1; k <= 10; k++ {
		for _, at := range []float64{0, 0.0013, 0.017} {
			near(t, "hum over whole cycles", meanSine(at, float64(k)*0.02, 50, 0.4), 0, 1e-14)
		}
	}
	near(t, "half a cycle, in phase", meanSine(0, 0.01, 50, 0), 2/math.Pi, 1e-12)
	near(t, "half a cycle, across", meanSine(0.005, 0.01, 50, 0), 0, 1e-12)
	near(t, "an instant", meanSine(0.005, 1e-9, 50, 0), 1, 1e-9)

	whole, half := spreadOf(t, DefaultBench(), cycle, 400), spreadOf(t, DefaultBench(), 7*time.Millisecond, 400)
	if half < 5*whole {
		t.Errorf("7 ms spread %g V, 20 ms %g V: the hum is not there", half, whole)
	}
}

func TestSeedsDecide(t *testing.T) {
	run := func(seed uint64) (out []bench.Sample) {
		r := withResistor(t, seed, 1000)
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceI(1e-3, 5))
		for range 20 {
			out = append(out, r.read(2, 7*time.Millisecond))
		}
		return out
	}
	a, b, c := run(1), run(1), run(2)
	different := false
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("reading %d: %+v, then %+v", i, a[i], b[i])
		}
		different = different || a[i].V != c[i].V
	}
	if !different {
		t.Error("two seeds, the same readings")
	}
}
