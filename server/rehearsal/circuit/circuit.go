// Package circuit solves nonlinear DC circuits by modified nodal analysis and
// Newton's method.
//
// All quantities are SI: volt, ampere, ohm, siemens, kelvin. A current is
// counted positive where it leaves a node into an element.
//
// Node voltages are kept as unevaluated sums of two float64 values. The
// difference of two nodes is then known to full relative precision even where
// they are nearly equal, so that Kirchhoff's current law closes to rounding of
// the currents themselves: 1 pA through 50 Ω at 5 V is otherwise lost in the
// last bit of the 5 V.
package circuit

import "math"

// Node is a place where elements meet.
type Node int

// Ground is the return, 0 V.
const Ground Node = 0

// Insulation is the conductance from every node to ground, in siemens. It is
// the only part of the circuit nobody placed: it gives a floating node a
// voltage (1 PΩ; 5 fA at 5 V).
const Insulation = 1e-15

// Boltzmann constant over elementary charge, V/K (SI Brochure, 9th ed.: both exact).
const boltzmannPerCharge = 1.380649e-23 / 1.602176634e-19

// Element is a part of the circuit. All elements are made by methods of
// Circuit; their values may be changed between solves.
type Element interface {
	wire(w *wiring)
	stamp(s *system)
}

// forgetter is an element that remembers its last operating point, and can
// forget it.
type forgetter interface{ forget() }

// Circuit is a set of nodes and elements. It is not safe for concurrent use.
type Circuit struct {
	temperature float64
	onChange    []func() // of the temperature
	names       map[string]Node
	nodes       int // including ground
	elements    []Element
	sys         system
	built       bool
	sol         Solution
}

// New returns an empty circuit at a temperature in kelvin.
func New(temperature float64) *Circuit {
	c := &Circuit{temperature: temperature, names: map[string]Node{}, nodes: 1}
	c.sol.c = c
	return c
}

// Temperature is the temperature of all elements, in kelvin.
func (c *Circuit) Temperature() float64 { return c.temperature }

// OnTemperature has f called after every change of the temperature, so that
// whoever placed an element can give it the values that it now has.
func (c *Circuit) OnTemperature(f func()) { c.onChange = append(c.onChange, f) }

// SetTemperature changes the temperature of all elements, in kelvin. The last
// solution stays, as the start of the next.
func (c *Circuit) SetTemperature(kelvin float64) {
	if kelvin == c.temperature {
		return
	}
	c.temperature = kelvin
	for _, f := range c.onChange {
		f()
	}
}

// ThermalVoltage is kT/e in volt.
func (c *Circuit) ThermalVoltage() float64 { return boltzmannPerCharge * c.temperature }

// Node finds the node of this name, or makes it.
func (c *Circuit) Node(name string) Node {
	if n, ok := c.names[name]; ok {
		return n
	}
	n := c.NewNode()
	c.names[name] = n
	return n
}

// NewNode makes a node without a name.
func (c *Circuit) NewNode() Node {
	n := Node(c.nodes)
	c.nodes++
	c.built = false
	return n
}

// Nodes is the number of nodes, ground included.
func (c *Circuit) Nodes() int { return c.nodes }

// Unknowns is the size of the system of equations.
func (c *Circuit) Unknowns() int { c.build(); return c.sys.n }

func (c *Circuit) add(e Element) {
	c.elements = append(c.elements, e)
	c.built = false
}

// Forget drops the last solution: the next Solve starts cold, with every node at 0 V.
func (c *Circuit) Forget() {
	c.build()
	clear(c.sys.hi)
	clear(c.sys.lo)
	c.forgetDevices()
}

func (c *Circuit) forgetDevices() {
	for _, e := range c.elements {
		if f, ok := e.(forgetter); ok {
			f.forget()
		}
	}
}

// Solution is the last operating point of a circuit. It is the circuit's own
// and changes with the next Solve.
type Solution struct {
	c *Circuit
	// Residual is the largest sum of currents at any node over the largest
	// branch current.
	Residual float64
	// LargestCurrent is the largest current through any element, A.
	LargestCurrent float64
	// Iterations counts the Newton steps, those of fall-backs included.
	Iterations int
	// Method says what brought the solution.
	Method Method
}

// Method is the way a solution was reached.
type Method string

// The methods, in the order in which Solve tries them.
const (
	Newton          Method = "newton"
	Homotopy        Method = "homotopy"         // every node tied to a point by a conductance that fades
	PseudoTransient Method = "pseudo-transient" // a capacitor at every node
)

// V is the voltage of a node against ground, V.
func (s *Solution) V(n Node) float64 { return s.c.sys.hi[n] }

// Between is the voltage from a to b, exact to the last bit even where both are large.
func (s *Solution) Between(a, b Node) float64 { return s.c.sys.diff(int(a), int(b)) }

// Thevenin is the small-signal resistance from a node to ground, in ohm, at
// the operating point.
func (s *Solution) Thevenin(n Node) float64 {
	if n == Ground {
		return 0
	}
	return s.c.sys.inputResistance(int(n))
}

// Floating reports whether nothing but Insulation (or leakage below 10 fS)
// holds the node.
func (s *Solution) Floating(n Node) bool { return s.Thevenin(n) > 1e14 }

// Conductance is the small-signal conductance from a node to ground, S, at the
// last operating point; +Inf for a node held at a fixed voltage.
func (c *Circuit) Conductance(n Node) float64 {
	r := c.sol.Thevenin(n)
	if r <= 0 {
		return math.Inf(1)
	}
	return 1 / r
}
