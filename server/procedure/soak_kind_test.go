package procedure

import (
	"iter"
	"slices"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// soak is a kind of measurement that only tests have, written as every kind is:
// one file, and a line in the table. It has two fields of its own, and a result
// that nothing can be said of beforehand.
type soak struct{ *facts }

var soakKind = soak{&facts{
	key: "soak", title: "Soak current",
	summary: "Forces a voltage on each pin, lets it stand for a while, and senses the current that the pin still draws.",
	fields: fieldsOf(fieldPins,
		fieldLevel.with(quantity.Volt, "its sign is chosen below"), fieldCompliance.with(quantity.Ampere, "chooses the current range"),
		soakDwell, soakPolarity, fieldHold, fieldRepeats),
	outputs: []Output{
		gives("drawn", "Current drawn", quantity.Ampere),
		gives("asymmetry", "Asymmetry", quantity.One),
	},
}}

var (
	soakDwell = OwnQuantity("dwell", "Dwell", quantity.Second, "the voltage stands for %s first", "s that the voltage stands before it is read").
			under(SectionTiming, "before the first reading").within(1e-3, 60)
	soakPolarity = OwnChoice("polarity", "Polarity", []string{"positive", "negative", "both"}, "polarity %s", "sign of the voltage").
			under(SectionForce, "both measures every pin twice")
)

func (soak) Default(d *dut.Device) Measurement {
	m := standard("soak", "Soak current")
	m.Pins, m.Level, m.Compliance = d.PinsOf(dut.Input, dut.Analog), 0.5, 10e-3
	Set(soakDwell, &m, 0.5)
	Set(soakPolarity, &m, "positive")
	return m
}

// levels are the voltages of each pin, in the order of its groups.
func (soak) levels(m *Measurement) []float64 {
	switch Get[string](soakPolarity, m) {
	case "negative":
		return []float64{-m.Level}
	case "both":
		return []float64{m.Level, -m.Level}
	}
	return []float64{m.Level}
}

func (k soak) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	if !(m.Level > 0) {
		c.ps.Add("level", "must be above 0 V: the sign is chosen by the polarity")
	}
	levels := k.levels(m)
	for _, pin := range m.Pins {
		c.rate("level", "compliance", pin, UseVoltage, slices.Min(levels), slices.Max(levels), m.Compliance)
	}
	return c.ps
}

func (k soak) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	var points []Point
	for _, pin := range m.Pins {
		base := conditions(m, d, pin)
		for g, level := range k.levels(m) {
			p := m.point(g, append(slices.Clone(base), Hold{Pin: pin, Use: UseVoltage, Level: level, Compliance: m.Compliance}), []int{pin})
			p.Settle.Time += Get[float64](soakDwell, m)
			points = append(points, p)
		}
	}
	return slices.Values(points)
}

func (k soak) Shape(m *Measurement, _ *dut.Device) Shape {
	return Shape{X: byPin, Y: Axis{Quantity: QuantityCurrent, Label: "Current drawn", Unit: quantity.Ampere},
		Groups: []string{"first", "second"}[:len(k.levels(m))], Band: m.Limits["drawn"]}
}

func (k soak) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newSpots(k, newKit(k.facts, m, d, rule), func(kt *kit, spots []spot) []Result {
		return k.evaluate(kt, spots)
	})
}

func (k soak) evaluate(kt *kit, spots []spot) (out []Result) {
	each := len(k.levels(kt.m))
	for i := 0; i+each <= len(spots); i += each {
		first, last := &spots[i], &spots[i+each-1]
		if !first.whole(kt.m) || !last.whole(kt.m) {
			continue
		}
		c := first.current()
		out = kt.add(out, value{key: "drawn", pin: first.pin, of: c, flags: first.flags, bound: sign(c.X)})
		if each == 2 && c.X != 0 {
			out = kt.add(out, value{key: "asymmetry", pin: first.pin, of: c.Add(last.current()).Div(c), flags: first.flags | last.flags})
		}
	}
	return out
}

func (soak) Imagine(_ *Measurement, _ *dut.Device, key string, x float64) Imagined {
	switch key {
	case "drawn":
		return Imagined{Part: steadyCurrent(x)}
	case "asymmetry":
		return NoPrediction("it hangs on two currents that no limit names")
	}
	return NoPrediction(whyUnknownKey)
}
