package derive

import "math"

// Outcome is what a result says about its limits, in the words of ILAC-G8:09/2019.
type Outcome string

// The outcomes. NoLimits is a valid result that has no limits.
const (
	NoLimits        Outcome = ""
	Pass            Outcome = "pass"
	ConditionalPass Outcome = "conditional pass"
	ConditionalFail Outcome = "conditional fail"
	Fail            Outcome = "fail"
	Invalid         Outcome = "invalid"
)

// rank orders outcomes for Worst. A fail is a finding and stands whatever else
// could not be measured; without one, a result that is missing leaves the whole
// undecided. An unknown word counts as invalid.
func (o Outcome) rank() int {
	switch o {
	case NoLimits:
		return 0
	case Pass:
		return 1
	case ConditionalPass:
		return 2
	case ConditionalFail:
		return 3
	case Fail:
		return 5
	}
	return 4
}

// Worst returns the outcome of a whole from those of its parts, in rising order:
// no limits, pass, conditional pass, conditional fail, invalid, fail. Without
// parts it is NoLimits.
func Worst(outcomes ...Outcome) Outcome {
	worst := NoLimits
	for _, o := range outcomes {
		if o.rank() > worst.rank() {
			worst = o
		}
	}
	return worst
}

// Decide applies the decision rule of ILAC-G8:09/2019 with guard band
// w = guard·U, where U is the expanded uncertainty (k = 2) in the unit of value:
//
//	inside both limits by at least w       pass
//	inside, but within w of a limit        conditional pass
//	outside by no more than w              conditional fail
//	outside by more                        fail
//
// guard 0 is simple acceptance (U is then not used), 1 is the rule of ILAC
// G8:2009. A nil limit is open. A value, limit or needed U that is not finite, a
// negative U, or low above high is invalid. Guarded limits that leave no room
// between them make every value conditional at best.
func Decide(value, U float64, low, high *float64, guard float64) Outcome {
	if !finite(value) {
		return Invalid
	}
	if low == nil && high == nil {
		return NoLimits
	}
	w := 0.0
	if guard != 0 {
		w = guard * U
	}
	if !finite(w) || guard != 0 && U < 0 {
		return Invalid
	}
	if low != nil && high != nil && !(*low <= *high) {
		return Invalid
	}
	outcome := NoLimits
	if low != nil {
		outcome = Worst(outcome, decideAbove(-value, -*low, w))
	}
	if high != nil {
		outcome = Worst(outcome, decideAbove(value, *high, w))
	}
	return outcome
}

// decideAbove is the rule for one upper limit.
func decideAbove(value, limit, w float64) Outcome {
	switch {
	case !finite(limit):
		return Invalid
	case value <= limit-w:
		return Pass
	case value <= limit:
		return ConditionalPass
	case value <= limit+w:
		return ConditionalFail
	}
	return Fail
}

// Conformance returns the probability (0 to 1) that the true value lies within
// the limits, for a normal distribution with the standard uncertainty u about
// value: JCGM 106:2012, 7.2 to 7.4. A nil limit is open. It is NaN where Decide
// would be invalid, and for u not above zero.
func Conformance(value, u float64, low, high *float64) float64 {
	if !finite(value) || !finite(u) || u <= 0 {
		return math.NaN()
	}
	below := 0.0 // probability below low
	if low != nil {
		below = normalCDF((*low - value) / u)
	}
	above := 0.0
	if high != nil {
		above = normalCDF((value - *high) / u)
	}
	if low != nil && high != nil && *low > *high {
		return math.NaN()
	}
	return max(1-below-above, 0)
}

// GuardBand returns w/u for a required one-sided conformance probability p, the
// normal quantile: JCGM 106:2012, 8.3. With k = 2, Decide's guard is half of it.
func GuardBand(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
