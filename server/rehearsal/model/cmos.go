package model

import (
	"fmt"

	"ohmkeep/server/rehearsal/circuit"
)

// process is the parameters that all transistors of one die share.
type process struct {
	vtn, vtp float64             // V
	kn, kp   float64             // factors on every transistor's K
	esd      circuit.DiodeParams // Is at 300 K
	leak     float64             // Ω, median from an input to each supply
}

// newProcess draws a 5 V CMOS process. Thresholds of 0.8 V and a protection
// diode of Is 1 fA, n 1.05, 25 Ω are typical; the spreads are invented.
func (m *maker) newProcess() process {
	p := process{
		vtn: m.around(0.80, 0.03), vtp: m.around(0.85, 0.03),
		kn: m.normal(1, 0.05), kp: m.normal(1, 0.05),
		esd:  circuit.DiodeParams{Is: m.decades(1e-15, 0.1), N: m.normal(1.05, 0.01), Rs: m.normal(25, 0.08)},
		leak: 1e11,
	}
	m.truth["vtn"], m.truth["vtp"] = p.vtn, p.vtp
	m.truth["kn factor"], m.truth["kp factor"] = p.kn, p.kp
	m.truth["protection Is"], m.truth["protection n"], m.truth["protection Rs"] = m.saturation(p.esd.Is), p.esd.N, p.esd.Rs
	return p
}

// transistor slopes, typical for long channels.
const (
	slope  = 1.3
	lambda = 0.03 // 1/V
)

func (m *maker) n(p *process, d, g, s, b circuit.Node, k float64) {
	m.fet(d, g, s, b, circuit.NType, circuit.FETParams{K: k * p.kn, Vt: m.around(p.vtn, 3e-3), N: slope, Lambda: lambda})
}

func (m *maker) p(p *process, d, g, s, b circuit.Node, k float64) {
	m.fet(d, g, s, b, circuit.PType, circuit.FETParams{K: k * p.kp, Vt: m.around(p.vtp, 3e-3), N: slope, Lambda: lambda})
}

// protect gives a pin its diodes to supply and ground, and its leakage.
func (m *maker) protect(p *process, pin, vcc, gnd circuit.Node) {
	m.diode(pin, vcc, p.esd)
	m.diode(gnd, pin, p.esd)
	m.leak(p, pin, vcc, gnd)
}

// leak joins a pin with supply and ground by a unit's own leakage: 5 V gives
// 50 pA at the median, half a decade more or less at one deviation.
func (m *maker) leak(p *process, pin, vcc, gnd circuit.Node) {
	up, down := m.decades(p.leak, 0.5), m.decades(p.leak, 0.5)
	m.c.Resistor(pin, vcc, up)
	m.c.Resistor(pin, gnd, down)
	for k, n := range m.pins {
		if n == pin {
			m.truth[fmt.Sprintf("leakage up %d", k+1)] = 1 / up
			m.truth[fmt.Sprintf("leakage down %d", k+1)] = 1 / down
		}
	}
}

// supply is the protection of a supply pin: the big reverse diode of the die
// and its standby leakage (100 nA at 5 V, invented).
func (m *maker) supply(vcc, gnd circuit.Node) {
	m.diode(gnd, vcc, circuit.DiodeParams{Is: 1e-13, N: 1.1, Rs: m.normal(12, 0.1)})
	r := m.decades(5e7, 0.3)
	m.c.Resistor(vcc, gnd, r)
	m.truth["standby conductance"] = 1 / r
}

// inverter is a complementary pair; its K is that of the N side, the P side
// is drawn 20 % weaker.
func (m *maker) inverter(p *process, in, out, vcc, gnd circuit.Node, k float64) {
	m.n(p, out, in, gnd, gnd, k)
	m.p(p, out, in, vcc, vcc, 0.8*k)
}

// The six gates of the hex parts: input and output pin.
var hexGates = [6][2]int{{1, 2}, {3, 4}, {5, 6}, {9, 8}, {11, 10}, {13, 12}}

const outputK = 6e-3 // A/V²: about 40 Ω from 5 V

// hexInverter is six buffered CMOS inverters: three stages each, ground on pin
// 7, supply on pin 14, 2 V to 6 V. Invented; output resistance, leakage and
// supply current are those typical of a 5 V logic family.
var hexInverter = Model{
	Key: "hex-inverter", Title: "Hex inverter", Pins: 14, GroundPin: 7, PerWatt: 85,
	Build: building("hex-inverter", 14, nil, func(m *maker) {
		p := m.newProcess()
		vcc, gnd := m.pin(14), m.pin(7)
		m.supply(vcc, gnd)
		for _, g := range hexGates {
			in, out := m.pin(g[0]), m.pin(g[1])
			m.protect(&p, in, vcc, gnd)
			m.protect(&p, out, vcc, gnd)
			a, b := m.c.NewNode(), m.c.NewNode()
			m.inverter(&p, in, a, vcc, gnd, 3e-4)
			m.inverter(&p, a, b, vcc, gnd, 1.2e-3)
			m.inverter(&p, b, out, vcc, gnd, outputK)
		}
	}),
}

// hexSchmitt is the hex inverter with inputs that have hysteresis: the
// classical six-transistor stage, in which the output feeds back into the
// middle of each stack. About 0.8 V of hysteresis from 5 V. Invented.
var hexSchmitt = Model{
	Key: "hex-inverter-schmitt", Title: "Hex inverter with Schmitt inputs", Pins: 14, GroundPin: 7, PerWatt: 85,
	Build: building("hex-inverter-schmitt", 14, nil, func(m *maker) {
		p := m.newProcess()
		vcc, gnd := m.pin(14), m.pin(7)
		m.supply(vcc, gnd)
		for _, g := range hexGates {
			in, out := m.pin(g[0]), m.pin(g[1])
			m.protect(&p, in, vcc, gnd)
			m.protect(&p, out, vcc, gnd)
			a, b := m.c.NewNode(), m.c.NewNode()
			m.schmitt(&p, in, a, vcc, gnd, 4e-4)
			m.inverter(&p, a, b, vcc, gnd, 1.2e-3)
			m.inverter(&p, b, out, vcc, gnd, outputK)
		}
	}),
}

func (m *maker) schmitt(p *process, in, out, vcc, gnd circuit.Node, k float64) {
	low, high := m.c.NewNode(), m.c.NewNode()
	m.n(p, low, in, gnd, gnd, k)
	m.n(p, out, in, low, gnd, k)
	m.n(p, vcc, out, low, gnd, m.normal(k, 0.05))
	m.p(p, high, in, vcc, vcc, k)
	m.p(p, out, in, high, vcc, k)
	m.p(p, gnd, out, high, vcc, m.normal(k, 0.05))
}
