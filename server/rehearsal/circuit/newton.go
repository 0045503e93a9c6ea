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
	quickLimit   = 50    // Newton steps before a fall-back
)

// methods in the order of trying. Scaled, the pseudo-transient is quick;
// unscaled it is nearer to a real circuit, with one capacitance everywhere.
var methods = []struct {
	name Method
	run  func(*Circuit) bool
}{
	{Newton, (*Circuit).plain},
	{PseudoTransient, func(c *Circuit) bool { return c.transient(pace{scaled: true, steps: 12, most: 10}) }},
	{PseudoTransient, func(c *Circuit) bool { return c.transient(pace{steps: 12, most: 10}) }},
	{PseudoTransient, func(c *Circuit) bool { return c.fromCold() && c.transient(pace{scaled: true, steps: 12, most: 10}) }},
	{PseudoTransient, func(c *Circuit) bool { return c.transient(pace{steps: 12, most: 10}) }},
	{PseudoTransient, uneven(1)},
	{PseudoTransient, uneven(2)},
	{PseudoTransient, uneven(3)},
	{PseudoTransient, uneven(4)},
	{PseudoTransient, uneven(5)},
	{PseudoTransient, uneven(6)},
	{GminStepping, (*Circuit).gminStepping},
	{SourceStepping, (*Circuit).sourceStepping},
}

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
	for _, m := range methods {
		if m.run(c) {
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
		s.turns = len(c.elements)
		if it > 12 {
			s.turns = 0
			if it%3 == 0 {
				s.turns = 1
			}
		}
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
		if it > 25 && it%4 == 3 {
			damp = 0.5 // breaks cycles
		}
		for k := 1; k <= s.n; k++ {
			d := damp * s.dx[k]
			if k <= s.nodes && it > 40 {
				// A node without hold for a moment must not be lost for good.
				if most := 3 * math.Max(1, math.Abs(s.hi[k])); math.Abs(d) > most {
					d = math.Copysign(most, d)
					s.limited = true
				}
			}
			s.move(k, d)
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

// pace is how boldly a pseudo-transient goes: by each node's own conductance
// or by one for all, so many Newton steps for a time step, time steps growing
// so much at once at most.
type pace struct {
	uneven int // not 0: conductances spread over decades, each time otherwise
	scaled bool
	steps  int
	most   float64
}

// uneven is for what would not come to rest as a real circuit either, such as
// an odd number of inverters in a ring: with one node much slower than the
// rest it does.
func uneven(k int) func(*Circuit) bool {
	return func(c *Circuit) bool { return c.fromCold() && c.transient(pace{uneven: k, steps: 12, most: 10}) }
}

// transient lets every node creep from where it was, held to its last
// place by a conductance that fades: implicit Euler steps of growing length
// with a capacitor at every node. It goes the way that the real circuit would
// go, past places where a state ceases to exist, and ends in one that holds.
func (c *Circuit) transient(p pace) bool {
	c.restore()
	s := &c.sys
	defer func() { s.shunt = 0 }()
	copy(s.ref, s.hi)
	c.load()
	copy(s.hold, s.a[:s.nodes+1])
	g, last := 1.0, 1e-6
	if !p.scaled {
		last = Insulation / 10
		for k := range s.hold {
			_, part := math.Modf(math.Phi * float64(k*p.uneven))
			s.hold[k] = math.Pow(10, -8*part)
		}
	}
	for range 400 {
		s.shunt = g
		steps, ok := c.relax(p.steps)
		if !ok {
			copy(s.hi, s.ref)
			clear(s.lo)
			if g *= 10; g > 1e12 {
				return false
			}
			continue
		}
		copy(s.ref, s.hi)
		for k := 1; k <= s.nodes && p.scaled; k++ {
			s.hold[k] = math.Max(s.a[k]-g*s.hold[k], Insulation)
		}
		switch {
		case g < last:
			s.shunt = 0
			return c.newton(quickLimit)
		case steps <= 4:
			g /= p.most
		case steps <= 7:
			g /= math.Min(3, p.most)
		default:
			g /= 1.4
		}
	}
	return false
}

// relax is newton to a tenth of a millivolt, for points on the way.
func (c *Circuit) relax(limit int) (steps int, ok bool) {
	const enough = 1e-4 // V
	s := &c.sys
	for it := range limit {
		s.turns = len(c.elements)
		c.load()
		if !s.lu.solve(s.a, s.f, s.dx) {
			return it, false
		}
		c.sol.Iterations++
		most := 0.0
		for k := 1; k <= s.n; k++ {
			s.move(k, s.dx[k])
			if k <= s.nodes {
				most = math.Max(most, math.Abs(s.dx[k])/(1+math.Abs(s.hi[k])))
			}
		}
		if most < enough && !s.limited && s.turns == len(c.elements) {
			return it + 1, true
		}
	}
	return limit, false
}

// fromCold makes zero the point that the next methods start from.
func (c *Circuit) fromCold() bool {
	clear(c.sys.holdHi)
	clear(c.sys.holdLo)
	return true
}

// gminStepping starts cold with every node held to ground by a conductance
// that fades.
func (c *Circuit) gminStepping() bool {
	c.Forget()
	s := &c.sys
	defer func() { s.shunt = 0 }()
	clear(s.ref)
	for k := range s.hold {
		s.hold[k] = 1
	}
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
