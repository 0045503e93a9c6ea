package procedure

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// contact finds out whether a pin reaches the die, by its protection diodes.
type contact struct{ *facts }

var contactKind = contact{&facts{
	key: "contact", title: "Contact",
	summary: "Forces a small current into and out of each pin with all supplies and grounds at the return: a pin that makes contact shows its two protection diodes.",
	fields: fieldsOf(fieldPins,
		fieldLevel.with(quantity.Ampere, "forced into the pin, then out of it"),
		fieldCompliance.with(quantity.Volt, "above a diode's voltage: a pin without contact reads this"),
		allOtherPins(fieldRest), fieldRepeats),
	outputs: []Output{
		gives("upper", "Upper diode", quantity.Volt),
		gives("lower", "Lower diode", quantity.Volt),
	},
}}

// allOtherPins is the field of what becomes of other inputs, as one of all pins
// that nothing names.
func allOtherPins(f Field) Field {
	f = f.offering("All other pins", "on the return, as is common practice, or open; where one floats the part may conduct beside the diode", f.Choices...)
	f.phrase = sayRest("all other pins")
	return f
}

// Common practice, without a source: ±100 µA and 0.3 V to 0.9 V for a silicon
// junction at room temperature; below 0.1 V there is no junction but a short.
const (
	contactCurrent    = 100e-6
	contactCompliance = 2.0
	diodeLow          = 0.3
	diodeHigh         = 0.9
	shortBelow        = 0.1
)

const (
	groupUpper = iota
	groupLower
)

func (contact) Default(d *dut.Device) Measurement {
	lo, hi := diodeLow, diodeHigh
	nlo, nhi := -diodeHigh, -diodeLow
	m := standard("contact", "Contact")
	m.Pins = d.PinsOf(dut.Input, dut.Output, dut.Bidirectional)
	if len(m.Pins) == 0 {
		m.Pins = d.PinsOf(dut.Analog)
	}
	m.Level, m.Compliance, m.Rest = contactCurrent, contactCompliance, UseReturn
	m.Limits = map[string]Limit{"upper": {&lo, &hi}, "lower": {&nlo, &nhi}}
	return m
}

// standard is a measurement with the settle and aperture that defaults share.
func standard(kind, name string) Measurement {
	return Measurement{ID: kind, Name: name, Kind: kind,
		Settle: Settle{Time: 2e-3}, Aperture: Aperture{Cycles: 1}}
}

func (k contact) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	if len(d.PinsOf(dut.Ground, dut.Supply)) == 0 {
		c.ps.Add("pins", "the device has no supply and no ground for a protection diode to lead to")
	}
	if !(m.Level > 0) {
		c.ps.Add("level", "must be a current above 0 A, such as 100 µA")
	}
	for _, pin := range m.Pins {
		c.rate("level", "compliance", pin, UseCurrent, -m.Level, m.Level, m.Compliance)
	}
	return c.ps
}

// upper reports whether the pin has an upper protection diode to look for. A
// supply has none of its own, only the lower one.
func upperDiode(d *dut.Device, pin int) bool {
	p, _ := d.Pin(pin)
	return p.Clamp != 0 && p.Clamp != pin
}

func (contact) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	bare := *m
	bare.Rest = UseOpen
	var points []Point
	for _, pin := range m.Pins {
		base, read := conditions(&bare, d, pin), []int{pin}
		// A supply is reached through the diodes of every pin that is on the return.
		if of, _ := d.Pin(pin); m.Rest == UseReturn && of.Function != dut.Supply {
			base = grounded(base, d, pin)
		}
		force := func(group int, level float64) {
			hold := append(slices.Clone(base), Hold{Pin: pin, Use: UseCurrent, Level: level, Compliance: m.Compliance})
			points = append(points, m.spot(group, hold, read))
		}
		if upperDiode(d, pin) {
			force(groupUpper, m.Level)
		}
		force(groupLower, -m.Level)
	}
	return listed(points)
}

// omits names the other pins, where they are on the return: they may take a part of
// the current from the die.
func (contact) omits(m *Measurement) []string {
	if m.Rest != UseReturn {
		return nil
	}
	return []string{"current that leaves the part by pins other than its ground and supply"}
}

// grounded brings every pin that nothing holds to the return, but the one at work:
// the usual continuity test. A transistor whose gate is a pin that floats conducts
// as the leakage of the bench likes.
func grounded(base []Hold, d *dut.Device, own int) []Hold {
	for _, p := range d.Pins {
		held := p.Number == own || p.Function == dut.NoConnect
		for i := range base {
			held = held || base[i].Pin == p.Number
		}
		if !held {
			base = append(base, Hold{Pin: p.Number, Use: UseReturn})
		}
	}
	return base
}

func (contact) Shape(m *Measurement, d *dut.Device) Shape {
	return Shape{
		X:      byPin,
		Y:      Axis{Quantity: QuantityVoltage, Label: "Pin voltage", Unit: quantity.Volt},
		Groups: []string{"upper diode", "lower diode"},
	}
}

func (k contact) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newSpots(k, newKit(k.facts, m, d, rule), evaluateContact)
}

func evaluateContact(k *kit, spots []spot) []Result {
	var out []Result
	for i := range spots {
		s := &spots[i]
		if !s.read() {
			continue
		}
		r := value{key: "upper", pin: s.pin, of: atCurrent(k, s), flags: s.flags}
		r.bound = sign(r.x())
		if s.group == groupLower {
			r.key = "lower"
		}
		r.note = contactNote(k.m, s, r.x())
		out = k.add(out, r)
	}
	return out
}

// thermalVoltage is kT/q at 300 K, in volts (CODATA 2018 constants).
const thermalVoltage = 0.025852

// atCurrent is the voltage of a diode, against the supply that the pin clamps to
// or the part's ground, at the current that was asked for: by the slope n·VT/I of
// its law, n from 1 to 2.
func atCurrent(k *kit, s *spot) budget.Value {
	m, v := k.m, s.voltage()
	if p, ok := k.d.Pin(s.pin); ok && s.group == groupUpper {
		v = s.voltageTo(p.Clamp)
	}
	if s.clamped() || math.Abs(v.X) < shortBelow || m.Level == 0 {
		return v
	}
	i := s.through()
	level := math.Copysign(m.Level, i.X)
	slope := budget.NewSource("slope of the diode", budget.Model, budget.Rectangular, budget.Rectangular.FromHalfWidth(thermalVoltage/2/m.Level))
	return v.Sub(budget.Of(1.5*thermalVoltage/m.Level, slope).Mul(i.Sub(budget.Exact(level))))
}

// contactNote says in words what the voltage means.
func contactNote(m *Measurement, s *spot, v float64) string {
	switch a := math.Abs(v); {
	case s.flags&untrusted != 0:
		return ""
	case s.clamped() && a >= 0.5*m.Compliance:
		return fmt.Sprintf("at the %s compliance: probably open", volts(m.Compliance))
	case s.clamped():
		return ""
	case a < shortBelow:
		return "nearly 0 V: probably shorted"
	case a < diodeLow:
		return "below a diode's voltage: probably a leaky pin or two pins shorted"
	case a > diodeHigh:
		return "above a diode's voltage: probably a poor contact in series"
	}
	return ""
}

// Imagine has the same voltage at every pin, whatever the current.
func (contact) Imagine(_ *Measurement, _ *dut.Device, _ string, x float64) Imagined {
	return Imagined{Part: steadyVoltage(x)}
}
