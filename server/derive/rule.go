package derive

import (
	"fmt"
	"math"

	"ohmkeep/server/budget"
)

// RuleKind is how the guard band between a limit and what still passes is found.
type RuleKind string

// The kinds of rule: JCGM 106:2012, 8; ILAC-G8:09/2019, Table 1.
const (
	SimpleAcceptance RuleKind = "simple" // the estimate alone decides, w = 0
	GuardBand        RuleKind = "guard"  // w = r·U
	SpecificRisk     RuleKind = "risk"   // w so that the risk of the result is at most so much
)

// Rule is a decision rule.
type Rule struct {
	Kind RuleKind `json:"kind"`
	R    float64  `json:"r,omitempty"`    // guard band in U, for GuardBand: 1 is ILAC G8:2009
	Risk float64  `json:"risk,omitempty"` // probability (0 to 0.5) of being beyond the limits, for SpecificRisk
}

// GuardRule is the rule w = r·U; 0 is simple acceptance.
func GuardRule(r float64) Rule {
	if r == 0 {
		return Rule{Kind: SimpleAcceptance}
	}
	return Rule{Kind: GuardBand, R: r}
}

// Check says what is wrong with a rule.
func (r Rule) Check() error {
	switch {
	case r.Kind == SimpleAcceptance:
		return nil
	case r.Kind == GuardBand && finite(r.R):
		return nil
	case r.Kind == SpecificRisk && r.Risk > 0 && r.Risk < 0.5:
		return nil
	case r.Kind == SpecificRisk:
		return fmt.Errorf("a risk of %g is not between 0 and 0.5", r.Risk)
	case r.Kind == GuardBand:
		return fmt.Errorf("a guard band of %g U is not a finite number", r.R)
	}
	return fmt.Errorf("%q is no decision rule", r.Kind)
}

// Verdict is what a rule says of a result, and what it costs. Guard bands are in
// the unit of the result; NaN where they are not known or the limit is open.
type Verdict struct {
	Outcome    Outcome
	Conformity float64 // probability (0 to 1) that the true value is within the limits; NaN where not known
	LowBand    float64 // guard band w inside the lower limit
	HighBand   float64 // the same inside the upper limit
	LowRisk    float64 // probability of being below the lower limit of a result that just passes it
	HighRisk   float64 // the same above the upper limit
}

// Judge applies the rule to a statement: Decide with the guard band on each side.
// For at most so much risk, a result passes when its probability of conformity is
// high enough, and fails when that of not conforming is. A nil limit is open. A
// statement whose interval has no end is invalid, but for simple acceptance.
func Judge(s budget.Statement, low, high *float64, r Rule) Verdict {
	nan := math.NaN()
	v := Verdict{NoLimits, nan, nan, nan, nan, nan}
	switch {
	case r.Check() != nil || !finite(s.X):
		v.Outcome = Invalid
		return v
	case low == nil && high == nil:
		return v
	}
	v.Conformity = s.Conformity(low, high)
	below, above := r.bands(s)
	if low != nil {
		v.LowBand, v.LowRisk = below, s.Below(s.X-below)
	}
	if high != nil {
		v.HighBand, v.HighRisk = above, 1-s.Below(s.X+above)
	}
	if r.Kind == SpecificRisk {
		v.Outcome = r.byRisk(s.X, low, high, v.Conformity)
		return v
	}
	v.Outcome = decideSides(s.X, low, high, below, above)
	return v
}

// bands are the guard bands inside a lower and an upper limit.
func (r Rule) bands(s budget.Statement) (inLow, inHigh float64) {
	switch r.Kind {
	case GuardBand:
		if !s.Finite() {
			return math.NaN(), math.NaN()
		}
		return r.R * (s.X - s.Low), r.R * (s.High - s.X)
	case SpecificRisk:
		return s.RiskBand(r.Risk)
	}
	return 0, 0
}

// byRisk decides by the probability of conformity.
func (r Rule) byRisk(x float64, low, high *float64, conformity float64) Outcome {
	const rounding = 1e-9
	switch {
	case math.IsNaN(conformity):
		return Invalid
	case 1-conformity <= r.Risk+rounding:
		return Pass
	case conformity <= r.Risk+rounding:
		return Fail
	case decideSides(x, low, high, 0, 0) == Pass:
		return ConditionalPass
	}
	return ConditionalFail
}
