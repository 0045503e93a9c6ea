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
// about 0.001. Of errors that only have a bound it takes the ones that make it
// least: one less it is the most that a value may be beyond an upper limit x. NaN
// where the statement has no interval.
func (s Statement) Below(x float64) float64 {
	least, _ := s.Within(math.Inf(-1), x)
	return least
}

// Within is the probability (0 to 1) that the true value is between low and high,
// of which an infinite one is open: the least and the most over all that errors
// which only have a bound may be, as State adds them whole; without any, the two
// are the same. NaN where the statement has no interval, or low is above high.
func (s Statement) Within(low, high float64) (least, most float64) {
	if !s.Finite() || !(low <= high) {
		return math.NaN(), math.NaN()
	}
	switch {
	case s.dist.mapped != nil:
		return s.dist.mapped.within(low, high)
	case s.dist.quantiles != nil:
		p := max(s.dist.below(high)-s.dist.below(low), 0)
		return p, p
	}
	least = 1
	s.withRest(func(d *spread, bound, uc float64) {
		for _, e := range extremeShifts(low-s.X, high-s.X, bound) {
			p := max(d.between(low-s.X-e, high-s.X-e, uc), 0)
			least, most = min(least, p), max(most, p)
		}
	})
	return least, most
}

// extremeShifts are the errors within ±bound of which one leaves the least between
// two limits, which are given from the estimate, and one the most: both ends and
// the one with the limits about its middle, which leaves the most of errors with
// one peak, and may leave the least of errors with two (hum). Of hum beside other
// errors, whose peaks may lie elsewhere, the most is told to about a thousandth.
func extremeShifts(low, high, bound float64) []float64 {
	if bound == 0 {
		return []float64{0}
	}
	shifts := []float64{-bound, bound}
	if middle := low + (high-low)/2; math.Abs(middle) < bound { // not for an open limit
		shifts = append(shifts, middle)
	}
	return shifts
}

// between is the probability that an error is between low and high, in the unit
// in which it has the standard uncertainty uc; at 0 there is no error at all.
func (s *spread) between(low, high, uc float64) float64 {
	if uc > 0 {
		return s.below(high/uc) - s.below(low/uc)
	}
	if low <= 0 && high >= 0 {
		return 1
	}
	return 0
}

// below is the probability that the error is below x.
func (s *spread) below(x float64) float64 {
	p := 1.0
	if !math.IsInf(x, 0) {
		p, _ = s.within(math.Abs(x))
		p = min(max(p, 0), 1)
	}
	if x < 0 {
		return (1 - p) / 2
	}
	return (1 + p) / 2
}

// withRest calls use with the sum of the errors that only have a bound, and with
// the distribution of first order of the others, about zero and in units of their
// standard uncertainty uc; without others uc is 0, and there is no distribution.
func (s Statement) withRest(use func(d *spread, bound, uc float64)) {
	d := spreads.Get().(*spread)
	defer spreads.Put(d)
	d.parts, _ = Value{X: s.X, Terms: s.dist.terms}.parts(d.parts[:0])
	bound, uc := d.takeBounded(s.Uc)
	if len(d.parts) > 0 {
		d.build(d.parts, uc)
	} else {
		uc = 0
	}
	use(d, bound, uc)
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
// 1). Errors that only have a bound are added whole, outwards from the estimate:
// above a half it is the greatest that they allow, below a half the least. NaN
// where the statement has no interval.
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
	var off float64
	s.withRest(func(d *spread, bound, uc float64) {
		off = bound
		if uc > 0 {
			off += d.factor(math.Abs(2*p-1)) * uc
		}
	})
	return s.X + math.Copysign(off, p-0.5)
}

// Conformity is the probability (0 to 1) that the true value is within the limits
// (a nil one is open): JCGM 106:2012, 7, with the distribution that the interval
// rests on; the least that errors which only have a bound allow. NaN where the
// statement has no interval, a limit is not finite, or the lower one is above the
// upper one.
func (s Statement) Conformity(low, high *float64) float64 {
	least, _ := s.ConformityRange(low, high)
	return least
}

// ConformityRange is Conformity, and the most that errors which only have a bound
// allow: a value fails for certain only where even that is next to nothing.
func (s Statement) ConformityRange(low, high *float64) (least, most float64) {
	if !s.Finite() || !limitsMakeSense(low, high) {
		return math.NaN(), math.NaN()
	}
	from, to := math.Inf(-1), math.Inf(1)
	if low != nil {
		from = *low
	}
	if high != nil {
		to = *high
	}
	return s.Within(from, to)
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
// to 0.5) at most: w of JCGM 106:2012, 8.3, by quantiles of the distribution, and
// wider by all errors that only have a bound. NaN where the statement has no interval.
func (s Statement) RiskBand(risk float64) (inLow, inHigh float64) {
	if !(risk > 0 && risk < 0.5) {
		return math.NaN(), math.NaN()
	}
	return s.X - s.Quantile(risk), s.Quantile(1-risk) - s.X
}

// RiskBandNormal is w/u for a normal distribution and a required one-sided
// conformance probability p: JCGM 106:2012, 8.3.
func RiskBandNormal(p float64) float64 { return quantileNormal(p) }
