package derive

import (
	"math"

	"ohmkeep/server/budget"
)

// NoiseType is how the readings of a series depend on those before.
type NoiseType uint8

// The types of noise, by the spectrum of the readings.
const (
	WhiteNoise   NoiseType = iota // independent: the Allan deviation falls as 1/√τ
	FlickerNoise                  // 1/f: it stays
	RandomWalk                    // sums of independent steps: it rises as √τ
)

// NoiseOf tells the type from two Allan deviations whose averaging times differ by
// a factor of two: their ratio is 1/√2, 1 or √2. White where it cannot be told,
// which has the fewest degrees of freedom.
func NoiseOf(at, atTwice AllanPoint) NoiseType {
	switch ratio := atTwice.Dev / at.Dev; {
	case ratio > math.Pow(2, 0.25):
		return RandomWalk
	case ratio > math.Pow(2, -0.25):
		return FlickerNoise
	}
	return WhiteNoise
}

// DF is the equivalent degrees of freedom of the deviation: those of χ² with the
// mean and variance of the sum of squares, from the covariances of its
// differences. NaN without pairs. Source: Greenhall and Riley (2003), Proc. 35th
// PTTI Meeting, 267-280; NIST SP 1065 (Riley 2008), 5.4.
func (p AllanPoint) DF(noise NoiseType) float64 {
	if p.Pairs < 1 || p.M < 1 {
		return math.NaN()
	}
	stride := p.M
	if p.Overlapping {
		stride = 1
	}
	// Beyond 16 averaging times the covariances are below 1 % of a part in 1000.
	pairs, far := float64(p.Pairs), min(p.Pairs-1, 16*p.M/stride)
	variance := differenceCovariance(noise, 0, p.M)
	sum := pairs
	for lag := 1; lag <= far; lag++ {
		r := differenceCovariance(noise, lag*stride, p.M) / variance
		sum += 2 * (pairs - float64(lag)) * r * r
	}
	return pairs * pairs / sum
}

// Interval holds the true Allan deviation with that probability, by χ²: it is not
// symmetric.
func (p AllanPoint) Interval(probability float64, noise NoiseType) (low, high float64) {
	return budget.DeviationInterval(p.Dev, p.DF(noise), probability)
}

// differenceCovariance is, up to a factor, the covariance of two differences of
// successive averages over m readings that start lag readings apart: the fourth
// difference of the generalised covariance of the summed readings.
func differenceCovariance(noise NoiseType, lag, m int) float64 {
	g := func(k int) float64 { return generalisedCovariance(noise, math.Abs(float64(k))) }
	return 6*g(lag) - 4*(g(lag+m)+g(lag-m)) + g(lag+2*m) + g(lag-2*m)
}

// generalisedCovariance is that of the sum of readings, k readings apart, without
// what a fourth difference takes away.
func generalisedCovariance(noise NoiseType, k float64) float64 {
	switch {
	case noise == RandomWalk:
		return k*k*k - k
	case noise == FlickerNoise && k == 0:
		return 0
	case noise == FlickerNoise:
		return k * k * math.Log(k)
	}
	return -k
}
