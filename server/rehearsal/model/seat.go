package model

import (
	"fmt"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

// The kinds of fault that a unit can have.
const (
	OpenBond          = "open-bond"          // Pin has no wire to the die
	PinsShorted       = "pins-shorted"       // Value Ω between Pin and Pin2
	LeakyPin          = "leaky-pin"          // Value Ω from Pin to the part's ground
	ContactResistance = "contact-resistance" // Value Ω more between socket and Pin
	SwappedContacts   = "swapped-contacts"   // Pin and Pin2 sit in each other's place
)

// FaultKinds lists what can be wrong with a unit.
func FaultKinds() []bench.FaultKind {
	return []bench.FaultKind{
		{Kind: OpenBond, Title: "open bond", Fields: []string{"pin"}},
		{Kind: PinsShorted, Title: "pins shorted", Fields: []string{"pin", "pin2", "value"}, Unit: "Ω"},
		{Kind: LeakyPin, Title: "leaky pin", Fields: []string{"pin", "value"}, Unit: "Ω"},
		{Kind: ContactResistance, Title: "contact resistance", Fields: []string{"pin", "value"}, Unit: "Ω"},
		{Kind: SwappedContacts, Title: "swapped contacts", Fields: []string{"pin", "pin2"}},
	}
}

// The resistances that a fault can have, Ω.
const (
	minFault = 1e-3
	maxFault = 1e12
)

// CheckFault validates the fault itself, for a part of so many pins.
func CheckFault(f bench.UnitFault, pins int) error {
	for _, k := range FaultKinds() {
		if k.Kind != f.Kind {
			continue
		}
		twoPins, ohms := slices.Contains(k.Fields, "pin2"), slices.Contains(k.Fields, "value")
		if f.Pin < 1 || f.Pin > pins {
			return fmt.Errorf("%s: there is no pin %d", k.Title, f.Pin)
		}
		if twoPins && (f.Pin2 < 1 || f.Pin2 > pins) {
			return fmt.Errorf("%s: there is no pin %d", k.Title, f.Pin2)
		}
		if twoPins && f.Pin == f.Pin2 {
			return fmt.Errorf("%s: two different pins are needed", k.Title)
		}
		if ohms && !(f.Value >= minFault && f.Value <= maxFault) {
			return fmt.Errorf("%s: the resistance must be from 1 mΩ to 1 TΩ, not %g", k.Title, f.Value)
		}
		return nil
	}
	return fmt.Errorf("there is no fault %q", f.Kind)
}

// Unit is one part with its faults.
type Unit struct {
	Model  string
	Params Params
	Faults []bench.UnitFault
}

// Seated is a unit in a circuit.
type Seated struct {
	Model Model
	// Pins are the nodes that the socket's contacts touch, by pin number. A
	// swapped pin's node is the one of the place where it should be.
	Pins  map[int]circuit.Node
	Truth Truth
}

// Seat places a unit with its faults and gives the nodes that the socket
// touches. From the die outwards: bond, short or leakage at the package, place
// in the socket, contact resistance.
func Seat(c *circuit.Circuit, u Unit) (*Seated, error) {
	m, ok := Find(u.Model)
	if !ok {
		return nil, fmt.Errorf("there is no model %q", u.Model)
	}
	for _, f := range u.Faults {
		if err := CheckFault(f, m.Pins); err != nil {
			return nil, fmt.Errorf("%s: %w", m.Key, err)
		}
	}
	die := make([]circuit.Node, m.Pins)
	for k := range die {
		die[k] = c.NewNode()
	}
	truth, err := m.Build(c, die, u.Params)
	if err != nil {
		return nil, err
	}
	return &Seated{Model: m, Pins: m.spoil(c, die, u.Faults), Truth: truth}, nil
}

// spoil puts the faults between die and socket.
func (m *Model) spoil(c *circuit.Circuit, die []circuit.Node, faults []bench.UnitFault) map[int]circuit.Node {
	pins := make([]circuit.Node, len(die)+1)
	copy(pins[1:], die)
	each := func(kind string, do func(bench.UnitFault)) {
		for _, f := range faults {
			if f.Kind == kind {
				do(f)
			}
		}
	}
	ground := circuit.Ground
	if m.GroundPin > 0 {
		ground = die[m.GroundPin-1]
	}
	each(OpenBond, func(f bench.UnitFault) { pins[f.Pin] = c.NewNode() })
	each(PinsShorted, func(f bench.UnitFault) { c.Resistor(pins[f.Pin], pins[f.Pin2], f.Value) })
	each(LeakyPin, func(f bench.UnitFault) { c.Resistor(pins[f.Pin], ground, f.Value) })
	each(SwappedContacts, func(f bench.UnitFault) { pins[f.Pin], pins[f.Pin2] = pins[f.Pin2], pins[f.Pin] })
	each(ContactResistance, func(f bench.UnitFault) {
		outer := c.NewNode()
		c.Resistor(outer, pins[f.Pin], f.Value)
		pins[f.Pin] = outer
	})
	out := make(map[int]circuit.Node, len(die))
	for k := range die {
		out[k+1] = pins[k+1]
	}
	return out
}
