package derive

// Outcome is what a result says about its limits, in the words of ILAC-G8:09/2019.
type Outcome string

// The outcomes. NoLimits is a valid result that has no limits, Untrusted one
// without limits that is no measure of what it says, Damaged one that the disk
// has not kept as it was.
const (
	NoLimits        Outcome = ""
	Untrusted       Outcome = "not to be trusted"
	Pass            Outcome = "pass"
	ConditionalPass Outcome = "conditional pass"
	ConditionalFail Outcome = "conditional fail"
	Fail            Outcome = "fail"
	Invalid         Outcome = "invalid"
	Damaged         Outcome = "damaged"
)

// rank orders outcomes for Worst. A fail is a finding and stands whatever else
// could not be measured; without one, a result that is missing leaves the whole
// undecided. An unknown word counts as invalid.
func (o Outcome) rank() int {
	switch o {
	case NoLimits, Untrusted:
		return 0 // nothing was asked of it
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
// w = guard·U, where U is the expanded uncertainty in the unit of value:
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
	if guard != 0 && U < 0 {
		return Invalid
	}
	return decideSides(value, low, high, w, w)
}

// decideSides is the rule for limits of which at least one is not nil, with the
// guard bands inside the lower and the upper one.
func decideSides(value float64, low, high *float64, inLow, inHigh float64) Outcome {
	if !finite(inLow) || !finite(inHigh) || low != nil && high != nil && !(*low <= *high) {
		return Invalid
	}
	outcome := NoLimits
	if low != nil {
		outcome = Worst(outcome, decideAbove(-value, -*low, inLow))
	}
	if high != nil {
		outcome = Worst(outcome, decideAbove(value, *high, inHigh))
	}
	return outcome
}

// DecideRisk applies the rule of a most specific risk (0 to 0.5) to a value that
// is within its limits with the probability conforms: pass or fail where it is
// wrong with that risk at most, else conditional by which side of the limit the
// value is on. Source: JCGM 106:2012, 8.3; the words of ILAC-G8:09/2019. A value,
// limit, probability or risk that makes no sense is invalid.
func DecideRisk(value, conforms float64, low, high *float64, risk float64) Outcome {
	inside := Decide(value, 0, low, high, 0)
	if !(conforms >= 0 && conforms <= 1) || !(risk > 0 && risk < 0.5) {
		return Invalid
	}
	switch inside {
	case Pass:
		if conforms < 1-risk {
			return ConditionalPass
		}
	case Fail:
		if conforms > risk {
			return ConditionalFail
		}
	}
	return inside
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
