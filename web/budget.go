package web

import (
	"fmt"
	"math"
	"net/url"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// BudgetsProps is the page of what the uncertainty of some results of a run is
// made of.
type BudgetsProps struct {
	Page   Page
	Base   string // of the run's page: "/runs/<id>" or "/s/<token>"
	Record procedure.Record
	Rows   []BudgetRow
	One    bool // it is of one result, asked for by name
	Within bool // they stand within the page of the run
	// Ticked are the results and measurements that are chosen to be printed, by key.
	Ticked map[string]bool
}

// BudgetRow is one result with its budget.
type BudgetRow struct {
	Result     procedure.Result
	Better     []procedure.Improvement // where they were asked for
	NotCounted []string
}

// AllBudgets stands in a measurement's place for all of them.
const AllBudgets = "all"

// BudgetQuery returns the query that picks the budget of a result. It is one of
// the run's page, so that it also leads on from a share link.
func BudgetQuery(r *procedure.Result) string {
	q := url.Values{"budget": {strconv.Itoa(r.Measurement)}, "key": {r.Key}}
	if r.Pin != 0 {
		q.Set("pin", strconv.Itoa(r.Pin))
	}
	if r.Group != "" {
		q.Set("group", r.Group)
	}
	if r.Condition != "" {
		q.Set("condition", r.Condition)
	}
	return "?" + q.Encode()
}

func (p RunProps) budgetHref(r *procedure.Result) templ.SafeURL {
	return templ.SafeURL(p.Base + BudgetQuery(r))
}

func (p RunProps) budgetsHref(which string) templ.SafeURL {
	return templ.SafeURL(p.Base + "?budget=" + which)
}

func (p BudgetsProps) csvHref() templ.SafeURL { return templ.SafeURL(p.Base + "/budgets.csv") }

// budgetName names a result for those who do not see its row.
func budgetName(p RunProps, r *procedure.Result) string {
	s := "What the uncertainty of " + r.Name
	if pin := resultPin(*r, &p.Record.Device); pin != "" {
		s += ", pin " + pin
	}
	if r.Group != "" {
		s += ", " + r.Group
	}
	return s + " is made of"
}

// intervalWords is the interval of a result that is not symmetric, "" for one
// that is.
func intervalWords(r *procedure.Result) string {
	low, high := r.Value-r.From, r.To-r.Value
	if !(r.U > 0) || math.IsNaN(low) || math.IsNaN(high) || math.Abs(low-high) <= 0.02*r.U {
		return ""
	}
	return quantity.FormatU(r.From, r.U, r.Unit) + " to " + quantity.FormatU(r.To, r.U, r.Unit)
}

// conformityWords is the probability that a result is within its limits, ""
// where that is not known. It never reads as certain.
func conformityWords(r *procedure.Result) string {
	if r.Conformity == nil {
		return ""
	}
	switch p := 100 * *r.Conformity; {
	case p > 99.99 && r.U > 0:
		return "over 99.99 %"
	case p < 0.01 && r.U > 0:
		return "under 0.01 %"
	case p > 99:
		return strconv.FormatFloat(p, 'f', 2, 64) + " %"
	default:
		return strconv.FormatFloat(p, 'f', 1, 64) + " %"
	}
}

// bandWords is the guard band that was kept, "" where none was.
func bandWords(r *procedure.Result) string {
	if r.Band == nil || *r.Band == 0 {
		return ""
	}
	return "w = " + quantity.Format(*r.Band, r.Unit, 2)
}

// heldOnce returns the levels that all results of a measurement were taken at, ""
// where they differ or there are none.
func heldOnce(p RunProps, results []procedure.Result) string {
	words := ""
	for i := range results {
		w := procedure.HeldWords(results[i].HeldLevels(), &p.Record.Device)
		if i > 0 && w != words {
			return ""
		}
		words = w
	}
	return words
}

// factorWords says how far the interval reaches, and why so far.
func factorWords(r *procedure.Result) string {
	if r.K == 0 {
		return ""
	}
	s := fmt.Sprintf("k = %.3g", r.K)
	switch b := r.Budget; {
	case b == nil:
	case b.DF > 0:
		s += fmt.Sprintf(", %.3g effective degrees of freedom", b.DF)
	default:
		s += ", degrees of freedom without end"
	}
	return s
}

// dominantWords says which contribution dominates.
func dominantWords(b *procedure.Budget) string {
	if b == nil || len(b.Lines) == 0 {
		return ""
	}
	l := b.Lines[0]
	switch {
	case l.Share >= 0.5:
		return "It is mostly the " + l.Name + ": " + shareWords(l.Share) + " of the variance."
	case len(b.Lines) > 1:
		return "No one cause dominates: the largest are the " + l.Name + " and the " + b.Lines[1].Name + "."
	}
	return "The largest cause is the " + l.Name + "."
}

func shareWords(share float64) string {
	switch p := 100 * share; {
	case p >= 10:
		return fmt.Sprintf("%.0f %%", p)
	case p >= 0.1:
		return fmt.Sprintf("%.1f %%", p)
	}
	return "under 0.1 %"
}

// sensitivityWords is a sensitivity without its unit, which follows from those of
// the cause and of the result.
func sensitivityWords(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }

// causeText is the standard uncertainty of a cause, in its own unit where that is
// known.
func causeText(l *procedure.Line) string {
	unit, times := causeUnit(l)
	switch {
	case l.Standard == 0:
		return "not known"
	case unit == quantity.One:
		return strconv.FormatFloat(l.Standard, 'g', 3, 64)
	}
	return quantity.Format(times*l.Standard, unit, 3)
}

// causeUnit is the unit of a cause, and what its standard uncertainty is to be
// multiplied by: a gain is a part, shown in percent. What is of a range has the
// unit that the range's name ends with.
func causeUnit(l *procedure.Line) (quantity.Unit, float64) {
	switch budget.Class(l.Class) {
	case budget.Gain:
		return quantity.Percent, 100
	case budget.Path, budget.Contact:
		return quantity.Ohm, 1
	case budget.Correction:
		return correctionUnit(l.Name)
	case budget.HeldLevel, budget.Return, budget.ThermalVoltage:
		return quantity.Volt, 1
	case budget.ForcedLevel:
		return quantity.Siemens, 1
	case budget.Leakage:
		if strings.HasPrefix(l.Name, "potential") {
			return quantity.Volt, 1
		}
		return quantity.Siemens, 1
	case budget.Offset, budget.Step, budget.Noise, budget.Scatter:
		return rangesUnit(l.Name)
	}
	return quantity.One, 1
}

// rangesUnit is the unit that a range's name ends with.
func rangesUnit(name string) (quantity.Unit, float64) {
	for _, unit := range []quantity.Unit{quantity.Volt, quantity.Ampere, quantity.Ohm} {
		if strings.HasSuffix(name, string(unit)) {
			return unit, 1
		}
	}
	return quantity.One, 1
}

// correctionUnit is causeUnit of what is left of a correction: of a path's
// resistance, or of a range's gain or offset.
func correctionUnit(name string) (quantity.Unit, float64) {
	switch name = strings.TrimSuffix(name, " since it was measured"); {
	case strings.Contains(name, " of the resistance of "):
		return quantity.Ohm, 1
	case strings.Contains(name, " of the gain of "):
		return quantity.Percent, 100
	}
	return rangesUnit(name)
}

// budgetTitle names the result of a budget.
func budgetTitle(rec *procedure.Record, r *procedure.Result) string {
	if pin := resultPin(*r, &rec.Device); pin != "" {
		return r.Name + ", pin " + pin
	}
	return r.Name
}

func dfText(df float64) string {
	if df == 0 {
		return "∞"
	}
	return strconv.FormatFloat(df, 'g', 3, 64)
}

// improvementWords is one change with its figures: "four wires instead of two:
// ± 9.8 Ω → ± 0.4 Ω".
func improvementWords(r *procedure.Result, i *procedure.Improvement) string {
	return i.What + ": ± " + quantity.Format(r.U, r.Unit, 2) + " → ± " + quantity.Format(i.U, r.Unit, 2)
}

// judgedWords says by which rule a result was judged and with what certainty.
func judgedWords(rec *procedure.Record, r *procedure.Result) string {
	if r.Low == nil && r.High == nil {
		return ""
	}
	s := "Limits " + limitWords(r.Low, r.High, r.Unit) + ", judged by: " + rec.Procedure.Rule().Name()
	if w := bandWords(r); w != "" {
		s += ", " + w
	}
	if c := conformityWords(r); c != "" {
		s += "; within its limits with a probability of " + c
	}
	return s + "."
}

// trusted reports whether a result's number may be shown as one that says
// something.
func trusted(o derive.Outcome) bool { return o != derive.Invalid && o != derive.Untrusted }
