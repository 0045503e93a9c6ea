package procedure

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// resistance measures between two terminals.
type resistance struct{ *facts }

var resistanceKind = resistance{&facts{
	key: "resistance", title: "Resistance",
	summary: "Forces a current or a voltage between each pin and a second terminal and takes the ratio: over two wires, over four, or with the current reversed so that thermal voltages cancel.",
	fields: fieldsOf(fieldPins, fieldAgainst,
		fieldMethod.offering("Method", "two-wire includes the paths and contacts; four-wire and current reversal sense at the pin over wires of their own",
			string(TwoWire), string(FourWire), string(CurrentReversal)),
		fieldUse, fieldLevel, fieldCompliance, fieldHold, fieldRepeats),
	outputs: []Output{
		gives("resistance", "Resistance", quantity.Ohm),
		gives("offset", "Offset voltage", quantity.Volt),
	},
}}

const (
	groupForward = iota
	groupReversed
)

func (resistance) Default(d *dut.Device) Measurement {
	m := standard("resistance", "Resistance")
	m.Method, m.Use, m.Level, m.Compliance = TwoWire, UseCurrent, 1e-3, 2
	pins := d.PinsOf(dut.Analog)
	if len(pins) == 0 {
		pins = d.PinsOf(dut.Input, dut.Output, dut.Bidirectional)
	}
	switch {
	case len(d.PinsOf(dut.Ground)) > 0:
		m.Pins = pins
	case len(pins) > 1:
		m.Pins, m.Against = pins[:len(pins)-1], pins[len(pins)-1]
	}
	return m
}

// remote reports whether the method senses over wires of its own.
func (m *Measurement) remote() bool { return m.Method == FourWire || m.Method == CurrentReversal }

func (k resistance) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	low := m.Level
	switch m.Method {
	case TwoWire, FourWire:
	case CurrentReversal:
		low = -m.Level
		if m.Use != UseCurrent && m.Use != "" {
			c.ps.Add("use", "current reversal forces a current")
		}
	default:
		c.ps.Add("method", "%q is not one of two-wire, four-wire, current reversal", clip(string(m.Method)))
	}
	c.second(m.remote())
	if m.Use != UseVoltage && m.Use != UseCurrent {
		c.ps.Add("use", "%q is not one of voltage, current", clip(string(m.Use)))
		return c.ps
	}
	if m.Level == 0 || !finite(m.Level) {
		c.ps.Add("level", "must not be 0: without a current there is no ratio")
		return c.ps
	}
	for _, pin := range m.Pins {
		c.rate("level", "compliance", pin, m.Use, min(low, m.Level), max(low, m.Level), m.Compliance)
	}
	return c.ps
}

func (resistance) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	// Forward, reversed, forward: a steady drift of the thermal voltage cancels too.
	groups := []int{groupForward}
	if m.Method == CurrentReversal {
		groups = []int{groupForward, groupReversed, groupForward}
	}
	var points []Point
	for _, pin := range m.Pins {
		base, read := conditions(m, d, pin, m.Against), []int{pin}
		if m.Against != 0 {
			base = append(base, Hold{Pin: m.Against, Use: UseReturn, Kelvin: m.remote()})
		}
		for _, g := range groups {
			level := m.Level
			if g == groupReversed {
				level = -level
			}
			hold := append(slices.Clone(base), Hold{Pin: pin, Use: m.Use, Level: level,
				Compliance: m.Compliance, Kelvin: m.remote()})
			points = append(points, m.spot(g, hold, read))
		}
	}
	return slices.Values(points)
}

func (resistance) Shape(m *Measurement, d *dut.Device) Shape {
	s := Shape{
		X:      Axis{Quantity: QuantityCurrent, Label: "Current", Unit: quantity.Ampere},
		Y:      Axis{Quantity: QuantityVoltage, Label: "Voltage", Unit: quantity.Volt},
		Groups: []string{"forward"},
	}
	if m.Method == CurrentReversal {
		s.Groups = append(s.Groups, "reversed")
	}
	return s
}

func (k resistance) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	evaluate := evaluateRatio
	if m.Method == CurrentReversal {
		evaluate = evaluateReversal
	}
	return newSpots(k, newKit(k.facts, m, d, rule), evaluate)
}

