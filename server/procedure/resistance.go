package procedure

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
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
			points = append(points, m.point(g, hold, read))
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

func (k resistance) Derive(m *Measurement, d *dut.Device, guard float64) Deriver {
	evaluate := evaluateRatio
	if m.Method == CurrentReversal {
		evaluate = evaluateReversal
	}
	return newSpots(k, newKit(k.facts, m, d, guard), evaluate)
}

func evaluateRatio(k *kit, spots []spot) []Result {
	var out []Result
	for i := range spots {
		s := &spots[i]
		if !s.read() {
			continue
		}
		v, uv := s.vu()
		c, uc := s.iu()
		out = k.add(out, ratio(k, s.pin, v, uv, c, uc, s.flags))
	}
	return out
}

// ratio is v/i as a value, with the word for what a clamped one means. A current
// that cannot be told from zero gives the least resistance that it allows.
func ratio(k *kit, pin int, v, uv, i, ui float64, flags bench.Flags) value {
	r := value{key: "resistance", pin: pin, flags: flags}
	if math.Abs(i) <= coverage*ui || i == 0 {
		least := math.Abs(i) + coverage*ui
		if least == 0 {
			r.x = math.NaN()
			return r
		}
		r.x, r.bound, r.only = math.Abs(v)/least, 1, true
		r.note = fmt.Sprintf("no current to be seen: at least %s, probably open", say(r.x, quantity.Ohm))
		return r
	}
	r.x, r.u = derive.RatioUncertainty(v, uv, i, ui, 0)
	if !flags.Has(bench.InCompliance) {
		return r
	}
	if k.m.Use == UseCurrent {
		r.bound, r.note = 1, fmt.Sprintf("at the %s compliance: the resistance is too high for this current, or the contact is open", volts(k.m.Compliance))
	} else {
		r.bound, r.note = -1, fmt.Sprintf("at the %s compliance: the resistance is too low for this voltage, or shorted", amps(k.m.Compliance))
	}
	return r
}

// evaluateReversal takes the forward, reversed and forward spots of each pin.
func evaluateReversal(k *kit, spots []spot) []Result {
	var out []Result
	for i := 0; i+2 < len(spots); i += 3 {
		a, b, c := &spots[i], &spots[i+1], &spots[i+2]
		if !a.read() || !b.read() {
			continue
		}
		vp, vpA, ip, ipA := a.v.Mean(), typeA(&a.v), a.i.Mean(), typeA(&a.i)
		flags := a.flags | b.flags
		if c.read() {
			vp, ip = (vp+c.v.Mean())/2, (ip+c.i.Mean())/2
			vpA, ipA = math.Hypot(vpA, typeA(&c.v))/2, math.Hypot(ipA, typeA(&c.i))/2
			flags |= c.flags
		}
		vm, im := b.v.Mean(), b.i.Mean()
		dv, di := vp-vm, ip-im
		// Accuracy is one error seen twice; only the scatter is independent.
		uv := budget.RootSumSquares(differenceU(vp, max(a.uv, c.uv), vm, b.uv), vpA, typeA(&b.v))
		ui := budget.RootSumSquares(differenceU(ip, max(a.ui, c.ui), im, b.ui), ipA, typeA(&b.i))
		r := ratio(k, a.pin, dv, uv, di, ui, flags)
		out = k.add(out, r)
		if r.note == "" && a.whole(k.m) && b.whole(k.m) && c.whole(k.m) {
			_, offset := derive.Reversal(vp, ip, vm, im)
			u := budget.RootSumSquares(max(a.uv, b.uv, c.uv), vpA/2, typeA(&b.v)/2)
			out = k.add(out, value{key: "offset", pin: a.pin, x: offset, u: u, flags: flags})
		}
	}
	return out
}

// typeA is the standard uncertainty of a mean from the scatter of its repeats, 0
// where there are none.
func typeA(a *derive.Accumulator) float64 {
	if a.N() < 2 {
		return 0
	}
	return a.SDMean()
}

// Imagine is a resistor with a voltage in series: the value of its own key, and of
// the other the middle of its limits.
func (resistance) Imagine(m *Measurement, _ *dut.Device, key string, x float64) Imagined {
	if key == "resistance" {
		return Imagined{Part: ohmic(x, 0)}
	}
	return Imagined{Part: ohmic(m.Limits["resistance"].middle(), x)}
}
