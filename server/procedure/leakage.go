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

// leakage senses what an input draws at the supply level and at 0 V.
type leakage struct{ *facts }

var leakageKind = leakage{&facts{
	key: "leakage", title: "Input leakage", powered: true,
	summary: "With the supplies up, forces each pin to the supply level and to 0 V and senses the current into it.",
	fields: fieldsOf(fieldPins,
		fieldLevel.with(quantity.Volt, "the high level; left out: the level of the supply that the pin clamps to"),
		fieldCompliance.with(quantity.Ampere, "just above the limit: it chooses the current range, and so the resolution"),
		fieldPowered, fieldHold, fieldRest, fieldRepeats, leakageSlope),
	outputs: []Output{
		gives("high", "Leakage high", quantity.Ampere),
		gives("low", "Leakage low", quantity.Ampere),
	},
}}

// leakageSlope asks for the slope of the current at each level. Without it the slope
// may be any up to that of a junction, which decides the interval of a current that
// stands far out of the channel's noise.
var leakageSlope = OwnFlag("slope", "Measure the slope", "the slope at each level is measured",
	"true to read each pin once more, 20 mV further inside at either level: how the current follows the voltage is then known and not bounded").
	under(SectionMore, "one reading more at each level, which makes the interval of a clear current smaller").usual()

// slopeStride is how far inside of its level a pin is read again, V, but no more than
// slopePart of the level. Less than a junction's kT/q, so that the slope between is
// near the one at the level; and more than what channels are off by.
const (
	slopeStride = 20e-3
	slopePart   = 0.25
)

// slopeWithin is the part of the slope over slopeStride by which the one at the level
// may differ: a junction without bias is 1.46 times as steep there as on the 20 mV
// against its direction, (0.8/(1-exp(-0.8))) at a kT/q of 25 mV.
const slopeWithin = 0.5

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
			if Get[bool](leakageSlope, m) {
				points = append(points, p.inside(leakageLevel(m, d, pin)/2))
			}
		}
	}
	return slices.Values(points)
}

// inside is the point with the level of its pin, the last that is held, moved towards
// one between both.
func (p Point) inside(between float64) Point {
	p.Hold = slices.Clone(p.Hold)
	level := &p.Hold[len(p.Hold)-1].Level
	by := math.Copysign(min(slopeStride, slopePart*2*math.Abs(between)), between-*level)
	*level += by
	p.Auxiliary, p.Count = true, 1
	hurryCurrent.take(&p, by)
	return p
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

// spotsOf is how many spots there are of a pin: one at each level, and with the slope
// another beside each.
func spotsOf(m *Measurement) int {
	if Get[bool](leakageSlope, m) {
		return 4
	}
	return 2
}

func evaluateLeakage(k *kit, spots []spot) []Result {
	var out []Result
	each := spotsOf(k.m)
	for of := range slices.Chunk(spots, each) {
		high, low := &of[0], &of[each/2]
		for g, s := range []*spot{groupHigh: high, groupLow: low} {
			if !s.read() {
				continue
			}
			key, level := "low", 0.0
			if g == groupHigh {
				key, level = "high", leakageLevel(k.m, k.d, s.pin)
			}
			c, known := s.current(), false
			if each > 2 {
				c, known = s.bySlope(&of[g*each/2+1], level)
			}
			if !known && !s.clamped() {
				c = k.m.byBound(s, high, low, level)
			}
			r := value{key: key, pin: s.pin, of: c, flags: s.flags, bound: sign(c.X), lost: k.lost(s)}
			if s.clamped() {
				r.note = fmt.Sprintf("at the %s compliance: it leaks at least that much", amps(k.m.Compliance))
			}
			out = k.add(out, r)
		}
	}
	return out
}

// byBound is the current of a spot, A, taken to its level, V, by a slope of which no
// more is known than what the pin shows at both levels.
func (m *Measurement) byBound(s, high, low *spot, level float64) budget.Value {
	// What flows at one level is what a junction carries that is steepest at the other.
	var shown []budget.Value
	for _, o := range []*spot{high, low} {
		if o.read() {
			shown = append(shown, o.current())
		}
	}
	siemens := 0.0 // of the pin, by what it draws at the high level
	if high.read() && !high.clamped() && high.voltage().X != 0 {
		siemens = high.current().X / high.voltage().X
	}
	return m.atLevel(s.current(), s.voltage(), level, siemens, shown...)
}

// bySlope is the current of a spot, A, taken to its level, V, by what the same pin
// drew beside it. ok is false where that tells nothing.
func (s *spot) bySlope(beside *spot, level float64) (c budget.Value, ok bool) {
	slope, ok := follow(UseVoltage, s, beside, s, nil)
	c = s.current()
	if !ok {
		return c, false
	}
	off := s.voltage().Sub(budget.Exact(level))
	bend := max(slope.bend, slopeWithin*math.Abs(slope.follows.X))
	return widened(c.Sub(slope.follows.Mul(off)), bend*atMost(off), "how the current follows the voltage in between", budget.ForcedLevel), true
}

func (leakage) changes(m *Measurement, add func(string, func(*Measurement))) {
	if !Get[bool](leakageSlope, m) {
		add("the slope measured", func(m *Measurement) { Set(leakageSlope, m, true) })
	}
}

// Imagine draws the current at either level.
func (leakage) Imagine(_ *Measurement, _ *dut.Device, _ string, x float64) Imagined {
	return Imagined{Part: steadyCurrent(x)}
}
