package budget

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"
)

// autoregression makes n readings that depend on their neighbours by phi, about 0
// and with unit innovations.
func autoregression(r *rand.Rand, n int, phi float64) []float64 {
	y := make([]float64, n)
	y[0] = r.NormFloat64() / math.Sqrt(1-phi*phi)
	for i := 1; i < n; i++ {
		y[i] = phi*y[i-1] + r.NormFloat64()
	}
	return y
}

// lag1 is the lag-1 autocorrelation of a series, its mean and its standard
// deviation.
func lag1(y []float64) (r, mean, sd float64) {
	mean, sd = meanSD(y)
	for i := 1; i < len(y); i++ {
		r += (y[i] - mean) * (y[i-1] - mean)
	}
	return r / (sd * sd * float64(len(y)-1)), mean, sd
}

// sdOfMean is the true standard deviation of the mean of an autoregression.
func sdOfMean(n int, phi float64) float64 {
	v := 1.0
	for k := 1; k < n; k++ {
		v += 2 * (1 - float64(k)/float64(n)) * math.Pow(phi, float64(k))
	}
	return math.Sqrt(v / float64(n) / (1 - phi*phi))
}

// seriesTrials is how many series TestMeanOfSeriesHolds draws of each kind.
var seriesTrials = flag.Int("series", 300, "series of each kind that TestMeanOfSeriesHolds draws; 1,000 in .ci/run")

// The interval of a mean holds about 95 % from 5 readings on; for strong
// dependence from about 70, as its description says.
func TestMeanOfSeriesHolds(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	for _, c := range []struct {
		phi         float64
		n           int
		least, most float64 // coverage
		width       float64 // most of the mean U over what would just hold
	}{
		{-0.5, 5, 0.93, 0.985, 3.6}, {0, 5, 0.94, 0.99, 3}, {0.3, 5, 0.94, 0.99, 2.4}, {0.6, 5, 0.89, 0.96, 1.7},
		{-0.5, 20, 0.93, 0.985, 1.35}, {0, 20, 0.94, 0.985, 1.55}, {0.3, 20, 0.94, 0.985, 1.8}, {0.6, 20, 0.92, 0.975, 1.8},
		{-0.5, 100, 0.93, 0.975, 1.1}, {0, 100, 0.93, 0.975, 1.12}, {0.6, 100, 0.93, 0.98, 1.25}, {0.9, 100, 0.92, 0.975, 1.4},
		{-0.5, 1000, 0.93, 0.975, 1.05}, {0, 1000, 0.93, 0.975, 1.05}, {0.6, 1000, 0.93, 0.975, 1.06}, {0.9, 1000, 0.93, 0.975, 1.15},
		// Too few to tell: better than before, and said.
		{0.9, 5, 0.65, 0.80, 1}, {0.9, 20, 0.78, 0.90, 1.1}, {0.9, 50, 0.87, 0.95, 1.3},
	} {
		trials := *seriesTrials
		if c.n > 500 {
			trials /= 2
		}
		inside, widened, widths := 0, 0, 0.0
		for range trials {
			lag, mean, sd := lag1(autoregression(r, c.n, c.phi))
			u, df := MeanOfSeries(c.n, sd, lag)
			if df < 1 || df > float64(c.n-1) {
				t.Fatalf("%g degrees of freedom of %d readings", df, c.n)
			}
			U := studentFactor(Coverage, df) * u
			if math.Abs(mean) <= U {
				inside++
			}
			if math.Abs(mean) <= 2*sd*math.Sqrt((1+max(lag, 0))/(1-max(lag, 0))/float64(c.n)) {
				widened++
			}
			widths += U
		}
		p := float64(inside) / float64(trials)
		width := widths / float64(trials) / (quantileNormal(0.975) * sdOfMean(c.n, c.phi))
		t.Logf("φ %4.1f, n %4d: holds %.3f, mean U %.2f times what would just hold; widened by lag 1 alone, k = 2, holds %.3f",
			c.phi, c.n, p, width, float64(widened)/float64(trials))
		if p < c.least || p > c.most || width > c.width {
			t.Errorf("φ %g, n %d: holds %.3f (%g to %g), width %.2f (%g)", c.phi, c.n, p, c.least, c.most, width, c.width)
		}
	}
}

