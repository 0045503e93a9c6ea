package budget

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// The search for the autoregression of a series.
const (
	seriesNodes   = 48
	mostDependent = 0.98 // or 1-2/n: beyond this a mean of n readings says nothing of their level
)

// MeanOfSeries is the standard uncertainty u and the degrees of freedom df of the
// arithmetic mean of n successive readings that may resemble their neighbours: sd
// is their standard deviation (n-1), lag1 their lag-1 autocorrelation about the
// mean. u·t(df) is meant to hold 95 %. A first-order autoregression is assumed; its
// coefficient φ is not taken for known but weighed by how well each one explains
// lag1 (the likelihood, with mean and variance integrated out), so that few
// readings, which cannot show that they depend on each other, have a wider
// interval: 2.7 times what independent ones need at n = 5, 1.4 times at 20, 1.1
// times at 50. It holds what it says from n = 5 for φ from -0.5 to 0.6 (93 to
// 97 %); for φ = 0.9 only from about n = 70 (71 % at 5, 83 % at 20, 91 % at 50).
// Readings that are known to be independent have sd/√n and n-1. NaN below two
// readings. Source of the likelihood: Box, Jenkins and Reinsel, Time Series
// Analysis, 3rd ed. (1994), A7.4 (from memory).
func MeanOfSeries(n int, sd, lag1 float64) (u, df float64) {
	if n < 2 || bad(sd) || sd < 0 {
		return math.NaN(), math.NaN()
	}
	if sd == 0 || math.IsNaN(lag1) {
		return sd / math.Sqrt(float64(n)), float64(n - 1)
	}
	a := newAutoregressions(float64(n), lag1)
	var mean2 float64
	for i, w := range a.weight {
		mean2 += w * a.scale[i] * a.scale[i]
	}
	half := a.halfWidth(Coverage)
	// The mean of the squares is drawn out by few wide ones: what is stated holds
	// the interval first, with the degrees of freedom that go with it.
	u, df = math.Sqrt(mean2), float64(n-1)
	if t := studentFactor(Coverage, df); half <= t*u || n == 2 {
		return sd * half / t, df
	}
	return sd * u, degreesFor(half/u, df)
}

// degreesFor finds the degrees of freedom (1 to most) with Student's factor t.
func degreesFor(t, most float64) float64 {
	low, high := 1.0, most
	for high > 1.001*low {
		mid := math.Sqrt(low * high)
		if 2*(distuv.StudentsT{Mu: 0, Sigma: 1, Nu: mid}).Survival(t) > 1-Coverage {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// autoregressions are the coefficients of first-order autoregression that a
// series may have, each with its probability and with the scale of Student's t
// of the mean, in standard deviations of the readings.
type autoregressions struct {
	n, lag1            float64
	phi, weight, scale [seriesNodes]float64
}

// newAutoregressions weighs them over all, then twice where the weight is.
func newAutoregressions(n, lag1 float64) *autoregressions {
	a := &autoregressions{n: n, lag1: lag1}
	limit := math.Atanh(max(mostDependent, 1-2/n))
	low, high := -limit, limit
	for range 3 {
		a.weigh(low, high)
		var mean, square float64
		for i, w := range a.weight {
			z := math.Atanh(a.phi[i])
			mean += w * z
			square += w * z * z
		}
		sd := math.Sqrt(max(square-mean*mean, 0)) + 0.3*(high-low)/seriesNodes
		low, high = max(mean-6*sd, -limit), min(mean+6*sd, limit)
	}
	return a
}

// weigh spreads the nodes evenly in atanh φ from low to high.
func (a *autoregressions) weigh(low, high float64) {
	best := math.Inf(-1)
	for i := range a.phi {
		phi := math.Tanh(low + (high-low)*(float64(i)+0.5)/seriesNodes)
		ends := 2 / a.n // of the sum of squares, what the first and the last reading have
		q := max(1-2*phi*a.lag1+phi*phi*(1-ends), 1e-6)
		information := (1 - phi) * (1 + phi + (a.n-1)*(1-phi)) // on the mean, n without dependence
		a.phi[i], a.scale[i] = phi, math.Sqrt(q/information)
		// With the width of the node, 1-φ², for a prior that is even in φ.
		a.weight[i] = 1.5*math.Log(1-phi*phi) - math.Log(information)/2 - (a.n-1)/2*math.Log(q)
		best = max(best, a.weight[i])
	}
	var sum float64
	for i, w := range a.weight {
		a.weight[i] = math.Exp(w - best)
		sum += a.weight[i]
	}
	for i := range a.weight {
		a.weight[i] /= sum
	}
}

// halfWidth is what holds the mean with probability p, in standard deviations: by
// false position in logarithms, in which the tail is nearly straight.
func (a *autoregressions) halfWidth(p float64) float64 {
	low, high := 0.0, 1/math.Sqrt(a.n)
	excess := func(x float64) float64 { return math.Log(a.outside(x) / (1 - p)) }
	fl, fh := -math.Log(1-p), excess(high)
	for fh > 0 && high < 1e9 {
		low, fl = high, fh
		high *= 2
		fh = excess(high)
	}
	for range 60 {
		x := low + (high-low)*fl/(fl-fh)
		f := excess(x)
		if math.Abs(f) < 1e-5 {
			return x
		}
		if f > 0 { // the end that stays counts half, so that both ends move
			low, fl, fh = x, f, fh/2
		} else {
			high, fh, fl = x, f, fl/2
		}
	}
	return high
}

// outside is the probability that the mean is more than x standard deviations off.
func (a *autoregressions) outside(x float64) float64 {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: a.n - 1}
	var q float64
	for i, w := range a.weight {
		switch {
		case w < 1e-6:
		case a.n > manyDF:
			q += w * 2 * upperNormal(x/a.scale[i])
		default:
			q += w * 2 * t.Survival(x/a.scale[i])
		}
	}
	return q
}

// DeviationInterval is the interval that holds the true standard (or Allan)
// deviation with probability p, for an estimate dev with df degrees of freedom:
// by χ², not symmetric. 0 to +Inf where df is not above zero, NaN for a dev that
// is not finite. Source: NIST SP 1065 (Riley 2008), 5.3.
func DeviationInterval(dev, df, p float64) (low, high float64) {
	switch {
	case bad(dev) || dev < 0 || !(p > 0 && p < 1):
		return math.NaN(), math.NaN()
	case !(df > 0):
		return 0, math.Inf(1)
	case math.IsInf(df, 1):
		return dev, dev
	}
	chi := distuv.ChiSquared{K: df}
	return dev * math.Sqrt(df/chi.Quantile((1+p)/2)), dev * math.Sqrt(df/chi.Quantile((1-p)/2))
}
