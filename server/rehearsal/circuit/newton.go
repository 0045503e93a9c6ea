package circuit

import (
	"errors"
	"math"
)

// ErrNoConvergence is returned where every method failed.
var ErrNoConvergence = errors.New("circuit: no operating point found")

const (
	residualGoal = 2e-13 // of the largest current, at every node
	nodeGoal     = 1e-9  // of the currents at the node itself
	branchGoal   = 1e-12 // V, or part of compliance
	currentFloor = 1e-24 // A; less than one electron a day
	quickLimit   = 60    // Newton steps before a fall-back
)

// Solve finds an operating point, starting from the last one: a circuit with
// more than one state stays in the state it is in as long as that exists.
// It returns ErrNoConvergence where none is found; the elements then hold no
// meaningful values and the next Solve starts cold.
func (c *Circuit) Solve() (*Solution, error) {
	c.build()
	s := &c.sys
	c.sol.Iterations = 0
	copy(s.holdHi, s.hi)
	copy(s.holdLo, s.lo)
	for _, m := range []struct {
		name Method
		run  func() bool
	}{{Newton, c.plain}, {PseudoTransient, c.pseudoTransient}, {GminStepping, c.gminStepping}, {SourceStepping, c.sourceStepping}} {
		if m.run() {
			c.sol.Method = m.name
			c.finish()
			return &c.sol, nil
		}
	}
	c.Forget()
	return nil, ErrNoConvergence
}

func (c *Circuit) finish() {
	s := &c.sys
	worst := 0.0
	for k := 1; k <= s.nodes; k++ {
		worst = math.Max(worst, math.Abs(s.f[k]))
	}
	c.sol.LargestCurrent = s.largest
	c.sol.Residual = worst / math.Max(s.largest, currentFloor)
}

func (c *Circuit) plain() bool { return c.newton(quickLimit) && c.stable() }

// stable tells a state that would hold from the balance point between two
// states: there the determinant has the other sign.
func (c *Circuit) stable() bool {
	s := &c.sys
	if len(s.lu.orders) == 0 {
		return true
	}
	want := 1
	if (s.n-s.nodes)%2 == 1 {
		want = -1
	}
	return s.lu.orders[0].sign() == want
}

// newton iterates from the present point.
func (c *Circuit) newton(limit int) bool {
	s := &c.sys
	for it := range limit {
		c.load()
		done := c.converged()
		if done && it > 0 {
			return true
		}
		if !s.lu.solve(s.a, s.f, s.dx) {
			return false
		}
		c.sol.Iterations++
		damp := 1.0
		if it > 20 {
			damp = 0.5 + 0.5*float64(it%3)/2 // break cycles
		}
		for k := 1; k <= s.n; k++ {
			s.move(k, damp*s.dx[k])
		}
	}
	return false
}

func (c *Circuit) converged() bool {
	s := &c.sys
	if s.limited || math.IsNaN(s.largest) {
		return false
	}
	goal := residualGoal * math.Max(s.largest, currentFloor)
	for k := 1; k <= s.nodes; k++ {
		// not (f <= goal), so that NaN is no convergence
		if m := math.Abs(s.f[k]); !(m <= goal && m <= nodeGoal*s.mag[k]+currentFloor) {
			return false
		}
	}
	for k := s.nodes + 1; k <= s.n; k++ {
		if !(math.Abs(s.f[k]) <= branchGoal) {
			return false
		}
	}
	return true
}

func (c *Circuit) restore() {
	s := &c.sys
	copy(s.hi, s.holdHi)
	copy(s.lo, s.holdLo)
	c.forgetDevices()
}

// pseudoTransient lets every node creep from where it was, held by a
// conductance to its last place that fades: the way the real circuit would go
// with a capacitor at every node, so that it ends in a state that holds.
func (c *Circuit) pseudoTransient() bool {
	c.restore()
	s := &c.sys
	defer func() { s.shunt = 0 }()
	copy(s.ref, s.hi)
	for g := 1e-2; g > 1e-16; {
		s.shunt = g
		before := c.sol.Iterations
		if !c.newton(quickLimit / 2) {
			if g *= 20; g > 1e3 {
				return false
			}
			copy(s.hi, s.ref)
			clear(s.lo)
			c.forgetDevices()
			if c.sol.Iterations > 4000 {
				return false
			}
			continue
		}
		copy(s.ref, s.hi)
		if c.sol.Iterations-before < 8 {
			g /= 10
		} else {
			g /= 3
		}
	}
	s.shunt = 0
	return c.newton(quickLimit) && c.stable()
}

// gminStepping starts cold with every node held to ground by a conductance
// that fades.
func (c *Circuit) gminStepping() bool {
	c.Forget()
	s := &c.sys
	defer func() { s.shunt = 0 }()
	clear(s.ref)
	for g := 1.0; g > 1e-16; g /= 3 {
		s.shunt = g
		if !c.newton(quickLimit) {
			return false
		}
	}
	s.shunt = 0
	return c.newton(quickLimit)
}

// sourceStepping raises all sources together from zero.
func (c *Circuit) sourceStepping() bool {
	c.Forget()
	s := &c.sys
	defer func() { s.scale = 1 }()
	at, step := 0.0, 0.05
	for at < 1 {
		copy(s.holdHi, s.hi)
		copy(s.holdLo, s.lo)
		s.scale = math.Min(1, at+step)
		if c.newton(quickLimit) {
			at = s.scale
			step *= 2
			continue
		}
		if step /= 4; step < 1e-7 {
			return false
		}
		c.restore()
	}
	return true
}
