package budget

import "math"

// distribution is what a statement knows of the error: the terms of a value, the
// quantiles of simulated results at equal steps of probability, or a mapping.
type distribution struct {
	terms     []Term
	quantiles []float64
	mapped    *mapping
}

// Below is the probability (0 to 1) that the true value is below x, with the
// distribution that the interval rests on, to about 2e-5; from a simulation, to
// about 0.001. NaN where the statement has no interval.
func (s Statement) Below(x float64) float64 {
	if !s.Finite() || math.IsNaN(x) {
		return math.NaN()
	}
	switch {
	case math.IsInf(x, -1):
		return 0
	case math.IsInf(x, 1):
		return 1
	case s.dist.mapped != nil:
		return s.dist.mapped.below(x)
	case s.dist.quantiles != nil:
		return s.dist.below(x)
	}
	p := 1.0
	s.withSpread(func(d *spread) { p, _ = d.within(math.Abs(x-s.X) / s.Uc) })
	p = min(max(p, 0), 1)
	if x < s.X {
		return (1 - p) / 2
	}
	return (1 + p) / 2
}

// withSpread calls use with the distribution of first order, about zero and in
// units of Uc.
func (s Statement) withSpread(use func(d *spread)) {
	d := spreads.Get().(*spread)
	defer spreads.Put(d)
	d.parts, _ = Value{X: s.X, Terms: s.dist.terms}.parts(d.parts[:0])
	d.build(d.parts, s.Uc)
	use(d)
}

// below is the place of x among the quantiles.
func (d distribution) below(x float64) float64 {
	q := d.quantiles
	last := len(q) - 1
	switch {
	case x < q[0]:
		return 0
	case x >= q[last]:
		return 1
	}
	low, high := 0, last
	for high-low > 1 {
		if mid := (low + high) / 2; q[mid] <= x {
			low = mid
		} else {
			high = mid
		}
	}
	return (float64(low) + (x-q[low])/(q[high]-q[low])) / float64(last)
}

// Quantile is the value below which the true value lies with probability p (0 to
// 1). NaN where the statement has no interval.
func (s Statement) Quantile(p float64) float64 {
	if !s.Finite() || !(p > 0 && p < 1) {
		return math.NaN()
	}
	if s.dist.mapped != nil {
		return s.dist.mapped.quantile(p)
	}
	if q := s.dist.quantiles; q != nil {
		at := p * float64(len(q)-1)
		i := min(int(at), len(q)-2)
		return q[i] + (at-float64(i))*(q[i+1]-q[i])
	}
	if p == 0.5 {
		return s.X
	}
	var k float64
	s.withSpread(func(d *spread) { k = d.factor(math.Abs(2*p - 1)) })
	return s.X + math.Copysign(k*s.Uc, p-0.5)
}

// Conformity is the probability (0 to 1) that the true value is within the limits
// (a nil one is open): JCGM 106:2012, 7, with the distribution that the interval
// rests on. NaN where the statement has no interval, a limit is not finite, or
// the lower one is above the upper one.
func (s Statement) Conformity(low, high *float64) float64 {
	if !s.Finite() || !limitsMakeSense(low, high) {
		return math.NaN()
	}
	p := 1.0
	if high != nil {
		p = s.Below(*high)
	}
	if low != nil {
		p -= s.Below(*low)
	}
	return max(p, 0)
}

// ConformityNormal is Conformity for a normal distribution with the standard
// uncertainty u about x, in closed form. Source: JCGM 106:2012, 7.2 to 7.4. NaN
// where x or u is not finite, u is not above zero, or the limits make no sense.
func ConformityNormal(x, u float64, low, high *float64) float64 {
	if bad(x) || bad(u) || u <= 0 || !limitsMakeSense(low, high) {
		return math.NaN()
	}
	below, above := 0.0, 0.0
	if low != nil {
		below = upperNormal((x - *low) / u)
	}
	if high != nil {
		above = upperNormal((*high - x) / u)
	}
	return max(1-below-above, 0)
}

// upperNormal is the probability of a normal error above z.
func upperNormal(z float64) float64 { return 0.5 * math.Erfc(z/math.Sqrt2) }

func limitsMakeSense(low, high *float64) bool {
	for _, l := range []*float64{low, high} {
		if l != nil && bad(*l) {
			return false
		}
	}
	return low == nil || high == nil || *low <= *high
}

// RiskBand is how far inside an upper and a lower limit a value like this one
// must lie so that the true value is beyond that limit with probability risk (0
// to 0.5) at most: w of JCGM 106:2012, 8.3, by quantiles of the distribution. NaN
// where the statement has no interval.
func (s Statement) RiskBand(risk float64) (inLow, inHigh float64) {
	if !(risk > 0 && risk < 0.5) {
		return math.NaN(), math.NaN()
	}
	return s.X - s.Quantile(risk), s.Quantile(1-risk) - s.X
}

// RiskBandNormal is w/u for a normal distribution and a required one-sided
// conformance probability p: JCGM 106:2012, 8.3.
func RiskBandNormal(p float64) float64 { return quantileNormal(p) }
