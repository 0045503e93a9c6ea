package procedure

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
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

// maxWatch bounds the readings of one pin in one watch.
const maxWatch = 10_000_000

func (watch) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	hold := conditions(m, d, m.Pins...)
	for _, pin := range m.Pins {
		hold = append(hold, Hold{Pin: pin, Use: m.Use, Level: m.Level, Compliance: m.Compliance})
	}
	p := m.point(0, hold, slices.Clone(m.Pins))
	p.Count, p.Interval = m.watchCount(), m.Interval
	return slices.Values([]Point{p})
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
	w := &watchDeriver{kit: newKit(k.facts, m, d, rule)}
	for _, pin := range m.Pins {
		w.pins = append(w.pins, watched{pin: pin})
	}
	return w
}

// watched is what is known of one pin over time.
type watched struct {
	pin   int
	y     derive.Accumulator
	allan derive.AllanStream
	u     float64 // largest standard uncertainty from the ranges' accuracy
	flags bench.Flags
	hits  int
}

type watchDeriver struct {
	kit
	pins []watched
}

func (w *watchDeriver) Add(o Observation) {
	if o.Flags.Has(bench.Auxiliary) {
		return
	}
	for i := range w.pins {
		if w.pins[i].pin != int(o.Pin) {
			continue
		}
		p := &w.pins[i]
		uv, u := o.standard()
		y := o.I
		if w.m.Use == UseCurrent {
			y, u = o.V, uv
		}
		p.y.Add(seconds(&o), y)
		p.allan.Add(y)
		p.u = max(p.u, u)
		p.flags |= o.Flags
		if o.Flags.Has(bench.InCompliance) {
			p.hits++
		}
		return
	}
}

func (w *watchDeriver) Results() []Result {
	var out []Result
	for i := range w.pins {
		if w.pins[i].y.N() > 0 {
			out = w.watchedResults(out, &w.pins[i])
		}
	}
	return out
}

func (w *watchDeriver) watchedResults(out []Result, p *watched) []Result {
	at := value{pin: p.pin, unit: w.m.Use.SensedUnit(), flags: p.flags}
	n := float64(p.y.N())
	if p.hits > 0 {
		at.note = fmt.Sprintf("%d of %d readings at the %s compliance", p.hits, p.y.N(), say(w.m.Compliance, at.unit))
	}
	grow := dependence(&p.y)
	mean := at.with("mean", p.y.Mean(), math.Hypot(p.u, grow*typeA(&p.y)))
	if p.hits == p.y.N() {
		mean.bound = sign(mean.x())
	}
	out = w.add(out, mean)
	// The accuracy of a scatter is that of the gain only, far below what so few
	// readings tell: its uncertainty is the statistical one (GUM E.4.3).
	out = w.add(out, at.with("sd", p.y.SD(), p.y.SD()/math.Sqrt(2*max(n-1, 1))))
	low, high := at.with("minimum", p.y.Min(), p.u), at.with("maximum", p.y.Max(), p.u)
	low.bound, high.bound = mean.bound, mean.bound
	out = w.add(w.add(out, low), high)
	slope, sd := p.y.Drift()
	drift := at.with("drift", slope*3600, grow*sd*3600)
	drift.unit = at.unit + "/h"
	out = w.add(out, drift)
	return w.allan(out, at, p)
}

// dependence is by how much the scatter of a mean is larger because successive
// readings resemble each other: sqrt((1+r)/(1-r)) for a lag-1 autocorrelation r,
// first-order autoregression. Common practice.
func dependence(a *derive.Accumulator) float64 {
	r := a.Lag1()
	if !(r > 0) || a.N() < 10 {
		return 1
	}
	r = min(r, 0.999)
	return math.Sqrt((1 + r) / (1 - r))
}

// Of the Allan deviations, those of the first octaves that rest on a few pairs.
const (
	allanOctaves    = 6
	allanLeastPairs = 3
)

func (w *watchDeriver) allan(out []Result, at value, p *watched) []Result {
	for i, a := range p.allan.Points(w.m.Interval) {
		if i >= allanOctaves || a.Pairs < allanLeastPairs {
			break
		}
		v := at.with("allan-deviation", a.Dev, a.Dev/math.Sqrt(2*float64(a.Pairs)))
		v.group = fmt.Sprintf("%d readings", a.M)
		if w.m.Interval > 0 {
			v.group = "tau " + say(a.Tau, quantity.Second)
		}
		out = w.add(out, v)
	}
	return out
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

// typeA is the standard uncertainty of a mean from the scatter of its repeats, 0
// where there are none.
func typeA(a *derive.Accumulator) float64 {
	if a.N() < 2 {
		return 0
	}
	return a.SDMean()
}
