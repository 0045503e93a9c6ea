package procedure

import (
	"fmt"
	"iter"
	"slices"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// voltage senses a pin without loading it.
type voltage struct{ *facts }

var voltageKind = voltage{&facts{
	key: "voltage", title: "Voltage",
	summary: "Senses the voltage of each pin at no load: the channel forces 0 A.",
	fields: fieldsOf(fieldPins,
		fieldCompliance.with(quantity.Volt, "above the highest voltage that is expected"),
		fieldPowered, fieldHold, fieldRest, fieldRepeats),
	outputs: []Output{gives("voltage", "Voltage", quantity.Volt)},
}}

func (voltage) Default(d *dut.Device) Measurement {
	m := standard("voltage", "Voltage at no load")
	m.Pins = d.PinsOf(dut.Output)
	if len(m.Pins) == 0 {
		m.Pins = d.PinsOf(dut.Bidirectional, dut.Analog)
	}
	m.Powered = len(d.Power) > 0
	m.Compliance = safeCompliance(d, m.Pins)
	return m
}

// safeCompliance is a voltage compliance that suits every one of the pins: the
// smallest of their highest ratings.
func safeCompliance(d *dut.Device, pins []int) float64 {
	least := 0.0
	for _, n := range pins {
		if p, ok := d.Pin(n); ok && (least == 0 || p.MaxV < least) && p.MaxV > 0 {
			least = p.MaxV
		}
	}
	return least
}

func (k voltage) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	for _, pin := range m.Pins {
		c.rate("level", "compliance", pin, UseCurrent, 0, 0, m.Compliance)
	}
	return c.ps
}

func (voltage) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	points := make([]Point, 0, len(m.Pins))
	for _, pin := range m.Pins {
		hold := append(conditions(m, d, pin), Hold{Pin: pin, Use: UseCurrent, Compliance: m.Compliance})
		p := m.spot(0, hold, []int{pin})
		points = append(append(points, p), nudges(d, p, false, hurryVoltage)...)
	}
	return slices.Values(points)
}

func (voltage) Shape(m *Measurement, d *dut.Device) Shape {
	return Shape{
		X:      byPin,
		Y:      Axis{Quantity: QuantityVoltage, Label: "Voltage", Unit: quantity.Volt},
		Groups: []string{""}, Band: m.Limits["voltage"],
	}
}

func (k voltage) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newSpots(k, newKit(k.facts, m, d, rule), evaluateVoltage)
}

func evaluateVoltage(k *kit, spots []spot) []Result {
	var out []Result
	for _, of := range perPin(spots) {
		s := of[0]
		if !s.read() {
			continue
		}
		r := value{key: "voltage", pin: s.pin, of: s.taken(UseCurrent, s.conditions(UseCurrent, s, nil, of[1:]), true), flags: s.flags, lost: k.lost(s)}
		r.bound = sign(r.x())
		if s.clamped() {
			r.note = fmt.Sprintf("at the %s compliance: the pin is beyond it, or nothing holds it", volts(k.m.Compliance))
		}
		out = k.add(out, r)
	}
	return out
}

// mayBend: what is measured is a voltage, whatever the measurement says.
func (voltage) mayBend(*Measurement) bool { return true }

// Imagine has the voltage at every pin.
func (voltage) Imagine(_ *Measurement, _ *dut.Device, _ string, x float64) Imagined {
	return Imagined{Part: steadyVoltage(x)}
}
