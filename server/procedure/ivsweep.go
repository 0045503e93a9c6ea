package procedure

import (
	"fmt"
	"iter"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// ivSweep is an I-V curve of a pin, or a family of them.
type ivSweep struct{ *facts }

var sweepKind = ivSweep{&facts{
	key: "sweep", title: "I–V sweep",
	summary: "Runs a pin through a series of voltages or currents and senses the other quantity; with a second pin stepped, one curve for each of its levels.",
	fields: fieldsOf(fieldPins, fieldAgainst, fieldUse, fieldSweep, fieldCompliance, fieldStep,
		fieldPowered, fieldHold, fieldRest, fieldRepeats),
	outputs: []Output{
		gives("resistance", "Resistance, straight line", quantity.Ohm),
		gives("resistance-origin", "Resistance, line through zero", quantity.Ohm),
		gives("conductance", "Conductance, straight line", quantity.Siemens),
		sensedIn("intercept", "Intercept of the line", ""),
		gives("resistance-start", "Resistance at the start", quantity.Ohm),
		gives("resistance-middle", "Resistance in the middle", quantity.Ohm),
		gives("resistance-end", "Resistance at the end", quantity.Ohm),
		sensedIn("minimum", "Minimum", ""),
		sensedIn("maximum", "Maximum", ""),
		gives("ideality", "Ideality factor n", quantity.One),
		gives("saturation-current", "Saturation current", quantity.Ampere),
		gives("series-resistance", "Series resistance", quantity.Ohm),
		gives("compliance-hits", "Readings at the compliance", quantity.One),
	},
}}

// maxCurves bounds the family of curves of one measurement.
const maxCurves = 1000

func (ivSweep) Default(d *dut.Device) Measurement {
	m := standard("sweep", "I–V sweep")
	m.Use, m.Compliance = UseCurrent, contactCompliance
	m.Sweep = &Sweep{Spacing: Log, From: 1e-6, To: 1e-3, Points: 61}
	pins := d.PinsOf(dut.Input, dut.Output, dut.Bidirectional, dut.Analog)
	if len(pins) > 0 {
		m.Pins = pins[:1]
	}
	if len(d.PinsOf(dut.Ground)) == 0 && len(pins) > 1 {
		m.Against = pins[1]
	}
	return m
}

func (k ivSweep) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	c.second(false)
	if m.Use != UseVoltage && m.Use != UseCurrent {
		c.ps.Add("use", "%q is not one of voltage, current", clip(string(m.Use)))
		return c.ps
	}
	c.step()
	if m.Sweep == nil {
		c.ps.Add("sweep", "is missing: give the levels to run through")
		return c.ps
	}
	if !m.Sweep.check(&c.ps, "sweep.", string(m.Use.ForcedUnit())) {
		return c.ps
	}
	if n := m.curves(); n > maxCurves {
		c.ps.Add("step.sweep", "the measurement has %d curves; at most %d", n, maxCurves)
	}
	c.expansion(m.curves() * m.Sweep.Count())
	low, high := m.Sweep.Range()
	for _, pin := range m.Pins {
		c.rate(m.Sweep.worstField(), "compliance", pin, m.Use, low, high, m.Compliance)
	}
	return c.ps
}

// worstField is the field that a rating's message goes beside.
func (s *Sweep) worstField() string {
	if s.Spacing == List {
		return "sweep.list"
	}
	return "sweep.to"
}

// step checks the stepped pin.
func (c *checker) step() {
	s := c.m.Step
	if s == nil || !c.onDevice("step.pin", s.Pin, true) {
		return
	}
	if containsPin(c.m.Pins, s.Pin) || s.Pin == c.m.Against {
		c.ps.Add("step.pin", "pin %s is swept as well: step another pin", c.label(s.Pin))
	}
	if s.Use != UseVoltage && s.Use != UseCurrent {
		c.ps.Add("step.use", "%q is not one of voltage, current", clip(string(s.Use)))
		return
	}
	if !s.Sweep.check(&c.ps, "step.sweep.", string(s.Use.ForcedUnit())) {
		return
	}
	low, high := s.Sweep.Range()
	c.rate("step."+s.Sweep.worstField(), "step.compliance", s.Pin, s.Use, low, high, s.Compliance)
}

// steps is the number of levels of the stepped pin, at least 1.
func (m *Measurement) steps() int {
	if m.Step == nil {
		return 1
	}
	return m.Step.Sweep.Len()
}

// curves is the number of groups: pins by steps by directions.
func (m *Measurement) curves() int { return len(m.Pins) * m.steps() * m.Sweep.directions() }

// curve is what a group of a sweep stands for.
func (m *Measurement) curve(group int) (pin, step, dir int) {
	dirs := m.Sweep.directions()
	return m.Pins[group/(m.steps()*dirs)], group / dirs % m.steps(), group % dirs
}

// stepLabels names the levels of the stepped pin, each differently: a level that
// comes again is counted. A single empty label where nothing is stepped.
func (m *Measurement) stepLabels(k *kit) []string {
	out := make([]string, m.steps())
	if m.Step == nil {
		return out
	}
	seen := map[string]int{}
	for i := range out {
		label := k.label(m.Step.Pin) + " " + say(m.Step.Sweep.At(i), m.Step.Use.ForcedUnit())
		seen[label]++
		if n := seen[label]; n > 1 {
			label += fmt.Sprintf(" (%d)", n)
		}
		out[i] = label
	}
	return out
}

