package procedure

import (
	"fmt"
	"iter"
	"slices"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// supplyCurrent senses what the part draws with its inputs at rest.
type supplyCurrent struct{ *facts }

var supplyCurrentKind = supplyCurrent{&facts{
	key: "supply-current", title: "Supply current", powered: true,
	summary: "With the supplies up and the inputs at rest, senses the current into each supply pin.",
	fields: fieldsOf(fieldPins.with("", "supply pins, all read together"),
		fieldLevel.with(quantity.Volt, "left out: the level of the pin's power step"),
		fieldCompliance.with(quantity.Ampere, "left out: the limit of the pin's power step"),
		fieldPowered, fieldHold, fieldRest, fieldRepeats),
	outputs: []Output{gives("current", "Supply current", quantity.Ampere)},
}}

func (supplyCurrent) Default(d *dut.Device) Measurement {
	m := standard("supply-current", "Supply current")
	for _, s := range d.Power {
		m.Pins = append(m.Pins, s.Pin)
	}
	m.Powered, m.Rest = true, UseReturn
	m.Settle.Time = 20e-3
	return m
}

func (k supplyCurrent) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	for i, pin := range m.Pins {
		s, ok := m.powerStep(d, pin)
		if !ok {
			c.ps.Add(fmt.Sprintf("pins[%d]", i), "pin %s has no power step: give it one on the device, or measure it by a sweep", c.label(pin))
			continue
		}
		if m.Compliance != 0 || m.Level != 0 {
			c.rate("level", "compliance", pin, UseVoltage, supplyLevel(m, s), supplyLevel(m, s), supplyLimit(m, s))
		}
	}
	return c.ps
}

// supplyLevel is the voltage of a measured supply.
func supplyLevel(m *Measurement, s dut.PowerStep) float64 {
	if m.Level != 0 {
		return m.Level
	}
	return s.Level
}

// supplyLimit is the compliance of a measured supply.
func supplyLimit(m *Measurement, s dut.PowerStep) float64 {
	if m.Compliance != 0 {
		return m.Compliance
	}
	return s.Limit
}

// Points are the supplies at their levels, and the same with each level that there
// is moved in turn: what a supply draws follows its own voltage, and those of the
// inputs and of other supplies.
func (supplyCurrent) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	hold := conditions(m, d, m.Pins...)
	for _, pin := range m.Pins {
		s, _ := m.powerStep(d, pin)
		hold = append(hold, Hold{Pin: pin, Use: UseVoltage, Level: supplyLevel(m, s), Compliance: supplyLimit(m, s)})
	}
	p := m.spot(0, hold, slices.Clone(m.Pins))
	return slices.Values(append([]Point{p}, nudges(d, p, true, hurryCurrent)...))
}

func (supplyCurrent) Shape(m *Measurement, d *dut.Device) Shape {
	return Shape{
		X:      byPin,
		Y:      Axis{Quantity: QuantityCurrent, Label: "Supply current", Unit: quantity.Ampere},
		Groups: []string{""}, Band: m.Limits["current"],
	}
}

func (k supplyCurrent) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newSpots(k, newKit(k.facts, m, d, rule), evaluateSupplyCurrent)
}

func evaluateSupplyCurrent(k *kit, spots []spot) []Result {
	var out []Result
	n := len(k.m.Pins)
	for i := range spots[:n] {
		s := &spots[i]
		if !s.read() {
			continue
		}
		var moved []*spot
		for j := i + n; j < len(spots); j += n {
			moved = append(moved, &spots[j])
		}
		step, _ := k.m.powerStep(k.d, s.pin)
		c := s.taken(UseVoltage, s.conditions(UseVoltage, s, nil, moved), false)
		r := value{key: "current", pin: s.pin, of: c, flags: s.flags, bound: sign(c.X), lost: k.lost(s)}
		if s.clamped() {
			r.note = fmt.Sprintf("at the %s compliance: the supply did not reach its level; the part is shorted, reversed or needs more current",
				amps(supplyLimit(k.m, step)))
		}
		out = k.add(out, r)
	}
	return out
}

// Imagine draws the current from every supply.
func (supplyCurrent) Imagine(_ *Measurement, _ *dut.Device, _ string, x float64) Imagined {
	return Imagined{Part: steadyCurrent(x)}
}

// Drives is the level of a measured supply.
func (supplyCurrent) Drives(m *Measurement, d *dut.Device, pin int) Driven {
	s, ok := m.powerStep(d, pin)
	level := supplyLevel(m, s)
	return Driven{Known: ok, Low: level, High: level, Follows: m.Level == 0}
}
