package procedure

import (
	"iter"
	"math"
	"slices"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// watch reads the same pins again and again.
type watch struct{ *facts }

var watchKind = watch{&facts{
	key: "watch", title: "Watch over time",
	summary: "Holds the pins at one level and reads them over and over, all together: mean, scatter, drift, and how the scatter falls with averaging.",
	fields: fieldsOf(fieldPins.with("", "read together, each by a channel of its own"), fieldUse, fieldLevel, fieldCompliance,
		fieldDuration, fieldInterval, fieldPowered, fieldHold, fieldRest),
	outputs: []Output{
		sensedIn("mean", "Mean", ""),
		sensedIn("sd", "Standard deviation", ""),
		sensedIn("minimum", "Minimum", ""),
		sensedIn("maximum", "Maximum", ""),
		sensedIn("drift", "Drift per hour", "/h"),
		sensedIn("allan-deviation", "Allan deviation", ""),
	},
}}

// nominalLineHz turns power-line cycles into seconds where no bench is named:
// only the number of back-to-back readings depends on it.
const nominalLineHz = 50

func (watch) Default(d *dut.Device) Measurement {
	m := standard("watch", "Watch over time")
	m.Use, m.Duration, m.Interval = UseCurrent, 10, 0.1
	pins := d.PinsOf(dut.Output)
	if len(pins) == 0 {
		pins = d.PinsOf(dut.Bidirectional, dut.Analog, dut.Input)
	}
	if len(pins) > 0 {
		m.Pins = pins[:1]
	}
	m.Powered = len(d.Power) > 0
	m.Compliance = safeCompliance(d, m.Pins)
	return m
}

// watchCount is the number of readings of a watch: one at the start, then one an
// interval; back to back, as many apertures as fit.
func (m *Measurement) watchCount() int {
	if m.Interval > 0 {
		return int(min(math.Floor(m.Duration/m.Interval*(1+1e-12))+1, 1e9))
	}
	a := m.Aperture.ApertureSeconds(nominalLineHz)
	if !(a > 0) {
		return 0
	}
	return int(max(1, min(math.Floor(m.Duration/a*(1+1e-12)), 1e9)))
}

func (k watch) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	c.between("duration", m.Duration, 1e-3, maxDuration, quantity.Second)
	if m.Interval != 0 {
		if c.between("interval", m.Interval, 1e-5, 86400, quantity.Second) && m.Interval > m.Duration {
			c.ps.Add("interval", "the interval is longer than the duration")
		}
		if a := m.Aperture.ApertureSeconds(nominalLineHz); a > m.Interval {
			c.ps.Add("interval", "must be at least the aperture, %s, or be left out", say(a, quantity.Second))
		}
	}
	if n := m.watchCount(); n > maxWatch {
		c.ps.Add("duration", "comes to %d readings of each pin; at most %d: watch less long, or less often", n, maxWatch)
	}
	if m.Use != UseVoltage && m.Use != UseCurrent {
		c.ps.Add("use", "%q is not one of voltage, current", clip(string(m.Use)))
		return c.ps
	}
	for _, pin := range m.Pins {
		c.rate("level", "compliance", pin, m.Use, m.Level, m.Level, m.Compliance)
	}
	return c.ps
}

// Drives is the level of a watch that forces a voltage.
func (watch) Drives(m *Measurement, _ *dut.Device, _ int) Driven {
	return Driven{Known: m.Use == UseVoltage, Low: m.Level, High: m.Level}
}

// mayBend: a watch that forces a current senses a voltage.
func (watch) mayBend(m *Measurement) bool { return m.Use == UseCurrent }

// maxWatch bounds the readings of one pin in one watch.
const maxWatch = 10_000_000

// Points are the watch itself and, where levels are held or forced, points beside
// it: before it the same with each level moved a little in turn, which tells how
// the value follows them, and after it once more, which tells whether the levels
// have stayed.
func (watch) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	hold := conditions(m, d, m.Pins...)
	for _, pin := range m.Pins {
		hold = append(hold, Hold{Pin: pin, Use: m.Use, Level: m.Level, Compliance: m.Compliance})
	}
	p := m.spot(0, hold, slices.Clone(m.Pins))
	once := p
	once.Count, once.Auxiliary = 1, true
	p.Count, p.Interval = m.watchCount(), m.Interval
	moved := nudges(d, once, true, noHurry)
	if len(moved) == 0 {
		return slices.Values([]Point{p})
	}
	return slices.Values(slices.Concat([]Point{once}, moved, []Point{p, once}))
}

func (watch) Shape(m *Measurement, d *dut.Device) Shape {
	y := Axis{Quantity: QuantityCurrent, Label: "Current", Unit: quantity.Ampere}
	if m.Use == UseCurrent {
		y = Axis{Quantity: QuantityVoltage, Label: "Voltage", Unit: quantity.Volt}
	}
	if len(m.Pins) == 1 {
		y.Pin = m.Pins[0]
	}
	return Shape{
		X: Axis{Quantity: QuantityTime, Label: "Time", Unit: quantity.Second}, Y: y,
		Line: true, Groups: []string{""}, Band: m.Limits["mean"],
	}
}

func (k watch) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newWatchDeriver(k, newKit(k.facts, m, d, rule))
}

// Imagine holds the value steady. Of its scatter nothing is known beforehand.
func (watch) Imagine(_ *Measurement, _ *dut.Device, key string, x float64) Imagined {
	switch key {
	case "mean", "minimum", "maximum":
		return Imagined{Part: sensed(x)}
	case "sd", "drift", "allan-deviation":
		return NoPrediction(whyScatter)
	}
	return NoPrediction(whyUnknownKey)
}

// Shorten leaves a few readings: held steady, they tell as much as many.
func (watch) Shorten(m *Measurement) {
	m.Duration = min(m.Duration, 8*max(m.Interval, m.Aperture.ApertureSeconds(nominalLineHz)))
}
