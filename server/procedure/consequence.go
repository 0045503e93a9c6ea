package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/budget"
)

// forecast works out what the decision rule does to a predicted result: how much
// of the limits' width it gives away, and what it accepts falsely of a part that
// is just beyond them.
func (p *Prediction) forecast(r Rule, width float64) {
	p.FalseAccept = r.FalseAccept()
	if p.Band == nil || !(width > 0) {
		return
	}
	sides := 0.0
	for _, l := range []*float64{p.Low, p.High} {
		if l != nil {
			sides++
		}
	}
	p.Given = sides * *p.Band / width
	if said := p.Budget.value(p.Value).State(budget.Coverage); r.Risk == 0 && said.Finite() {
		p.FalseAccept = 1 - said.Below(p.Value+*p.Band)
	}
}

// Consequence is in words what the decision rule does to the result.
func (p *Prediction) Consequence() string {
	accepts := "accepts up to " + percent(p.FalseAccept) + " of what is just beyond a limit"
	switch {
	case p.Band == nil:
		return "nothing can be judged by it"
	case p.Given >= 1:
		return fmt.Sprintf("w = %s leaves no room between the limits: nothing can pass", say(*p.Band, p.Unit))
	case p.Given == 0:
		return "gives nothing of the limits away, and " + accepts
	}
	return fmt.Sprintf("w = %s gives away %s of the limits' width, and %s", say(*p.Band, p.Unit), percent(p.Given), accepts)
}

// value is an estimate with the contributions of a budget, each a source of its
// own.
func (b *Budget) value(x float64) budget.Value {
	v := budget.Exact(x)
	if b == nil {
		return v
	}
	for _, l := range b.Lines {
		v = v.With(l.source(1), 1)
	}
	return v
}

// source is the cause of a line with its contribution times a part.
func (l *Line) source(part float64) *budget.Source {
	s := budget.NewSource(l.Name, budget.Class(l.Class), budget.Normal, l.Contribution*part)
	for _, d := range []budget.Distribution{budget.Rectangular, budget.Triangular, budget.Arcsine, budget.Student, budget.Bounded} {
		if d.String() == l.Distribution {
			s.Dist = d
		}
	}
	if l.DF > 0 {
		s.DF = l.DF
	} else if s.Dist == budget.Student {
		s.Dist, s.DF = budget.Normal, math.Inf(1)
	}
	s.Assumed = l.Assumed
	return s
}