// curveLabel names a curve by its step and direction; "" where there is one only.
func (m *Measurement) curveLabel(steps []string, group int) string {
	_, step, dir := m.curve(group)
	if !m.Sweep.Back {
		return steps[step]
	}
	return joinLabel(steps[step], [2]string{"out", "back"}[dir])
}

func (ivSweep) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	return func(yield func(Point) bool) {
		var slab holdSlab
		own := []int{m.Against}
		if m.Step != nil {
			own = append(own, m.Step.Pin)
		}
		for i, pin := range m.Pins {
			c := curvePoints{m: m, d: d, slab: &slab, read: []int{pin}, yield: yield}
			c.levels, c.held = heldBeside(m, d, pin)
			hold := conditions(m, d, append(own, pin)...)
			if m.Against != 0 {
				hold = append(hold, Hold{Pin: m.Against, Use: UseReturn})
			}
			if m.Step != nil {
				hold = append(hold, Hold{Pin: m.Step.Pin, Use: m.Step.Use, Compliance: m.Step.Compliance})
			}
			c.hold = append(hold, Hold{Pin: pin, Use: m.Use, Compliance: m.Compliance})
			for s := range m.steps() {
				if m.Step != nil {
					c.hold[len(c.hold)-2].Level = m.Step.Sweep.At(s)
				}
				for dir := range m.Sweep.directions() {
					if !c.curve((i*m.steps()+s)*m.Sweep.directions()+dir, dir) {
						return
					}
				}
			}
		}
	}
}

// curvePoints yields the points of one curve after another.
type curvePoints struct {
	m      *Measurement
	d      *dut.Device
	slab   *holdSlab
	hold   []Hold // the swept pin is the last
	read   []int
	levels [maxHeld]heldLevel
	held   int // levels that are held
	yield  func(Point) bool
}

// curve yields the points of a curve and then those with a held level moved.
func (c *curvePoints) curve(group, dir int) bool {
	n := c.m.Sweep.Count()
	for j := range n {
		c.hold[len(c.hold)-1].Level = c.m.Sweep.At(dir*n + j)
		p := c.m.point(group, c.slab.copy(c.hold), c.read)
		p.ReadBack = readsBack(j, n)
		if !c.yield(p) {
			return false
		}
	}
	for _, j := range nudgeNodes(n) {
		c.hold[len(c.hold)-1].Level = c.m.Sweep.At(dir*n + j)
		if c.m.movedAtNode(c.held) > c.held && !c.beside(group, c.levels[:c.held], bendPart) {
			return false
		}
		for i := range c.levels[:c.held] {
			if !c.beside(group, c.levels[i:i+1], 1) {
				return false
			}
		}
	}
	return true
}

// beside yields the point at work with levels moved by a part of their stride.
func (c *curvePoints) beside(group int, levels []heldLevel, part float64) bool {
	hold := c.slab.copy(c.hold)
	for k := range hold[:len(hold)-1] {
		for _, l := range levels {
			if l.is(c.m, &c.hold[k]) {
				hold[k].Level = l.moved(c.m, c.hold[k].Level, part)
			}
		}
	}
	p := c.m.point(group, hold, c.read)
	p.ReadBack, p.Auxiliary, p.Bending, p.Count = true, true, part < 1, 1
	return c.yield(p)
}

func (ivSweep) Shape(m *Measurement, d *dut.Device) Shape {
	v := Axis{Quantity: QuantityVoltage, Label: "Voltage", Unit: quantity.Volt}
	i := Axis{Quantity: QuantityCurrent, Label: "Current", Unit: quantity.Ampere}
	s := Shape{X: v, Y: i, Line: true}
	k := kit{d: d}
	steps := m.stepLabels(&k)
	for g := range m.curves() {
		pin, _, _ := m.curve(g)
		label := m.curveLabel(steps, g)
		if len(m.Pins) > 1 || label == "" {
			label = joinLabel(k.label(pin), label)
		}
		s.Groups = append(s.Groups, label)
	}
	// A current swept over decades is read on a log axis.
	s.Y.Log = m.Use == UseCurrent && m.Sweep.Spacing == Log && m.Sweep.From > 0
	s.X.Log = m.Use == UseVoltage && m.Sweep.Spacing == Log && m.Sweep.From > 0
	return s
}

// count says what a sweep comes to: its paths move once for each pin.
func (ivSweep) count(m *Measurement, d *dut.Device) tally {
	curves, n := int64(m.steps()*m.Sweep.directions()), int64(m.Sweep.Count())
	var points, reads int64
	for _, pin := range m.Pins {
		_, held := heldBeside(m, d, pin)
		moved := curves * int64(len(nudgeNodes(int(n)))*m.movedAtNode(held))
		points += curves*n + moved
		reads += curves*n*int64(m.repeats()) + moved
	}
	return tally{points: points, switches: int64(len(m.Pins)), reads: reads, readings: reads, settling: float64(points) * m.Settle.Time}
}

// joinLabel joins two labels of which either may be empty.
func joinLabel(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + ", " + b
}

// groups is the curve that a result is of.
func (ivSweep) groups(m *Measurement, d *dut.Device) func(r *Result) []int {
	type curve struct {
		pin   int
		label string
	}
	of, steps := map[curve][]int{}, m.stepLabels(&kit{d: d})
	for g := range m.curves() {
		pin, _, _ := m.curve(g)
		of[curve{pin, m.curveLabel(steps, g)}] = []int{g}
	}
	return func(r *Result) []int { return of[curve{r.Pin, r.Group}] }
}

func (k ivSweep) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newSweepDeriver(newKit(k.facts, m, d, rule))
}
