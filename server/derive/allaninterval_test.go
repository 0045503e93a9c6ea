package derive

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// Degrees of freedom known in closed form: 2P²/(3P-1) for white noise, P for steps
// that are independent.
func TestAllanDegreesOfFreedom(t *testing.T) {
	for _, pairs := range []int{1, 2, 3, 10, 500} {
		p := float64(pairs)
		near(t, fmt.Sprintf("white, %d pairs", pairs), AllanPoint{M: 1, Pairs: pairs}.DF(WhiteNoise), 2*p*p/(3*p-1), 1e-12)
		near(t, "white, m = 8", AllanPoint{M: 8, Pairs: pairs}.DF(WhiteNoise), 2*p*p/(3*p-1), 1e-12)
		near(t, "random walk, m = 1", AllanPoint{M: 1, Pairs: pairs}.DF(RandomWalk), p, 1e-12)
		near(t, "random walk, long averages", AllanPoint{M: 1024, Pairs: pairs}.DF(RandomWalk), p*p/(p+(p-1)/8), 1e-4)
	}
	if df := (AllanPoint{M: 1}).DF(WhiteNoise); !math.IsNaN(df) {
		t.Errorf("%g degrees of freedom of nothing", df)
	}
}

// NIST SP 1065 (Riley 2008), 5.4.1: the approximations of Howe, Allan and Barnes
// (1981) for the overlapping estimate, and the test suite's 146.177 at 1000 points
// and m = 10 (all from memory). N counts the sums, one more than the readings. They
// are stated to be good to some percent.
func TestAllanDegreesOfFreedomSP1065(t *testing.T) {
	overlapping := func(readings, m int) AllanPoint {
		return AllanPoint{M: m, Pairs: readings - 2*m + 1, Overlapping: true}
	}
	near(t, "test suite", overlapping(1000, 10).DF(WhiteNoise), 146.177, 0.01)
	for _, readings := range []int{100, 1000} {
		for _, m := range []int{1, 2, 4, 10, 20} {
			n, k := float64(readings+1), float64(m)
			what := fmt.Sprintf("%d readings, m = %d: ", readings, m)
			white := (3*(n-1)/(2*k) - 2*(n-2)/n) * 4 * k * k / (4*k*k + 5)
			near(t, what+"white", overlapping(readings, m).DF(WhiteNoise), white, 0.06)
			flicker := 5 * n * n / (4 * k * (n + 3*k))
			if m == 1 {
				flicker = 2 * (n - 2) * (n - 2) / (2.3*n - 4.9)
			}
			near(t, what+"flicker", overlapping(readings, m).DF(FlickerNoise), flicker, 0.12)
			walk := (n - 2) / k * ((n-1)*(n-1) - 3*k*(n-1) + 4*k*k) / ((n - 3) * (n - 3))
			near(t, what+"random walk", overlapping(readings, m).DF(RandomWalk), walk, 0.12)
		}
	}
}

// noisy makes readings of each type: independent, sums, and by the filter of
// Kasdin (1995), Proc. IEEE 83, 802-827, for 1/f.
func noisy(r *rand.Rand, noise NoiseType, n int) []float64 {
	const settled = 600
	y := make([]float64, n)
	switch noise {
	case WhiteNoise, RandomWalk:
		for i := range y {
			y[i] = r.NormFloat64()
			if noise == RandomWalk && i > 0 {
				y[i] += y[i-1]
			}
		}
		return y
	}
	e := make([]float64, n+settled)
	for i := range e {
		e[i] = r.NormFloat64()
	}
	for i := range y {
		h := 1.0
		for k := range settled {
			y[i] += h * e[i+settled-k]
			h *= (float64(k) + 0.5) / (float64(k) + 1)
		}
	}
	return y
}

// The interval holds 95 % of the true deviation, few pairs or many; ±2·s/√(2P), as
// if its estimate were normal, holds far less of few.
func TestAllanIntervalHolds(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 22))
	for noise, name := range []string{"white", "flicker", "random walk"} {
		for _, c := range []struct{ m, pairs int }{{1, 3}, {4, 3}, {4, 10}} {
			const trials = 1500
			kind := NoiseType(noise)
			n := c.m * (c.pairs + 1)
			estimates := make([]AllanPoint, trials)
			var truth float64
			for i := range estimates {
				y := noisy(r, kind, n)
				estimates[i] = AllanPoint{M: c.m, Dev: Allan(y, c.m), Pairs: c.pairs}
				truth += estimates[i].Dev * estimates[i].Dev / trials
			}
			truth = math.Sqrt(truth) // without bias in the variance
			inside, normal := 0, 0
			for _, e := range estimates {
				if low, high := e.Interval(0.95, kind); low <= truth && truth <= high {
					inside++
				}
				if math.Abs(e.Dev-truth) <= 2*e.Dev/math.Sqrt(2*float64(c.pairs)) {
					normal++
				}
			}
			p := float64(inside) / trials
			t.Logf("%s, m = %d, %d pairs: holds %.3f; ±2·s/√(2P) %.3f", name, c.m, c.pairs, p, float64(normal)/trials)
			if p < 0.93 || p > 0.975 {
				t.Errorf("%s, m = %d, %d pairs: holds %.3f", name, c.m, c.pairs, p)
			}
		}
	}
}

// The type of noise is told from how the deviation changes with the average.
func TestNoiseOf(t *testing.T) {
	r := rand.New(rand.NewPCG(23, 24))
	for noise := range NoiseType(3) {
		y := noisy(r, noise, 2000)
		points := AllanOctaves(y, 1)
		if got := NoiseOf(points[1], points[2]); got != noise {
			t.Errorf("noise of type %d is taken for %d", noise, got)
		}
	}
	if NoiseOf(AllanPoint{}, AllanPoint{}) != WhiteNoise {
		t.Error("nothing known is not taken for white")
	}
}
