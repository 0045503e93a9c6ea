package procedure

import (
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// shorts looks for current between pins that should have none.
type shorts struct{ *facts }

var shortsKind = shorts{&facts{
	key: "shorts", title: "Shorts between pins", together: true,
	summary: "Forces each pin at a voltage too small for any diode and senses the current: against all other pins at the return, against its neighbour, or pair by pair.",
	fields: fieldsOf(fieldPins,
		fieldMethod.offering("Against", "all others is the fastest; every pair says for certain which two",
			string(AllOthers), string(Neighbours), string(EveryPair)),
		fieldLevel.with(quantity.Volt, "below 0.3 V, so that no protection diode conducts"),
		fieldCompliance.with(quantity.Ampere, "what a short is allowed to draw"),
		fieldRepeats),
	outputs: []Output{
		gives("current", "Current", quantity.Ampere),
		gives("resistance", "Resistance", quantity.Ohm),
	},
}}

// Common practice: 0.2 V keeps every silicon junction shut; less than 10 kΩ
// between pins counts as a short.
const (
	shortsLevel      = 0.2
	shortsMaxLevel   = diodeLow
	shortsCompliance = 1e-3
	shortsLimit      = shortsLevel / 10e3
)

func (shorts) Default(d *dut.Device) Measurement {
	lo, hi := -shortsLimit, shortsLimit
	m := standard("shorts", "Shorts between pins")
	m.Pins = d.PinsOf(dut.Input, dut.Output, dut.Bidirectional, dut.Analog, dut.Supply)
	m.Method, m.Level, m.Compliance = AllOthers, shortsLevel, shortsCompliance
	m.Limits = map[string]Limit{"current": {&lo, &hi}}
	return m
}

func (k shorts) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	switch m.Method {
	case AllOthers:
	case Neighbours, EveryPair:
		if len(m.Pins) == 1 {
			c.ps.Add("pins", "name at least two pins, or choose all others")
		}
	default:
		c.ps.Add("method", "%q is not one of all others, neighbours, every pair", clip(string(m.Method)))
	}
	if !(math.Abs(m.Level) > 0 && math.Abs(m.Level) <= shortsMaxLevel) {
		c.ps.Add("level", "must be above 0 V and at most %s, so that no protection diode conducts", volts(shortsMaxLevel))
	}
	for _, pin := range m.Pins {
		c.rate("level", "compliance", pin, UseVoltage, m.Level, m.Level, m.Compliance)
	}
	return c.ps
}

// pairs are the pins forced and the pins they are looked for against; 0 stands
// for all others.
func (m *Measurement) pairs() [][2]int {
	var out [][2]int
	for i, a := range m.Pins {
		switch m.Method {
		case Neighbours:
			if i+1 < len(m.Pins) {
				out = append(out, [2]int{a, m.Pins[i+1]})
			}
		case EveryPair:
			for _, b := range m.Pins[i+1:] {
				out = append(out, [2]int{a, b})
			}
		default:
			out = append(out, [2]int{a, 0})
		}
	}
	return out
}

func (shorts) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	grounds := d.PinsOf(dut.Ground)
	var points []Point
	for g, pair := range m.pairs() {
		var hold []Hold
		for _, n := range grounds {
			hold = append(hold, Hold{Pin: n, Use: UseReturn})
		}
		for _, n := range m.Pins {
			if n == pair[1] || pair[1] == 0 && n != pair[0] {
				hold = append(hold, Hold{Pin: n, Use: UseReturn})
			}
		}
		hold = append(hold, Hold{Pin: pair[0], Use: UseVoltage, Level: m.Level, Compliance: m.Compliance})
		points = append(points, m.spot(g, hold, []int{pair[0]}))
	}
	return slices.Values(points)
}

func (shorts) Shape(m *Measurement, d *dut.Device) Shape {
	s := Shape{
		X:     byPin,
		Y:     Axis{Quantity: QuantityCurrent, Label: "Current", Unit: quantity.Ampere},
		Merge: true,
		Band:  m.Limits["current"],
	}
	k := kit{d: d}
	for _, p := range m.pairs() {
		s.Groups = append(s.Groups, k.pairLabel(p))
	}
	return s
}

func (k *kit) pairLabel(p [2]int) string {
	if p[1] == 0 {
		return k.label(p[0])
	}
	return k.label(p[0]) + " to " + k.label(p[1])
}

func (k shorts) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	pairs := m.pairs()
	return newSpots(k, newKit(k.facts, m, d, rule), func(k *kit, spots []spot) []Result {
		return evaluateShorts(k, pairs, spots)
	})
}

func evaluateShorts(k *kit, pairs [][2]int, spots []spot) []Result {
	var out []Result
	conducting := conductingPins(pairs, spots)
	for i := range spots {
		s := &spots[i]
		if !s.read() {
			continue
		}
		c, v := s.current(), s.voltageTo(pairs[i][1])
		if !s.clamped() && v.X != 0 {
			c = k.m.atLevel(c, v, k.m.Level, c.X/v.X)
		}
		group := ""
		if pairs[i][1] != 0 {
			group = k.pairLabel(pairs[i])
		}
		r := value{key: "current", pin: s.pin, group: group, of: c, flags: s.flags, bound: sign(c.X)}
		r.note = shortsNote(k, pairs[i], s, conducting)
		out = k.add(out, r)
		if conducts(s) && s.whole(k.m) {
			out = k.add(out, value{key: "resistance", pin: s.pin, group: group, of: v.Div(s.current()),
				flags: s.flags, bound: -1, note: r.note})
		}
	}
	return out
}

// conducts reports whether the current is one of less than 10 kΩ and beyond its
// uncertainty: below that a resistance would be a figure without meaning.
func conducts(s *spot) bool {
	v, c := s.voltage(), s.current()
	return math.Abs(c.X) > sure*c.Uc() && math.Abs(c.X) > math.Abs(v.X)/10e3
}

func conductingPins(pairs [][2]int, spots []spot) []int {
	var out []int
	for i := range spots {
		if pairs[i][1] == 0 && spots[i].read() && conducts(&spots[i]) {
			out = append(out, spots[i].pin)
		}
	}
	return out
}

// shortsNote names what a conducting pin is shorted to. Against all others it is
// one of those that conduct too, or a ground where no other does.
func shortsNote(k *kit, pair [2]int, s *spot, conducting []int) string {
	if s.flags&untrusted != 0 || !conducts(s) {
		return ""
	}
	v, c := s.voltage().X, s.current().X
	about := "about " + trimZeros(quantity.Format(math.Abs(v/c), quantity.Ohm, 2))
	if s.clamped() {
		about = fmt.Sprintf("at the %s compliance, at most %s", amps(k.m.Compliance),
			trimZeros(quantity.Format(math.Abs(v/c), quantity.Ohm, 2)))
	}
	if pair[1] != 0 {
		return about + " between " + k.label(pair[0]) + " and " + k.label(pair[1])
	}
	var others []string
	for _, n := range conducting {
		if n != s.pin {
			others = append(others, k.label(n))
		}
	}
	switch len(others) {
	case 0:
		return about + ", probably to a ground"
	case 1:
		return about + ", probably to " + others[0]
	}
	return about + ", to one of " + strings.Join(others, ", ")
}

// Imagine draws the current, or is a resistor to whatever stands at the return.
func (shorts) Imagine(_ *Measurement, _ *dut.Device, key string, x float64) Imagined {
	if key == "current" {
		return Imagined{Part: steadyCurrent(x)}
	}
	return Imagined{Part: ohmic(x, 0)}
}
