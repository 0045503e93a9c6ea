package procedure

import (
	"fmt"
	"iter"
	"math"
	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"slices"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// outputLevel loads an output with a current.
type outputLevel struct{ *facts }

var outputLevelKind = outputLevel{&facts{
	key: "output-level", title: "Output level", powered: true,
	summary: "Senses each output at no load and then with a current forced into it (it sinks) or out of it (it sources): its level under load and its output resistance.",
	fields: fieldsOf(fieldPins,
		fieldLevel.with(quantity.Ampere, "load current: above 0 the output sinks it, below 0 it sources it"),
		fieldCompliance.with(quantity.Volt, "above the supply"),
		fieldPowered, fieldHold, fieldRest, fieldRepeats),
	outputs: []Output{
		gives("unloaded", "Level at no load", quantity.Volt),
		gives("loaded", "Level under load", quantity.Volt),
		gives("output-resistance", "Output resistance", quantity.Ohm),
	},
}}

const (
	groupUnloaded = iota
	groupLoaded
)

func (outputLevel) Default(d *dut.Device) Measurement {
	m := standard("output-level", "Output level, source")
	m.Pins = d.PinsOf(dut.Output)
	m.Powered, m.Compliance, m.Level = true, safeCompliance(d, m.Pins), -4e-3
	for _, n := range m.Pins {
		if p, _ := d.Pin(n); p.MaxI > 0 {
			m.Level = max(m.Level, -p.MaxI/2)
		}
	}
	return m
}

func (k outputLevel) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	if m.Level == 0 {
		c.ps.Add("level", "must not be 0 A: give the load current, above 0 to sink, below 0 to source")
	}
	for _, pin := range m.Pins {
		c.rate("level", "compliance", pin, UseCurrent, min(0, m.Level), max(0, m.Level), m.Compliance)
	}
	return c.ps
}

func (outputLevel) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	var points []Point
	for _, pin := range m.Pins {
		base, read := conditions(m, d, pin), []int{pin}
		for g, level := range []float64{groupUnloaded: 0, groupLoaded: m.Level} {
			hold := append(slices.Clone(base), Hold{Pin: pin, Use: UseCurrent, Level: level, Compliance: m.Compliance})
			p := m.spot(g, hold, read)
			points = append(append(points, p), nudges(d, p, false, hurryVoltage)...)
		}
	}
	return slices.Values(points)
}

func (outputLevel) Shape(m *Measurement, d *dut.Device) Shape {
	return Shape{
		X:      Axis{Quantity: QuantityCurrent, Label: "Current into the pin", Unit: quantity.Ampere},
		Y:      Axis{Quantity: QuantityVoltage, Label: "Output voltage", Unit: quantity.Volt},
		Groups: []string{"no load", "under load"}, Band: m.Limits["loaded"],
	}
}

func (k outputLevel) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newSpots(k, newKit(k.facts, m, d, rule), evaluateOutputLevel)
}

// groups are the points at no load, under load, or both.
func (outputLevel) groups(*Measurement, *dut.Device) func(r *Result) []int {
	return func(r *Result) []int {
		switch r.Key {
		case "unloaded":
			return []int{groupUnloaded}
		case "loaded":
			return []int{groupLoaded}
		}
		return []int{groupUnloaded, groupLoaded}
	}
}

// evaluateOutputLevel takes the unloaded and the loaded spots of each pin.
func evaluateOutputLevel(k *kit, spots []spot) []Result {
	var out []Result
	for _, of := range perPin(spots) {
		var at [2]*spot
		var moved [2][]*spot
		for _, s := range of {
			if at[s.group] == nil {
				at[s.group] = s
			} else {
				moved[s.group] = append(moved[s.group], s)
			}
		}
		free, load := at[groupUnloaded], at[groupLoaded]
		var levels [2]budget.Value
		for n, s := range at {
			if !s.read() {
				continue
			}
			levels[n] = s.taken(UseCurrent, s.conditions(UseCurrent, s, nil, moved[n]), true)
			r := value{key: "unloaded", pin: s.pin, of: levels[n], flags: s.flags, lost: k.lost(s)}
			if s.group == groupLoaded {
				r.key, r.of = "loaded", atLoad(k.m, levels[n], s, free)
			}
			r.bound = sign(r.x())
			if s.clamped() {
				r.note = fmt.Sprintf("at the %s compliance: the output does not carry the current, or is open", volts(k.m.Compliance))
			}
			out = k.add(out, r)
		}
		if free.whole(k.m) && load.whole(k.m) {
			if r, ok := outputResistance(k, free, load, levels); ok {
				out = k.add(out, r)
			}
		}
	}
	return out
}

// atLoad is the loaded level at the load current that was asked for, by the
// output's own resistance.
func atLoad(m *Measurement, level budget.Value, load, free *spot) budget.Value {
	if !free.read() || clampedAny(load, free) {
		return level
	}
	di := load.current().X - free.current().X
	if di == 0 {
		return level
	}
	ohms := (level.X - free.voltage().X) / di
	return level.Sub(load.current().Sub(budget.Exact(m.Level)).Scale(ohms))
}

func outputResistance(k *kit, free, load *spot, levels [2]budget.Value) (value, bool) {
	dv, di := levels[1].Sub(levels[0]), load.current().Sub(free.current())
	r := value{key: "output-resistance", pin: free.pin, flags: free.flags | load.flags, lost: k.lost(free, load)}
	if math.Abs(di.X) <= sure*di.Uc() {
		return r, false // no load to speak of: nothing can be said
	}
	r.of, r.said = quotient(dv, di)
	if clampedAny(free, load) {
		r.note = fmt.Sprintf("at the %s compliance: the output does not carry the current", volts(k.m.Compliance))
	}
	return r, true
}

// quotient is a over b, and what is said of it where its first order does not tell
// enough: of a load current that is badly known its reciprocal is far from
// symmetric, and a voltage that may be zero cannot be turned round with it, so both
// are drawn together (Supplement 1 of the GUM, with a fixed seed).
func quotient(a, b budget.Value) (budget.Value, *budget.Statement) {
	over := func(x []float64) float64 { return x[0] / x[1] }
	q := a.Div(b)
	if b.Uc() < unsymmetric/4*math.Abs(b.X) || !(budget.Nonlinear(over, a, b) > unsymmetric) {
		return q, nil
	}
	said := budget.Simulate(over, budget.Coverage, a, b)
	return q, &said
}

// mayBend: what is measured is a voltage, with and without load.
func (outputLevel) mayBend(*Measurement) bool { return true }

// Imagine has levels at no load and under load: the value of its own key, and of
// the others the middle of their limits.
func (outputLevel) Imagine(m *Measurement, _ *dut.Device, key string, x float64) Imagined {
	free, loaded := m.Limits["unloaded"].middle(), m.Limits["loaded"].middle()
	switch key {
	case "unloaded":
		free = x
	case "loaded":
		loaded = x
	default:
		if _, ok := m.Limits["unloaded"]; !ok {
			free = loaded
		}
		loaded = free + x*m.Level
	}
	return Imagined{Part: func(pt *Point, _ int, set bench.Setup) (v, i float64) {
		if pt.Group == groupLoaded {
			return loaded, set.Level
		}
		return free, set.Level
	}}
}
