package procedure

import (
	"math"

	"ohmkeep/server/budget"
)

// transform is a function that rises or falls all along, so that the ends of an
// interval stay its ends: it turns a logarithm or a slope back into what it is of.
type transform struct {
	of, slope func(x float64) float64
	back      func(y float64) float64 // inverse; infinite beyond all values
	falls     bool
}

// exponential is for the logarithm of a value.
var exponential = &transform{of: math.Exp, slope: math.Exp, back: func(y float64) float64 {
	if y <= 0 {
		return math.Inf(-1)
	}
	return math.Log(y)
}}

// inverted is one over a value with the sign of x, which cannot be zero.
func inverted(x float64) *transform {
	return &transform{
		of:    func(x float64) float64 { return 1 / x },
		slope: func(x float64) float64 { return -1 / (x * x) },
		back: func(y float64) float64 {
			if y*x <= 0 {
				return math.Inf(sign(x))
			}
			return 1 / y
		},
		falls: true,
	}
}

// stated is what is said of a value, and what turns it into the result.
type stated struct {
	budget.Statement
	through *transform
}

// shown is the statement of the result itself. Its probabilities are those of
// the value: see ConformityRange and RiskBand.
func (s *stated) shown() *budget.Statement {
	said, t := s.Statement, s.through
	if t == nil || !said.Finite() {
		return &said
	}
	slope := math.Abs(t.slope(said.X))
	said.X, said.Low, said.High = t.of(said.X), t.of(said.Low), t.of(said.High)
	if t.falls {
		said.Low, said.High = said.High, said.Low
	}
	said.U, said.Uc = max(said.High-said.X, said.X-said.Low), said.Uc*slope
	said.K = said.U / said.Uc
	lines := make([]budget.Line, len(said.Lines))
	for i, l := range said.Lines {
		lines[i] = budget.Line{Source: l.Source, C: l.C * t.slope(s.X), Contribution: l.Contribution * slope, Share: l.Share}
	}
	said.Lines = lines
	return &said
}

// end is what a limit of the result is for the value; one that is open stays so.
func (s *stated) end(limit *float64, open float64) float64 {
	if limit != nil {
		return s.through.back(*limit)
	}
	if s.through.falls {
		return -open
	}
	return open
}

// ConformityRange is the probability (0 to 1) that the result is truly within the
// limits, of which a nil one is open: the least and the most that errors which
// only have a bound allow. NaN where that cannot be said.
func (s *stated) ConformityRange(low, high *float64) (least, most float64) {
	least, most = s.Statement.ConformityRange(low, high) // what makes no sense makes none
	if s.through == nil || math.IsNaN(least) {
		return least, most
	}
	from, to := s.end(low, math.Inf(-1)), s.end(high, math.Inf(1))
	if s.through.falls {
		from, to = to, from
	}
	return s.Within(from, to)
}

// Conformity is the least of that.
func (s *stated) Conformity(low, high *float64) float64 {
	least, _ := s.ConformityRange(low, high)
	return least
}

// RiskBand is how far inside an upper and a lower limit a result like this one
// must lie so that it is truly beyond that limit with probability risk (0 to 0.5)
// at most.
func (s *stated) RiskBand(risk float64) (inLow, inHigh float64) {
	if s.through == nil {
		return s.Statement.RiskBand(risk)
	}
	if !(risk > 0 && risk < 0.5) {
		return math.NaN(), math.NaN()
	}
	low, high := s.through.of(s.Quantile(risk)), s.through.of(s.Quantile(1-risk))
	if s.through.falls {
		low, high = high, low
	}
	y := s.through.of(s.X)
	return y - low, high - y
}
