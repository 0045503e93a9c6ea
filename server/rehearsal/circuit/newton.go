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
	quickLimit   = 100   // Newton steps before the homotopy
	stride       = 0.3   // V that a Newton step moves a node at most: more overshoots, less creeps
	attempts     = 16    // of both fall-backs, each from elsewhere
)

// Solve finds an operating point, starting from the last one: a circuit with
// more than one state stays in the state it is in as long as that exists.
// It returns ErrNoConvergence where none is found; the elements then hold no
// meaningful values and the next Solve starts cold.
func (c *Circuit) Solve() (*Solution, error) {
	c.build()
	s := &c.sys
	c.sol.Iterations = 0
	copy(s.startHi, s.hi)
	copy(s.startLo, s.lo)
	if c.newton(quickLimit) && c.stable() {
		c.finish(Newton)
		return &c.sol, nil
	}
	for k := range attempts {
		if c.homotopy(k) {
			c.finish(Homotopy)
			return &c.sol, nil
		}
		if c.transient(k) {
			c.finish(PseudoTransient)
			return &c.sol, nil
		}
	}
	c.Forget()
	return nil, ErrNoConvergence
}

func (c *Circuit) finish(m Method) {
	s := &c.sys
	worst := 0.0
	for k := 1; k <= s.nodes; k++ {
		worst = math.Max(worst, math.Abs(s.f[k]))
	}
	c.sol.Method = m
	c.sol.LargestCurrent = s.largest
	c.sol.Residual = worst / math.Max(s.largest, currentFloor)
}

// stable reports whether the state is stable: it tells one from the balance
// point between two states: there the determinant has the other sign.
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

// newton iterates from the present point. It gives up where the steps go round
// in a circle: no further step leads out of it.
func (c *Circuit) newton(limit int) bool {
	s := &c.sys
	var steps lastSteps
	for it := range limit {
		s.turns = len(c.elements)
		if it > 12 {
			s.turns = 1
		}
		c.load()
		if it > 0 && c.converged() {
			return true
		}
		if !s.lu.solve(s.a, s.f, s.dx) {
			return false
		}
		c.sol.Iterations++
		if steps.circle(s.advance(stride)) {
			return false
		}
	}
	return false
}

// lastSteps are the sizes of the last Newton steps, the newest first, as advance
// gives them.
type lastSteps [8]float64

// circle adds a step, and reports whether the last eight are two or four that
// repeat, to 1e-6 of each and far from convergence. In the demonstration lot it
// ends the attempts that fail after 48 steps instead of 99.
func (l *lastSteps) circle(far float64) bool {
	copy(l[1:], l[:])
	l[0] = far
	for k := range 4 {
		if !(math.Abs(l[k]-l[k+4]) <= 1e-6*l[k] && l[k] > 1e-3) {
			return false
		}
	}
	return true
}

// advance moves all variables by dx, but no node by more than most volts, and
// says how far the farthest wanted to go, V or part of its voltage.
func (s *system) advance(most float64) float64 {
	far := 0.0
	for k := 1; k <= s.n; k++ {
		d := s.dx[k]
		if k <= s.nodes {
			far = math.Max(far, math.Abs(d)/(1+math.Abs(s.hi[k])))
			if math.Abs(d) > most {
				d = math.Copysign(most, d)
			}
		}
		s.move(k, d)
	}
	return far
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
