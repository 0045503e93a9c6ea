package budget

import "math"

// mapping is how the distribution of a statement comes from that of another.
type mapping struct {
	of         Statement
	f, inverse func(float64) float64
	falls      bool
}

// Mapped is what is said of f of the value, for an f that rises or falls all over
// the interval: the interval is that of s seen through f, so it holds the same
// probability and need not be symmetric (a saturation current from its logarithm).
// inverse undoes f, and gives ±Inf for what f does not reach. Uc and contributions
// are to first order. An f that is not finite at an end makes an interval without
// end.
func (s Statement) Mapped(f, inverse func(float64) float64) Statement {
	m := s
	m.X = f(s.X)
	if !s.Finite() {
		return m.endless(s.Why)
	}
	m.Low, m.High = f(s.Low), f(s.High)
	falls := m.Low > m.High
	if falls {
		m.Low, m.High = m.High, m.Low
	}
	if bad(m.X) || bad(m.Low) || bad(m.High) {
		return m.endless("the interval reaches where the result is not finite")
	}
	if !(m.Low <= m.X && m.X <= m.High) {
		return m.endless("the result neither rises nor falls all over the interval")
	}
	small := s.Uc * 1e-3
	slope := (f(s.X+small) - f(s.X-small)) / (2 * small)
	m.Uc = s.Uc * math.Abs(slope)
	m.U = max(m.High-m.X, m.X-m.Low)
	m.K = m.U / m.Uc
	m.Lines = make([]Line, len(s.Lines))
	for i, l := range s.Lines {
		m.Lines[i] = Line{l.Source, l.C * slope, l.Contribution * math.Abs(slope), l.Share}
	}
	m.dist = distribution{mapped: &mapping{s, f, inverse, falls}}
	return m
}

// within is the least and the greatest probability of being between low and high.
func (m *mapping) within(low, high float64) (least, most float64) {
	low, high = m.back(low), m.back(high)
	if m.falls {
		low, high = high, low
	}
	return m.of.Within(low, high)
}

// back is what f makes y of; an end that is open stays open.
func (m *mapping) back(y float64) float64 {
	switch {
	case !math.IsInf(y, 0):
		return m.inverse(y)
	case m.falls:
		return -y
	}
	return y
}

// quantile is the value below which p lies.
func (m *mapping) quantile(p float64) float64 {
	if m.falls {
		p = 1 - p
	}
	return m.f(m.of.Quantile(p))
}
