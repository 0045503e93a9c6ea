package procedure

import (
	"math"
	"strconv"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// Rule is the decision rule of a procedure: how an outcome follows from a value,
// its interval and its limits. Without either figure it is simple acceptance.
type Rule struct {
	Guard float64 // guard band w as a multiple of U
	Risk  float64 // most probability (0 to 0.5) that what passes is not within its limits
}

// Rule returns the procedure's decision rule.
func (p *Procedure) Rule() Rule { return Rule{p.Guard, p.Risk} }

// RuleKind is which of the decision rules one is.
type RuleKind string

// The decision rules.
const (
	RuleSimple RuleKind = "simple" // limits as they stand
	RuleU      RuleKind = "u"      // w = U
	RuleTimes  RuleKind = "times"  // w = r·U
	RuleRisk   RuleKind = "risk"   // at most so much specific risk
)

// Kind says which rule it is.
func (r Rule) Kind() RuleKind {
	switch {
	case r.Risk != 0:
		return RuleRisk
	case r.Guard == 0:
		return RuleSimple
	case r.Guard == 1:
		return RuleU
	}
	return RuleTimes
}

// Name is the rule in a few words: "guard band w = U".
func (r Rule) Name() string {
	switch {
	case r.Risk > 0:
		return "at most " + percent(r.Risk) + " specific risk"
	case r.Guard == 0:
		return "simple acceptance"
	case r.Guard == 1:
		return "guard band w = U"
	}
	return "guard band w = " + strconv.FormatFloat(r.Guard, 'g', 4, 64) + " U"
}

// Words is the rule in a sentence, with what it accepts falsely.
func (r Rule) Words() string {
	falsely := "a value that just passes is beyond its limit with a probability of up to " + percent(r.FalseAccept()) + "."
	switch {
	case r.Risk > 0:
		return "A value passes where it is beyond its limits with a probability of at most " + percent(r.Risk) + ", by the distribution of its own errors."
	case r.Guard == 0:
		return "Limits are applied as they stand, without a guard band: " + falsely
	case r.Guard == 1:
		return "Outcomes keep a guard band of the expanded uncertainty U: " + falsely
	}
	return "Outcomes keep a guard band of " + strconv.FormatFloat(r.Guard, 'g', 4, 64) + " times the expanded uncertainty U: " + falsely
}

// FalseAccept is the probability that the true value is beyond a single limit
// where the value is the last that passes, for a normal error of which U holds
// 95 %. Source: JCGM 106:2012, 8.3.
func (r Rule) FalseAccept() float64 {
	if r.Risk > 0 {
		return r.Risk
	}
	limit := 0.0
	return 1 - budget.ConformityNormal(-r.Guard, budget.Normal.FromHalfWidth(1), nil, &limit)
}

// Limited reports whether a result of the measurement has a limit.
func (m *Measurement) Limited() bool {
	for _, l := range m.Limits {
		if l.Low != nil || l.High != nil {
			return true
		}
	}
	return false
}

// percent writes a probability with two digits: "2.5 %"; what rounds to all of it
// is "100 %".
func percent(p float64) string {
	if p >= 0.995 {
		return "100 %"
	}
	return strconv.FormatFloat(p*100, 'g', 2, 64) + " %"
}

// untrusted are the flags that make a value say nothing about its limits.
const untrusted = bench.OverRange | bench.NotSettled | bench.AfterFault

// judge holds a result against its limits. A value that rests on a reading at
// its compliance is no measure of the set condition and therefore invalid,
// except where it is beyond a limit already and the truth lies further out: see
// decideBound. Without limits nothing can be invalid: the result says itself that
// it cannot be trusted.
func (k *kit) judge(r *Result, v *value, said *stated) {
	limited := r.Low != nil || r.High != nil
	switch {
	case v.flags&untrusted != 0 || v.lost != "":
		r.Outcome = derive.Invalid
	case v.only || v.flags.Has(bench.InCompliance):
		k.rule.decideBound(r, v.bound, said)
	case !limited:
		r.Outcome = derive.NoLimits
	case math.IsNaN(r.U):
		r.Outcome = derive.Invalid
	default:
		k.rule.decide(r, said)
	}
	if r.Outcome == derive.Invalid && !limited {
		r.Outcome = derive.Untrusted
	}
}

// decide applies the rule to a value that can be trusted. A value without any
// uncertainty, such as a count, is within its limits or it is not.
func (r Rule) decide(x *Result, said *stated) {
	within, w := 1.0, r.Guard*x.U
	beyond := derive.Decide(x.Value, 0, x.Low, x.High, 0) != derive.Pass
	if beyond {
		within = 0
	}
	most := within
	if x.U > 0 {
		within, most = said.ConformityRange(x.Low, x.High)
		if r.Risk > 0 {
			w = riskBand(said, r.Risk, x.Low, x.High)
		}
	} else if r.Risk > 0 {
		w = 0
	}
	if math.IsNaN(within) || math.IsNaN(w) {
		x.Outcome = derive.Invalid // limits that make no sense
		return
	}
	x.Conformity, x.Band = &within, &w
	if r.Risk == 0 {
		x.Outcome = derive.Decide(x.Value, x.U, x.Low, x.High, r.Guard)
		return
	}
	if !beyond { // the least, since it is to pass for certain; beyond, it is to fail so
		most = within
	}
	x.Outcome = derive.DecideRisk(x.Value, most, x.Low, x.High, r.Risk)
}

// decideBound applies the rule to a value that the truth lies above (1) or below
// (-1), or on a side that nobody knows (0). Against the limit on that side it is
// judged as any other, since it may itself be off: as the truth lies further out,
// that is the least that can be said. Within the limit nothing can be said, and
// with which probability the truth conforms never can.
func (r Rule) decideBound(x *Result, bound int, said *stated) {
	against := *x
	if bound >= 0 {
		against.Low = nil
	}
	if bound <= 0 {
		against.High = nil
	}
	x.Outcome = derive.Invalid
	if against.Low == nil && against.High == nil {
		return
	}
	r.decide(&against, said)
	if o := against.Outcome; o == derive.Fail || o == derive.ConditionalFail {
		x.Outcome, x.Band = o, against.Band
	}
}

// riskBand is how far inside its limits a value with these errors must lie, the
// larger where the sides differ.
func riskBand(said *stated, risk float64, low, high *float64) float64 {
	inLow, inHigh := said.RiskBand(risk)
	switch {
	case low == nil:
		return inHigh
	case high == nil:
		return inLow
	}
	return max(inLow, inHigh)
}