func evaluateRatio(k *kit, spots []spot) []Result {
	var out []Result
	for i := range spots {
		s := &spots[i]
		if !s.read() {
			continue
		}
		if r, ok := ratio(k, s.pin, s.voltageTo(k.m.Against), s.through(), s.flags); ok {
			r.lost = k.lost(s)
			out = k.add(out, r)
		}
	}
	return out
}

// ratio is v/i as a value, with the word for what a clamped one means. Of a current
// that cannot be told from zero it is the least resistance that both leave open.
func ratio(k *kit, pin int, v, i budget.Value, flags bench.Flags) (value, bool) {
	r := value{key: "resistance", pin: pin, flags: flags}
	if math.Abs(i.X) <= sure*i.Uc() || i.X == 0 {
		return atLeast(r, v, i)
	}
	r.of = v.Div(i)
	if g := i.Div(v); v.X != 0 && i.Uc() > unsymmetric*math.Abs(i.X) && i.Uc()*math.Abs(v.X) > v.Uc()*math.Abs(i.X) {
		// One over a current that is badly known is far from symmetric: the
		// conductance is, and what is said of it is turned round.
		r.of, r.through = g, inverted(g.X)
		if !(g.State(budget.Coverage).U < math.Abs(g.X)) {
			return atLeast(r, v, i)
		}
	}
	switch {
	case !flags.Has(bench.InCompliance):
	case k.m.Use == UseCurrent:
		r.bound, r.note = 1, fmt.Sprintf("at the %s compliance: the resistance is too high for this current, or the contact is open", volts(k.m.Compliance))
	default:
		r.bound, r.note = -1, fmt.Sprintf("at the %s compliance: the resistance is too low for this voltage, or shorted", amps(k.m.Compliance))
	}
	return r, true
}

// unsymmetric is the relative standard uncertainty of a current from which its
// reciprocal is stated by way of the conductance: the second order of 1/i is 1/10
// of the first there.
const unsymmetric = 0.1

// atLeast is the least resistance that a voltage and a current leave open. ok is
// false where there is nothing to say.
func atLeast(r value, v, i budget.Value) (value, bool) {
	most := math.Abs(i.X) + sure*i.Uc()
	if most == 0 {
		return r, false
	}
	least := max(math.Abs(v.X)-sure*v.Uc(), 0)
	r.of, r.through, r.counted, r.bound, r.only = budget.Exact(least/most), nil, true, 1, true
	r.note = fmt.Sprintf("no current to be seen: at least %s, probably open", say(r.x(), quantity.Ohm))
	if least == 0 {
		r.note = "neither a voltage nor a current to be seen: it may be any resistance"
	}
	return r, true
}

// evaluateReversal takes the forward, reversed and forward spots of each pin.
// What does not turn with the current falls out: offsets, thermal voltages and
// their steady drift.
func evaluateReversal(k *kit, spots []spot) []Result {
	var out []Result
	for i := 0; i+2 < len(spots); i += 3 {
		a, b, c := &spots[i], &spots[i+1], &spots[i+2]
		if !a.read() || !b.read() {
			continue
		}
		vp, ip := a.voltageTo(k.m.Against), a.through()
		flags := a.flags | b.flags
		if c.read() {
			vp, ip = mean([]budget.Value{vp, c.voltageTo(k.m.Against)}), mean([]budget.Value{ip, c.through()})
			flags |= c.flags
		}
		vm, im := b.voltageTo(k.m.Against), b.through()
		r, ok := ratio(k, a.pin, vp.Sub(vm), ip.Sub(im), flags)
		if !ok {
			continue
		}
		r.lost = k.lost(a, b, c)
		out = k.add(out, r)
		if r.note == "" && a.whole(k.m) && b.whole(k.m) && c.whole(k.m) {
			// What is left at no current: (V+ + V- - R·(I+ + I-))/2.
			off := vp.Add(vm).Sub(r.of.Mul(ip.Add(im))).Scale(0.5)
			out = k.add(out, value{key: "offset", pin: a.pin, of: off, flags: flags})
		}
	}
	return out
}

// Imagine is a resistor with a voltage in series: the value of its own key, and of
// the other the middle of its limits.
func (resistance) Imagine(m *Measurement, _ *dut.Device, key string, x float64) Imagined {
	if key == "resistance" {
		return Imagined{Part: ohmic(x, 0)}
	}
	return Imagined{Part: ohmic(m.Limits["resistance"].middle(), x)}
}