// What a mean of readings is worth at the edges.
func TestMeanOfSeriesEdges(t *testing.T) {
	for _, c := range []struct {
		n       int
		sd, lag float64
	}{{0, 1, 0}, {1, 1, 0}, {5, math.NaN(), 0}, {5, math.Inf(1), 0}, {5, -1, 0}} {
		if u, df := MeanOfSeries(c.n, c.sd, c.lag); !math.IsNaN(u) || !math.IsNaN(df) {
			t.Errorf("%+v: u %g with %g degrees of freedom", c, u, df)
		}
	}
	if u, df := MeanOfSeries(4, 0, math.NaN()); u != 0 || df != 3 {
		t.Errorf("without scatter: u %g, %g degrees of freedom", u, df)
	}
	var before float64
	for _, lag := range []float64{-0.5, 0, 0.3, 0.6, 0.9, 0.95} {
		u, df := MeanOfSeries(200, 1, lag)
		if !(u > before) {
			t.Errorf("lag 1 of %g: u %g after %g", lag, u, before)
		}
		before = u
		if small, sameDF := MeanOfSeries(200, 1e-9, lag); math.Abs(small/u-1e-9) > 1e-20 || sameDF != df {
			t.Errorf("another unit: %g, %g", small, sameDF)
		}
	}
	for n := 2; n < 2000; n = n*3/2 + 1 { // never narrower than a known dependence of that size, nor without end
		u, df := MeanOfSeries(n, 1, 0)
		if !(u*studentFactor(Coverage, df) >= 0.999*studentFactor(Coverage, float64(n-1))/math.Sqrt(float64(n))) || math.IsInf(u, 0) {
			t.Errorf("%d readings: u %g, %g degrees of freedom", n, u, df)
		}
	}
}

// NIST SP 1065 (Riley 2008), 1000-point test suite: the overlapping Allan deviation
// at m = 10 with its χ² limits, double-sided and single-sided 95 % (from memory; the
// figures agree with each other). They use the quantiles of 146 whole degrees.
func TestDeviationIntervalSP1065(t *testing.T) {
	const df = 146.0
	dev := 9.159953e-2 * math.Sqrt(146.177/df)
	low, high := DeviationInterval(dev, df, 0.95)
	near(t, "least", low, 8.223942e-2, 1e-4)
	near(t, "most", high, 1.035201e-1, 1e-4)
	_, high = DeviationInterval(dev, df, 0.90)
	near(t, "most, single-sided", high, 1.014923e-1, 1e-4)
	// GUM E.4.3, Table E.1: the standard deviation of s is 16 % at n = 20 and 24 %
	// at n = 10.
	for n, relative := range map[float64]float64{20: 0.16, 10: 0.24} {
		low, high = DeviationInterval(1, n-1, 0.6827)
		near(t, "half-width", (high-low)/2, relative, 0.1)
	}
	if low, high := DeviationInterval(1, 0, 0.95); low != 0 || !math.IsInf(high, 1) {
		t.Errorf("without degrees of freedom %g to %g", low, high)
	}
	if low, high := DeviationInterval(1, math.NaN(), 0.95); low != 0 || !math.IsInf(high, 1) {
		t.Errorf("of unknown degrees of freedom %g to %g", low, high)
	}
	if low, high := DeviationInterval(2, math.Inf(1), 0.95); low != 2 || high != 2 {
		t.Errorf("of a known deviation %g to %g", low, high)
	}
	for _, c := range [][3]float64{{math.NaN(), 3, 0.95}, {-1, 3, 0.95}, {math.Inf(1), 3, 0.95}, {1, 3, 1}, {1, 3, math.NaN()}} {
		if low, high := DeviationInterval(c[0], c[1], c[2]); !math.IsNaN(low) || !math.IsNaN(high) {
			t.Errorf("%v: %g to %g", c, low, high)
		}
	}
}

// The mean of a series of 50 and of 1000 readings.
func BenchmarkMeanOfSeries(b *testing.B) {
	for _, n := range []int{50, 1000} {
		b.Run(map[int]string{50: "50", 1000: "1000"}[n], func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if u, _ := MeanOfSeries(n, 1, 0.3); !(u > 0) {
					b.Fatal(u)
				}
			}
		})
	}
}
