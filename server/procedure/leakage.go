package procedure

import (
	"fmt"
	"iter"
	"slices"

	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// leakage senses what an input draws at the supply level and at 0 V.
type leakage struct{ *facts }

var leakageKind = leakage{&facts{
	key: "leakage", title: "Input leakage", powered: true,
	summary: "With the supplies up, forces each pin to the supply level and to 0 V and senses the current into it.",
	fields: fieldsOf(fieldPins,
		fieldLevel.with(quantity.Volt, "the high level; left out: the level of the supply that the pin clamps to"),
		fieldCompliance.with(quantity.Ampere, "just above the limit: it chooses the current range, and so the resolution"),
		fieldPowered, fieldHold, fieldRest, fieldRepeats),
	outputs: []Output{
		gives("high", "Leakage high", quantity.Ampere),
		gives("low", "Leakage low", quantity.Ampere),
	},
}}

const (
	groupHigh = iota
	groupLow
)

// Common practice: 1 µA is what most logic inputs are specified to.
const (
	leakageLimit      = 1e-6
	leakageCompliance = 10e-6
)

func (leakage) Default(d *dut.Device) Measurement {
	lo, hi := -leakageLimit, leakageLimit
	m := standard("leakage", "Input leakage")
	m.Pins, m.Powered, m.Compliance = d.PinsOf(dut.Input), true, leakageCompliance
	m.Settle.Time = 20e-3
	m.Limits = map[string]Limit{"high": {&lo, &hi}, "low": {&lo, &hi}}
	return m
}

func (k leakage) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	for _, pin := range m.Pins {
		level := leakageLevel(m, d, pin)
		if level == 0 {
			c.ps.Add("level", "pin %s leads to no supply whose level is known: give the high level", c.label(pin))
			continue
		}
		c.rate("level", "compliance", pin, UseVoltage, min(0, level), max(0, level), m.Compliance)
	}
	return c.ps
}

// leakageLevel is the high level of a pin: the measurement's, or that of the
// pin's clamp supply, or of the first supply to come up.
func leakageLevel(m *Measurement, d *dut.Device, pin int) float64 {
	if m.Level != 0 {
		return m.Level
	}
	p, _ := d.Pin(pin)
	supply := p.Clamp
	if supply == 0 && len(d.Power) > 0 {
		supply = d.Power[0].Pin
	}
	if q, ok := d.Pin(supply); ok {
		if h := holdFor(m, d, q); h.Use == UseVoltage {
			return h.Level
		}
	}
	return 0
}

func (leakage) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	var points []Point
	for _, pin := range m.Pins {
		base, read := conditions(m, d, pin), []int{pin}
		for g, level := range []float64{groupHigh: leakageLevel(m, d, pin), groupLow: 0} {
			hold := append(slices.Clone(base), Hold{Pin: pin, Use: UseVoltage, Level: level, Compliance: m.Compliance})
			p := m.spot(g, hold, read)
			p.Witness, p.ReadBack = true, true
			points = append(points, p)
		}
	}
	return slices.Values(points)
}

func (leakage) Shape(m *Measurement, d *dut.Device) Shape {
	s := Shape{
		X:      byPin,
		Y:      Axis{Quantity: QuantityCurrent, Label: "Current into the pin", Unit: quantity.Ampere},
		Groups: []string{"high", "low"},
	}
	s.Band = m.Limits["high"]
	return s
}

func (k leakage) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newSpots(k, newKit(k.facts, m, d, rule), evaluateLeakage)
}

// groups are the points at the level that a result is of.
func (leakage) groups(*Measurement, *dut.Device) func(r *Result) []int {
	return func(r *Result) []int {
		if r.Key == "low" {
			return []int{groupLow}
		}
		return []int{groupHigh}
	}
}

func evaluateLeakage(k *kit, spots []spot) []Result {
	var out []Result
	for i := range spots {
		s := &spots[i]
		if !s.read() {
			continue
		}
		high := &spots[i-i%2]
		// What flows at one level is what a junction carries that is steepest at the other.
		var shown []budget.Value
		for _, o := range []*spot{high, &spots[i-i%2+1]} {
			if o.read() {
				shown = append(shown, o.current())
			}
		}
		siemens := 0.0 // of the pin, by what it draws at the high level
		if high.read() && !high.clamped() && high.voltage().X != 0 {
			siemens = high.current().X / high.voltage().X
		}
		level, key := 0.0, "low"
		if s.group == groupHigh {
			level, key = leakageLevel(k.m, k.d, s.pin), "high"
		}
		c := s.current()
		if !s.clamped() {
			c = k.m.atLevel(c, s.voltage(), level, siemens, shown...)
		}
		r := value{key: key, pin: s.pin, of: c, flags: s.flags, bound: sign(c.X), lost: k.lost(s)}
		if s.clamped() {
			r.note = fmt.Sprintf("at the %s compliance: it leaks at least that much", amps(k.m.Compliance))
		}
		out = k.add(out, r)
	}
	return out
}

// Imagine draws the current at either level.
func (leakage) Imagine(_ *Measurement, _ *dut.Device, _ string, x float64) Imagined {
	return Imagined{Part: steadyCurrent(x)}
}
