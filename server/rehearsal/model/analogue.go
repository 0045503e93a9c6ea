package model

import "ohmkeep/server/rehearsal/circuit"

// dualAmplifier is two operational amplifiers: output 1, inverting 1,
// non-inverting 1, negative supply, non-inverting 2, inverting 2, output 2,
// positive supply. 3 V to 12 V in all. Gain 2·10⁵, offset 1 mV, 50 Ω, 20 mA,
// 0.5 mA each: typical of a general-purpose kind; spreads invented.
var dualAmplifier = Model{
	Key: "dual-amplifier", Title: "Dual amplifier", Pins: 8, GroundPin: 4, PerWatt: 110,
	Build: building("dual-amplifier", 8, nil, func(m *maker) {
		esd := process{
			esd:  circuit.DiodeParams{Is: m.decades(2e-15, 0.1), N: m.normal(1.06, 0.01), Rs: m.normal(60, 0.1)},
			leak: 2e10,
		}
		low, high := m.pin(4), m.pin(8)
		m.supply(high, low)
		for k, t := range [2][3]int{{3, 2, 1}, {5, 6, 7}} {
			for _, n := range t {
				m.protect(&esd, m.pin(n), high, low)
			}
			a := circuit.AmplifierParams{
				Gain: m.decades(2e5, 0.1), Offset: m.around(0, 1e-3), Rout: m.normal(50, 0.1),
				Limit: m.normal(20e-3, 0.08), Headroom: m.normal(0.08, 0.1), Iq: m.normal(0.5e-3, 0.06),
			}
			m.c.Amplifier(m.pin(t[0]), m.pin(t[1]), m.pin(t[2]), high, low, a)
			name := [2]string{" 1", " 2"}[k]
			m.truth["gain"+name], m.truth["offset"+name] = a.Gain, a.Offset
			m.truth["output resistance"+name], m.truth["output limit"+name] = a.Rout, a.Limit
			m.truth["supply current"+name] = a.Iq
		}
	}),
}

var regulatorOptions = []Option{{Key: "volts", Title: "output voltage", Unit: "V", Default: 3.3, Min: 1.5, Max: 5}}

// regulator is a linear regulator: input, ground, enable, not connected,
// output. An amplifier drives a P-channel pass transistor from a reference of
// 1.2 V; without enable a transistor shorts the reference. Up to 12 V in; the
// pass transistor's own saturation limits the current. Invented.
var regulator = Model{
	Key: "regulator", Title: "Linear regulator", Pins: 5, GroundPin: 2, PerWatt: 160, Options: regulatorOptions,
	Build: building("regulator", 5, regulatorOptions, func(m *maker) {
		p := m.newProcess()
		in, gnd, enable, out := m.pin(1), m.pin(2), m.pin(3), m.pin(5)
		m.supply(in, gnd)
		m.protect(&p, enable, in, gnd)
		m.diode(gnd, out, p.esd)

		gap, ref := m.c.NewNode(), m.c.NewNode()
		reference := m.normal(1.2, 0.004)
		m.c.VSource(gap, gnd, reference)
		m.c.Resistor(gap, ref, 100e3)
		off := m.c.NewNode()
		m.n(&p, off, enable, gnd, gnd, 2e-3) // wide: enables at about a volt
		m.p(&p, off, enable, in, in, 2e-5)
		m.n(&p, ref, off, gnd, gnd, 1e-3)

		sense, gate := m.c.NewNode(), m.c.NewNode()
		bottom := m.normal(400e3, 0.002)
		// The built-in offset keeps the output at zero while the reference is shorted.
		offset := m.around(20e-3, 1e-3)
		top := bottom * (m.opts["volts"]/(1.2-20e-3) - 1)
		m.c.Resistor(out, sense, top)
		m.c.Resistor(sense, gnd, bottom)
		m.c.Amplifier(sense, ref, gate, in, gnd, circuit.AmplifierParams{
			Gain: m.decades(3e3, 0.1), Offset: offset, Rout: 2e3, Limit: 1e-3, Headroom: 0.05, Iq: m.normal(60e-6, 0.08)})
		m.p(&p, out, gate, in, in, 0.06)
		m.diode(out, in, circuit.DiodeParams{Is: 1e-12, N: 1.1, Rs: 0.8}) // body of the pass transistor
		m.truth["output voltage"] = (reference - offset) * (1 + top/bottom)
		m.truth["reference"] = reference
	}),
}

// nmos is an N-channel enhancement transistor: gate, source, drain; bulk tied
// to source. 1.6 V, 80 mA/V², typical of a small switching transistor.
var nmos = Model{
	Key: "nmos", Title: "N-channel transistor", Pins: 3, GroundPin: 2, PerWatt: 200,
	Build: building("nmos", 3, nil, func(m *maker) {
		g, s, d := m.pin(1), m.pin(2), m.pin(3)
		k, vt := m.normal(0.08, 0.06), m.around(1.6, 0.08)
		m.fet(d, g, s, s, circuit.NType, circuit.FETParams{K: k, Vt: vt, N: 1.35, Lambda: 0.015})
		body := circuit.DiodeParams{Is: m.decades(1e-12, 0.1), N: m.normal(1.08, 0.01), Rs: m.normal(0.6, 0.1)}
		m.diode(s, d, body)
		leak := m.decades(5e11, 0.3)
		m.c.Resistor(g, s, leak)
		m.c.Resistor(d, s, m.decades(2e10, 0.3))
		m.truth["threshold"], m.truth["K"], m.truth["gate leakage"] = vt, k, 1/leak
		m.truth["body Is"], m.truth["body n"], m.truth["body Rs"] = m.saturation(body.Is), body.N, body.Rs
	}),
}

// npn is a bipolar transistor: emitter, base, collector. Is 10 fA, gain 200
// and 4, Early 80 V, base 30 Ω: typical of a small-signal kind.
var npn = Model{
	Key: "npn", Title: "NPN bipolar transistor", Pins: 3, GroundPin: 1, PerWatt: 200,
	Build: building("npn", 3, nil, func(m *maker) {
		e, b, col := m.pin(1), m.pin(2), m.pin(3)
		inner := m.c.NewNode()
		q := circuit.BJTParams{
			Is: m.decades(1e-14, 0.1), Bf: m.decades(200, 0.12), Br: m.normal(4, 0.1), Early: m.normal(80, 0.1),
		}
		rb, leak := m.normal(30, 0.1), m.decades(1e11, 0.3)
		m.c.Resistor(b, inner, rb)
		m.bipolar(col, inner, e, circuit.NType, q)
		m.c.Resistor(col, b, leak)
		m.truth["Is"], m.truth["gain"], m.truth["reverse gain"] = m.saturation(q.Is), q.Bf, q.Br
		m.truth["base resistance"], m.truth["collector leakage"] = rb, 1/leak
	}),
}
