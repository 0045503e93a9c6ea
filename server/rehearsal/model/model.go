// Package model holds the invented parts of the rehearsal bench as circuits,
// and the faults that a unit can have.
//
// No model is an existing part. Where a comment calls a figure typical it is
// textbook order of magnitude for its kind, from memory; everything else is
// invented. All quantities are SI.
package model

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/rehearsal/circuit"
)

// Params are the parameters of one unit of a model.
type Params struct {
	// Seed decides every parameter of the unit: the same seed is the same
	// part, bit for bit.
	Seed uint64
	// Temperature of the unit in kelvin; 0 takes the circuit's. A circuit has
	// one temperature: another one is an error.
	Temperature float64
	// Options by key; what is missing has its default.
	Options map[string]float64
}

// Option is a value that a person can choose when seating a unit.
type Option struct {
	Key, Title, Unit  string
	Default, Min, Max float64
}

// Truth is the real values of a unit, by name: what a measurement should find.
// Units are V, A, Ω and S, as the name says.
type Truth map[string]float64

// Model is a kind of part.
type Model struct {
	Key, Title string
	Pins       int
	// GroundPin is where a leaky pin leaks to; 0: the return of the bench.
	GroundPin int
	// PerWatt is the thermal resistance from its junctions to the room, in K/W;
	// 0: it does not warm up. Typical of its package, from memory.
	PerWatt float64
	Options []Option
	// Build places a unit. pins[0] is pin 1.
	Build func(c *circuit.Circuit, pins []circuit.Node, p Params) (Truth, error)
}

// All lists the models.
func All() []Model { return slices.Clone(all) }

// Find looks up a model by key.
func Find(key string) (Model, bool) {
	for _, m := range all {
		if m.Key == key {
			return m, true
		}
	}
	return Model{}, false
}

var all = []Model{
	hexInverter, hexSchmitt, dualAmplifier, regulator, nmos, npn,
	resistorNetwork, io48, checkLoad, shortingPlug, numberedPlug, emptySocket,
}

// maker is the state that a model's builder works with while it places a unit.
type maker struct {
	*spread
	c     *circuit.Circuit
	pins  []circuit.Node
	opts  map[string]float64
	truth Truth
}

// pin is the node of a pin by its number.
func (m *maker) pin(n int) circuit.Node { return m.pins[n-1] }

// building wraps a model's builder with the checks that all builders need.
func building(key string, pins int, options []Option, place func(*maker)) func(*circuit.Circuit, []circuit.Node, Params) (Truth, error) {
	return func(c *circuit.Circuit, nodes []circuit.Node, p Params) (Truth, error) {
		if len(nodes) != pins {
			return nil, fmt.Errorf("%s: %d pins given, it has %d", key, len(nodes), pins)
		}
		if p.Temperature != 0 && p.Temperature != c.Temperature() {
			return nil, fmt.Errorf("%s: %g K asked for in a circuit of %g K", key, p.Temperature, c.Temperature())
		}
		opts, err := choose(key, options, p.Options)
		if err != nil {
			return nil, err
		}
		m := &maker{spread: newSpread(p.Seed, key), c: c, pins: nodes, opts: opts, truth: Truth{}}
		place(m)
		return m.truth, nil
	}
}

// choose completes the options with defaults, and refuses those that are
// unknown or out of range.
func choose(key string, options []Option, given map[string]float64) (map[string]float64, error) {
	out := make(map[string]float64, len(options))
	for _, o := range options {
		out[o.Key] = o.Default
		v, is := given[o.Key]
		if !is {
			continue
		}
		if !(v >= o.Min && v <= o.Max) {
			return nil, fmt.Errorf("%s: %s must be from %g to %g %s, not %g", key, o.Title, o.Min, o.Max, o.Unit, v)
		}
		out[o.Key] = v
	}
	for k := range given {
		if _, is := out[k]; !is {
			return nil, fmt.Errorf("%s: there is no option %q", key, k)
		}
	}
	return out, nil
}

// reference is the temperature at which the models state their parameters, K.
const reference = 300

// warm is the unit's temperature over that at which its parameters are stated.
func (m *maker) warm() float64 { return m.c.Temperature() / reference }

// saturation carries a junction's saturation current from 300 K to the unit's
// temperature: T³·exp(-Eg/kT) with silicon's 1.12 eV (textbook).
func (m *maker) saturation(is float64) float64 {
	const gap = 1.12 // V
	warm, ut := m.warm(), m.c.ThermalVoltage()
	return is * warm * warm * warm * math.Exp(gap/ut*(warm-1))
}

// diode places a diode of which Is is stated at 300 K. It follows the unit's
// temperature.
func (m *maker) diode(anode, cathode circuit.Node, p circuit.DiodeParams) {
	now := func() circuit.DiodeParams { return circuit.DiodeParams{Is: m.saturation(p.Is), N: p.N, Rs: p.Rs} }
	d := m.c.Diode(anode, cathode, now())
	m.c.OnTemperature(func() { d.Set(now()) })
}

// fet places a MOSFET of which everything is stated at 300 K. It follows the
// unit's temperature: the threshold falls by 1 mV/K, the mobility with T^-1.5
// (textbook).
func (m *maker) fet(d, g, s, b circuit.Node, pol circuit.Polarity, p circuit.FETParams) {
	now := func() circuit.FETParams {
		q := p
		q.K, q.Vt = p.K*math.Pow(m.warm(), -1.5), p.Vt-1e-3*reference*(m.warm()-1)
		return q
	}
	t := m.c.FET(d, g, s, b, pol, now())
	m.c.OnTemperature(func() { t.Set(now()) })
}

// bipolar places a bipolar transistor of which Is is stated at 300 K. It
// follows the unit's temperature; the gain does not (a real one gains by
// about 0.5 %/K).
func (m *maker) bipolar(col, base, em circuit.Node, pol circuit.Polarity, p circuit.BJTParams) {
	now := func() circuit.BJTParams {
		q := p
		q.Is = m.saturation(p.Is)
		return q
	}
	t := m.c.BJT(col, base, em, pol, now())
	m.c.OnTemperature(func() { t.Set(now()) })
}
