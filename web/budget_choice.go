package web

import (
	"net/url"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"ohmkeep/server/procedure"
)

// WithBudgets is the name in the query of a run's page that picks a result, or all
// of a measurement, whose budget stands on the page; ChooseBudgets stands in a
// measurement's place for the page on which they are picked.
const (
	WithBudgets   = "with"
	ChooseBudgets = "choose"
)

// BudgetKey names a result in a query: what BudgetQuery has behind its mark.
func BudgetKey(r *procedure.Result) string { return strings.TrimPrefix(BudgetQuery(r), "?") }

// MeasurementKey names all results of a measurement in a query.
func MeasurementKey(m int) string { return url.Values{"budget": {strconv.Itoa(m)}}.Encode() }

// choiceHref leads to the page on which budgets are chosen, with those ticked that
// the page has now.
func (p RunProps) choiceHref() templ.SafeURL {
	q := url.Values{"budget": {ChooseBudgets}, WithBudgets: p.Ticked}
	return templ.SafeURL(p.Base + "?" + q.Encode())
}

// measurementPlace is a measurement in the choice of budgets, and budgetPlace a
// result of it; id is unique on the page, value what is sent.
type (
	measurementPlace struct {
		id, name, value string
		results         []budgetPlace
	}
	budgetPlace struct {
		id, value string
		result    *procedure.Result
	}
)

// measurements are the results to choose from, in the order they come, under their
// measurements.
func (p BudgetsProps) measurements() []measurementPlace {
	var out []measurementPlace
	last := -1
	for i := range p.Rows {
		r := &p.Rows[i].Result
		if len(out) == 0 || r.Measurement != last {
			last = r.Measurement
			m := measurementPlace{id: strconv.Itoa(last), name: "Measurement " + strconv.Itoa(last+1), value: MeasurementKey(last)}
			if last < len(p.Record.Procedure.Measurements) {
				m.name = p.Record.Procedure.Measurements[last].Name
			}
			out = append(out, m)
		}
		m := &out[len(out)-1]
		m.results = append(m.results, budgetPlace{id: strconv.Itoa(i), value: BudgetKey(r), result: r})
	}
	return out
}
