package model

import (
	"fmt"

	"ohmkeep/server/rehearsal/circuit"
)

var networkOptions = []Option{
	{Key: "ohms", Title: "resistance", Unit: "Ω", Default: 10e3, Min: 1, Max: 1e9},
	{Key: "tolerance", Title: "tolerance", Unit: "of the value", Default: 0.01, Min: 0, Max: 0.2},
	{Key: "bussed", Title: "bussed (1) or isolated (0)", Default: 0, Min: 0, Max: 1},
}

// resistorNetwork is 16 pins with eight isolated resistors between facing pins
// (1 and 16, 2 and 15, ...), or with 15 of them from pin 1. The value spreads
// by a third of the tolerance, together by half of that.
var resistorNetwork = Model{
	Key: "resistor-network", Title: "Resistor network", Pins: 16, Options: networkOptions,
	Build: building("resistor-network", 16, networkOptions, func(m *maker) {
		lot := m.normal(m.opts["ohms"], m.opts["tolerance"]/6)
		place := func(name, a, b int) {
			r := m.normal(lot, m.opts["tolerance"]/6)
			m.c.Resistor(m.pin(a), m.pin(b), r)
			m.truth[fmt.Sprintf("R%d", name)] = r
		}
		if m.opts["bussed"] >= 0.5 {
			for k := 2; k <= 16; k++ {
				place(k-1, 1, k)
			}
			return
		}
		for k := 1; k <= 8; k++ {
			place(k, k, 17-k)
		}
	}),
}

var loadOptions = []Option{
	{Key: "ohms", Title: "resistance", Unit: "Ω", Default: 1e3, Min: 1e-3, Max: 1e12},
	{Key: "tolerance", Title: "tolerance", Unit: "of the value", Default: 1e-4, Min: 0, Max: 0.2},
}

// checkLoad is a known resistor with two wires (pins 1 and 2, 20 mΩ each) and
// two more for remote sense (3 beside 1, 4 beside 2).
var checkLoad = Model{
	Key: "check-load", Title: "Check load", Pins: 4, Options: loadOptions,
	Build: building("check-load", 4, loadOptions, func(m *maker) {
		r := m.normal(m.opts["ohms"], m.opts["tolerance"]/3)
		a, b := m.c.NewNode(), m.c.NewNode()
		lead := 0.0
		for k := 1; k <= 4; k++ {
			w := m.normal(20e-3, 0.1)
			m.c.Resistor(m.pin(k), []circuit.Node{a, b}[(k+1)%2], w)
			if k <= 2 {
				lead += w
			}
		}
		m.c.Resistor(a, b, r)
		m.truth["R"], m.truth["two-wire R"] = r, r+lead
	}),
}

// shortingPlug joins all 48 contacts in one point by 20 mΩ each.
var shortingPlug = Model{
	Key: "shorting-plug", Title: "Shorting plug", Pins: 48,
	Build: building("shorting-plug", 48, nil, func(m *maker) {
		hub := m.c.NewNode()
		for k := 1; k <= 48; k++ {
			r := m.normal(20e-3, 0.1)
			m.c.Resistor(m.pin(k), hub, r)
			m.truth[fmt.Sprintf("R%d", k)] = r
		}
	}),
}

// emptySocket is a socket without a part: every contact floats.
var emptySocket = Model{
	Key: "empty", Title: "Empty socket", Pins: 48,
	Build: building("empty", 48, nil, func(*maker) {}),
}

var numberedOptions = []Option{
	{Key: "ohms", Title: "step", Unit: "Ω", Default: 100, Min: 10, Max: 1e3},
	{Key: "tolerance", Title: "tolerance", Unit: "of the value", Default: 5e-3, Min: 0, Max: 0.05},
}

// numberedPlug joins contact n with one point by n times the step, so that a
// measured resistance tells which contact a wire leads to.
var numberedPlug = Model{
	Key: "numbered-plug", Title: "Numbered plug", Pins: 48, Options: numberedOptions,
	Build: building("numbered-plug", 48, numberedOptions, func(m *maker) {
		hub := m.c.NewNode()
		for k := 1; k <= 48; k++ {
			r := m.normal(float64(k)*m.opts["ohms"], m.opts["tolerance"]/3)
			m.c.Resistor(m.pin(k), hub, r)
			m.truth[fmt.Sprintf("R%d", k)] = r
		}
	}),
}
