package derive

import (
	"math"

	"ohmkeep/server/budget"
)

// RatioUncertainty returns v/i and its standard uncertainty for standard
// uncertainties uv and ui and correlation r (-1 to 1): a resistance in Ω from V
// and A. NaN where i is 0. Where the sources are known, budget.Value.Div says
// more.
func RatioUncertainty(v, uv, i, ui, r float64) (ratio, u float64) {
	if i == 0 {
		return math.NaN(), math.NaN()
	}
	shared := budget.NewSource("voltage", budget.Model, budget.Normal, 1)
	own := budget.NewSource("current alone", budget.Model, budget.Normal, 1)
	a := budget.Exact(v).With(shared, uv)
	b := budget.Exact(i).With(shared, r*ui).With(own, ui*math.Sqrt(1-r*r))
	q := a.Div(b)
	return q.X, q.Uc()
}
