package form

import (
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// ruleValues enters a procedure's decision rule into the form.
func ruleValues(v url.Values, r procedure.Rule) {
	v.Set("guard", quantity.Exact(r.Guard, quantity.One))
	v.Set("rule", string(r.Kind()))
	if r.Risk != 0 {
		v.Set("risk", quantity.Exact(shifted(r.Risk, 2), quantity.Percent))
	}
}

// rule reads the decision rule. A form without the field rule means a multiple
// of U.
func (r *Reader) rule() (guard, risk float64) {
	rule := r.document("rule")
	switch procedure.RuleKind(rule.Text) {
	case procedure.RuleSimple:
		return 0, 0
	case procedure.RuleU:
		return 1, 0
	case procedure.RuleRisk:
		return 0, shifted(r.NeedQuantity(r.document("risk"), quantity.Percent), -2)
	case procedure.RuleTimes, "":
		return r.NeedQuantity(r.document("guard"), quantity.One), 0
	}
	r.Fail(rule, "is not one of %s", strings.Join([]string{string(procedure.RuleSimple), string(procedure.RuleU),
		string(procedure.RuleTimes), string(procedure.RuleRisk)}, ", "))
	return 0, 0
}

// shifted moves the decimal point of a number, without a rounding of its own.
func shifted(v float64, places int) float64 {
	digits, exp, _ := strings.Cut(strconv.FormatFloat(v, 'e', -1, 64), "e")
	n, err := strconv.Atoi(exp)
	if err != nil {
		return v // no number, or an infinite one
	}
	out, _ := strconv.ParseFloat(digits+"e"+strconv.Itoa(n+places), 64)
	return out
}
