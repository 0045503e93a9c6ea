package procedure

import (
	"fmt"
	"iter"
	"math"
	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"slices"

	"ohmkeep/server/derive"
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
			points = append(points, m.point(g, hold, read))
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

func (k outputLevel) Derive(m *Measurement, d *dut.Device, guard float64) Deriver {
	return newSpots(k, newKit(k.facts, m, d, guard), evaluateOutputLevel)
}

// evaluateOutputLevel takes the unloaded and the loaded spot of each pin.
func evaluateOutputLevel(k *kit, spots []spot) []Result {
	var out []Result
	for i := 0; i+1 < len(spots); i += 2 {
		free, load := &spots[i], &spots[i+1]
		for _, s := range []*spot{free, load} {
			if !s.read() {
				continue
			}
			v, u := s.vu()
			r := value{key: "unloaded", pin: s.pin, x: v, u: u, flags: s.flags, bound: sign(v)}
			if s.group == groupLoaded {
				r.key = "loaded"
			}
			if s.clamped() {
				r.note = fmt.Sprintf("at the %s compliance: the output does not carry the current, or is open", volts(k.m.Compliance))
			}
			out = k.add(out, r)
		}
		if free.whole(k.m) && load.whole(k.m) {
			out = k.add(out, outputResistance(k, free, load))
		}
	}
	return out
}

func outputResistance(k *kit, free, load *spot) value {
	v0, u0 := free.v.Mean(), free.uv
	v1, u1 := load.v.Mean(), load.uv
	i0, j0 := free.i.Mean(), free.ui
	i1, j1 := load.i.Mean(), load.ui
	dv, di := v1-v0, i1-i0
	r := value{key: "output-resistance", pin: free.pin, flags: free.flags | load.flags,
		x: derive.OutputResistance(v1, i1, v0, i0)}
	uv := budget.RootSumSquares(differenceU(v0, u0, v1, u1), typeA(&free.v), typeA(&load.v))
	ui := budget.RootSumSquares(differenceU(i0, j0, i1, j1), typeA(&free.i), typeA(&load.i))
	if math.Abs(di) <= coverage*ui {
		r.x = math.NaN() // no load to speak of: nothing can be said
		return r
	}
	_, r.u = derive.RatioUncertainty(dv, uv, di, ui, 0)
	if load.clamped() || free.clamped() {
		r.note = fmt.Sprintf("at the %s compliance: the output does not carry the current", volts(k.m.Compliance))
	}
	return r
}

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
