package circuit

// transient finds an operating point by following the circuit in time: a
// capacitor at every node, implicit Euler steps of growing length. It is quick
// where the homotopy's curve has many folds, but some circuits never come to
// rest.
func (c *Circuit) transient(attempt int) bool {
	const (
		first, last, top = 1e-3, 1e-13, 1e9 // S over the first, last and shortest step
		steps            = 60
	)
	s := &c.sys
	defer func() { s.tie = 0 }()
	c.restart(attempt)
	easy := 2 // steps since one failed
	s.tie = first
	for range steps << min(attempt, 3) {
		copy(s.ref, s.hi)
		copy(s.markLo, s.lo)
		work, ok := c.relax()
		if !ok {
			copy(s.hi, s.ref)
			copy(s.lo, s.markLo)
			easy = 0
			if s.tie *= 5; s.tie > top {
				return false
			}
			continue
		}
		easy++
		switch {
		case easy <= 2 || work > 5:
			s.tie /= 2
		case work <= 3:
			s.tie /= 20
		default:
			s.tie /= 6
		}
		if s.tie < last {
			s.tie = 0
			return c.newton(quickLimit) && c.stable()
		}
	}
	return false
}

// relax solves one time step, to a tenth of a millivolt, and counts its Newton
// steps.
func (c *Circuit) relax() (work int, ok bool) {
	const (
		enough = 1e-4 // V, or part of the voltage
		most   = 10
	)
	s := &c.sys
	for it := 1; it <= most; it++ {
		s.turns = len(c.elements)
		if it > 6 {
			s.turns = 1 // ends the cycles of all turning together
		}
		before := s.turns
		c.load()
		if !s.lu.solve(s.a, s.f, s.dx) {
			return it, false
		}
		c.sol.Iterations++
		if s.advance(1) < enough && s.turns == before {
			return it, c.stable()
		}
	}
	return most, false
}
