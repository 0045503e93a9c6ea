package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/budget"
)

// Budget is what a result's uncertainty is made of.
type Budget struct {
	DF    float64 `json:"df,omitempty"` // effective degrees of freedom; 0 for as many as one likes
	Lines []Line  `json:"lines"`        // the largest share first
	// Why says why the interval has no end; empty where it has.
	Why string `json:"why,omitempty"`
	// Held are the levels that other pins were held at, as they were read back.
	Held []Held `json:"held,omitempty"`
}

// Line is one contribution to a result's uncertainty.
type Line struct {
	Name         string  `json:"name"`  // "gain of 1A, sensing ±10 mA"
	Class        string  `json:"class"` // what sort of cause it is
	Distribution string  `json:"distribution"`
	Standard     float64 `json:"standard"`     // standard uncertainty of the cause, in its own unit
	DF           float64 `json:"df,omitempty"` // degrees of freedom of that; 0 for as many as one likes
	Sensitivity  float64 `json:"sensitivity"`  // unit of the result per unit of the cause
	Contribution float64 `json:"contribution"` // standard uncertainty that it brings, in the unit of the result
	Share        float64 `json:"share"`        // of the variance, 0 to 1
	Assumed      bool    `json:"assumed,omitempty"`
}

// maxLines is the largest number of contributions that a budget lists, and
// leastShare the least part of the variance of one that stands alone: what is
// smaller moves the interval by less than a part in a million, and stands in one
// line together.
const (
	maxLines   = 24
	leastShare = 1e-6
)

// state says of a result what a statement does.
func (r *Result) state(said *budget.Statement) {
	r.Budget = budgetOf(said)
	if !said.Finite() {
		r.U, r.From, r.To = math.NaN(), math.NaN(), math.NaN()
		return
	}
	r.U, r.K, r.From, r.To = said.U, said.K, said.Low, said.High
}

// open takes away the end of the interval of a value that is only a bound, on the
// side where the truth lies: above it (1), below it (-1), or nobody knows (0).
func (r *Result) open(bound int) {
	if bound >= 0 {
		r.To = math.NaN()
	}
	if bound <= 0 {
		r.From = math.NaN()
	}
}

// budgetOf is a budget as a result carries it. Figures that JSON has no number
// for are 0.
func budgetOf(said *budget.Statement) *Budget {
	out := &Budget{DF: orZero(said.DF), Why: said.Why}
	for i, l := range said.Lines {
		if rest := len(said.Lines) - i; rest > 1 && (l.Share < leastShare || i == maxLines-1) {
			out.Lines = append(out.Lines, together(said.Lines[i:]))
			break
		}
		out.Lines = append(out.Lines, Line{Name: l.Source.Name, Class: string(l.Source.Class), Distribution: distributionOf(l.Source),
			Standard: orZero(l.Source.U), DF: orZero(l.Source.DF), Sensitivity: orZero(l.C), Contribution: orZero(l.Contribution),
			Share: orZero(l.Share), Assumed: l.Source.Assumed})
	}
	return out
}

// distributionOf is how a source is spread, in a word: one with degrees of
// freedom as Student's t whatever it says.
func distributionOf(s *budget.Source) string {
	if finite(s.DF) {
		return budget.Student.String()
	}
	return s.Dist.String()
}

// together are contributions that are too small to be listed, as one line.
func together(lines []budget.Line) Line {
	out := Line{Name: fmt.Sprintf("%d smaller contributions together", len(lines)), Class: string(budget.Model),
		Distribution: budget.Normal.String(), Sensitivity: 1}
	for _, l := range lines {
		out.Contribution = math.Hypot(out.Contribution, orZero(l.Contribution))
		out.Share += orZero(l.Share)
		out.Assumed = out.Assumed || l.Source.Assumed
	}
	out.Standard = out.Contribution
	return out
}

func orZero(v float64) float64 {
	if !finite(v) {
		return 0
	}
	return v
}

// Held is a level that a pin was held at during a measurement, as it was read
// back.
type Held struct {
	Pin   int     `json:"pin"`
	Set   float64 `json:"set"`   // asked for, V
	Value float64 `json:"value"` // at the pin against the part's ground, V
	U     float64 `json:"u"`     // half-width of the interval that holds 95 %, V; 0 where it cannot be said
}
