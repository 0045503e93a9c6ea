package model

import "ohmkeep/server/rehearsal/circuit"

// io48 is a 48-pin I/O part in four banks with a supply and a ground each. A
// bank of twelve pins has, in order: direction, two pairs of bidirectional
// pins A1 B1 A2 B2 (inverting; direction high drives from A to B, low from B
// to A), five inputs, ground, supply. Grounds meet in the substrate. Invented.
var io48 = Model{
	Key: "io48", Title: "48-pin I/O part", Pins: 48, GroundPin: 11, PerWatt: 55,
	Build: building("io48", 48, nil, func(m *maker) {
		p := m.newProcess()
		substrate := m.c.NewNode()
		for bank := range 4 {
			m.bank(&p, 12*bank, substrate)
		}
	}),
}

func (m *maker) bank(p *process, before int, substrate circuit.Node) {
	pin := func(k int) circuit.Node { return m.pin(before + k) }
	gnd, vcc := pin(11), pin(12)
	m.c.Resistor(gnd, substrate, m.normal(12, 0.1)) // typical of a thick substrate
	m.supply(vcc, gnd)
	for k := 1; k <= 10; k++ {
		m.protect(p, pin(k), vcc, gnd)
	}
	dir, back := pin(1), m.c.NewNode()
	m.inverter(p, dir, back, vcc, gnd, 3e-4)
	for _, k := range []int{2, 4} {
		a, b := pin(k), pin(k+1)
		m.driver(p, a, b, dir, back, vcc, gnd)
		m.driver(p, b, a, back, dir, vcc, gnd)
	}
	for k := 6; k <= 10; k++ { // the first stage of an input; what follows is inside
		m.inverter(p, pin(k), m.c.NewNode(), vcc, gnd, 3e-4)
	}
}

// driver is an inverting output that lets go where on is low (off being its opposite).
func (m *maker) driver(p *process, in, out, on, off, vcc, gnd circuit.Node) {
	low, high := m.c.NewNode(), m.c.NewNode()
	m.n(p, low, in, gnd, gnd, 2*outputK)
	m.n(p, out, on, low, gnd, 2*outputK)
	m.p(p, high, in, vcc, vcc, 2*outputK)
	m.p(p, out, off, high, vcc, 2*outputK)
}
