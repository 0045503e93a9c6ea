package circuit

import "math"

const (
	tieStart   = 1.0  // S, from every node to where it starts
	tieEnd     = 35.0 // e-foldings after which the ties are gone
	sharpening = 0.6  // e-foldings of the channels' corners for one of the ties
	roundest   = 0.02 // V, or part of compliance, of the corners at the start
	firstArc   = 0.1  // V, A or e-foldings, together
	mostArc    = 3.0
	leastArc   = 1e-7
	mostArcs   = 300 // at first; later attempts may take more
	onCurve    = 1e-6
)

// homotopy finds an operating point along a curve: it ties every node to a
// point by a conductance that fades, and follows the operating point by the
// length of its curve in all variables and in the logarithm of the
// conductance. The curve may turn: where a state ceases to exist the ties grow
// again for a while, so that it leads through every fold to its end, also in a
// circuit that would never come to rest, such as a Schmitt inverter that
// drives its own input.
//
// The sign of the determinant says which way along the curve is forwards, so
// that it arrives with the sign of a state that holds. (Allgower and Georg,
// Introduction to Numerical Continuation Methods, 2003, ch. 2; from memory.)
//
// Each attempt starts elsewhere: where Solve began, at zero, at points strewn
// over the voltages of the usual parts.
func (c *Circuit) homotopy(attempt int) bool {
	s := &c.sys
	defer func() { s.tie, s.round = 0, 0 }()
	c.restart(attempt)
	if !c.begin() {
		return false
	}
	at, arc := 0.0, firstArc
	for range mostArcs << min(attempt, 3) {
		copy(s.markHi, s.hi)
		copy(s.markLo, s.lo)
		next, grow := c.along(at, arc)
		if grow == 0 {
			copy(s.hi, s.markHi)
			copy(s.lo, s.markLo)
			if arc /= 4; arc < leastArc {
				return false
			}
			continue
		}
		at, arc = next, math.Min(arc*grow, mostArc)
		if at >= tieEnd {
			s.tie, s.round = 0, 0
			return c.newton(quickLimit) && c.stable()
		}
	}
	return false
}

// restart sets the point that an attempt starts from and ties to.
func (c *Circuit) restart(attempt int) {
	s := &c.sys
	copy(s.hi, s.startHi)
	copy(s.lo, s.startLo)
	if attempt > 0 {
		clear(s.hi)
		clear(s.lo)
	}
	const spread = 6.0 // V
	for k := range s.hold {
		s.hold[k] = math.Pow(10, -2*strewn(math.Phi, k*attempt))
		if attempt > 1 && k > 0 && k <= s.nodes {
			s.hi[k] = spread * (2*strewn(math.Sqrt2, k*attempt) - 1)
		}
	}
	copy(s.ref, s.hi)
	c.forgetDevices()
}

// strewn is the n-th of a sequence that fills 0 to 1 evenly.
func strewn(irrational float64, n int) float64 {
	_, part := math.Modf(irrational * float64(n))
	return part
}

// begin finds the operating point under the full ties.
func (c *Circuit) begin() bool {
	s := &c.sys
	for range 60 {
		c.tied(0)
		if !s.lu.solve(s.a, s.f, s.dx) {
			return false
		}
		c.sol.Iterations++
		if s.advance(1) < onCurve/10 {
			return true
		}
	}
	return false
}

// tied evaluates at a fade, with the derivative of the equations by it.
func (c *Circuit) tied(at float64) {
	s := &c.sys
	s.turns = len(c.elements)
	s.tie = tieStart * math.Exp(-at)
	s.round = roundest * math.Exp(-sharpening*at)
	clear(s.byFade)
	c.load()
}

// along goes one arc along the curve from the present point, which is on it:
// along its tangent, then back to it at a right angle. It returns the fade at
// the end and how much longer the next arc may be; 0 where the curve was lost.
func (c *Circuit) along(at, arc float64) (next, grow float64) {
	const most = 6 // Newton steps
	s := &c.sys
	forth := c.aim(at)
	if forth == 0 {
		return 0, 0
	}
	for k := 1; k <= s.n; k++ {
		s.move(k, arc*s.tangent[k])
	}
	at += arc * forth
	first, last := 0.0, 0.0
	for it := range most {
		c.tied(at)
		if !s.lu.solve(s.a, s.f, s.dx) || !s.lu.substitute(s.lu.orders[0], s.byFade, s.second) {
			return 0, 0
		}
		c.sol.Iterations++
		num, den := 0.0, forth
		for k := 1; k <= s.n; k++ {
			num += s.tangent[k] * s.dx[k]
			den += s.tangent[k] * s.second[k]
		}
		d := -num / den
		far := math.Abs(d)
		for k := 1; k <= s.n; k++ {
			m := s.dx[k] + d*s.second[k]
			far = math.Max(far, math.Abs(m))
			s.move(k, m)
		}
		at += d
		if !(far < 4*arc+10*onCurve) {
			return 0, 0
		}
		left := far // what the next step would be, as it seems
		if it == 0 {
			first = far
		} else {
			left *= math.Min(1, far/last)
		}
		if last = far; left < onCurve {
			return at, math.Max(0.3, math.Min(3, math.Sqrt(0.25*arc/first)))
		}
	}
	return 0, 0
}

// aim sets the unit tangent of the curve, forwards, and returns its part in
// the fade; 0 where there is none.
func (c *Circuit) aim(at float64) float64 {
	s := &c.sys
	c.tied(at)
	if !s.lu.solve(s.a, s.byFade, s.tangent) {
		return 0
	}
	norm := 1.0
	for _, v := range s.tangent[1:] {
		norm += v * v
	}
	norm = math.Sqrt(norm)
	if !c.stable() {
		norm = -norm
	}
	for k := range s.tangent {
		s.tangent[k] /= norm
	}
	return 1 / norm
}
