package procedure

import (
	"iter"
	"math"
	"ohmkeep/server/bench"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// threshold finds where an input switches.
type threshold struct{ *facts }

var thresholdKind = threshold{&facts{
	key: "threshold", title: "Input threshold", powered: true,
	summary: "Sweeps an input up and down again while it watches the output that answers: where it switches each way, and the hysteresis between.",
	fields: fieldsOf(fieldPins.with("", "inputs, swept one after the other"), fieldObserve,
		fieldSweep.with(quantity.Volt, "linear or a rising list; its step is the resolution"),
		fieldCompliance.with(quantity.Ampere, "of the swept input"),
		fieldPowered, fieldHold, fieldRest, fieldRepeats),
	outputs: []Output{
		gives("rising", "Rising threshold", quantity.Volt),
		gives("falling", "Falling threshold", quantity.Volt),
		gives("hysteresis", "Hysteresis", quantity.Volt),
	},
}}

// maxThresholdPoints bounds what the deriver keeps of one direction.
const maxThresholdPoints = 100_000

func (threshold) Default(d *dut.Device) Measurement {
	m := standard("threshold", "Input threshold")
	m.Powered, m.Compliance = true, 1e-3
	if in := d.PinsOf(dut.Input); len(in) > 0 {
		m.Pins = in[:1]
	}
	if out := d.PinsOf(dut.Output); len(out) > 0 {
		m.Observe = out[0]
	}
	top := 0.0
	for _, n := range m.Pins {
		top = leakageLevel(&m, d, n)
	}
	m.Sweep = &Sweep{Spacing: Linear, From: 0, To: top, Points: 251, Back: true}
	return m
}

func (k threshold) Validate(m *Measurement, d *dut.Device) dut.Problems {
	c := k.check(m, d)
	switch {
	case m.Observe == 0:
		c.ps.Add("observe", "name the output that answers")
	case c.onDevice("observe", m.Observe, true):
		if containsPin(m.Pins, m.Observe) {
			c.ps.Add("observe", "pin %s is swept as well: watch another pin", c.label(m.Observe))
		}
		c.rate("observe", "observe", m.Observe, UseCurrent, 0, 0, observeCompliance(d, m.Observe))
	}
	if m.Sweep == nil {
		c.ps.Add("sweep", "is missing: give the input levels to run through")
		return c.ps
	}
	if !m.Sweep.check(&c.ps, "sweep.", "V") {
		return c.ps
	}
	if m.Sweep.Count() > maxThresholdPoints || m.Sweep.Count() < 3 {
		c.ps.Add("sweep.points", "must be 3 to %d for a threshold, not %d", maxThresholdPoints, m.Sweep.Count())
	}
	c.steady("sweep.list", m.Sweep)
	c.expansion(m.Sweep.Len() * len(m.Pins))
	low, high := m.Sweep.Range()
	for _, pin := range m.Pins {
		c.rate("sweep.to", "compliance", pin, UseVoltage, low, high, m.Compliance)
	}
	return c.ps
}

// steady refuses a list that turns back on itself: there would be no telling
// the rising from the falling threshold.
func (c *checker) steady(field string, s *Sweep) {
	if s.Spacing != List || len(s.List) < 2 {
		return
	}
	way := s.List[1] > s.List[0]
	for i := 1; i < len(s.List); i++ {
		if s.List[i] == s.List[i-1] || s.List[i] > s.List[i-1] != way {
			c.ps.Add(field, "must rise or fall all along; level %d does not", i+1)
			return
		}
	}
}

// expansion refuses more points than a measurement may have.
func (c *checker) expansion(points int) {
	if points > MaxPoints {
		c.ps.Add("sweep", "the measurement has %d points; at most %d: use fewer points, pins or steps", points, MaxPoints)
	}
}

// observeCompliance is the voltage to which a channel that forces 0 A on a
// watched pin may go: the pin's own rating.
func observeCompliance(d *dut.Device, pin int) float64 {
	p, _ := d.Pin(pin)
	return max(p.MaxV, -p.MinV)
}

func containsPin(pins []int, n int) bool {
	for _, p := range pins {
		if p == n {
			return true
		}
	}
	return false
}

// readBacks is how often in each direction the levels that are held are read back:
// the supply's current, and with it the part's ground, changes along the sweep.
const readBacks = 16

func (threshold) Points(m *Measurement, d *dut.Device) iter.Seq[Point] {
	return func(yield func(Point) bool) {
		var slab holdSlab
		every := max(1, m.Sweep.Count()/readBacks)
		for i, pin := range m.Pins {
			hold := append(conditions(m, d, pin, m.Observe),
				Hold{Pin: m.Observe, Use: UseCurrent, Compliance: observeCompliance(d, m.Observe)},
				Hold{Pin: pin, Use: UseVoltage, Compliance: m.Compliance})
			level := &hold[len(hold)-1].Level
			read := []int{pin, m.Observe}
			for j := range m.Sweep.Len() {
				*level = m.Sweep.At(j)
				group := i*m.Sweep.directions() + j/m.Sweep.Count()
				p := m.point(group, slab.copy(hold), read)
				p.ReadBack = j%m.Sweep.Count()%every == 0
				if !yield(p) {
					return
				}
			}
		}
	}
}

func (threshold) Shape(m *Measurement, d *dut.Device) Shape {
	k := kit{d: d}
	s := Shape{
		X:    Axis{Quantity: QuantitySet, Label: "Input", Unit: quantity.Volt},
		Y:    Axis{Pin: m.Observe, Quantity: QuantityVoltage, Label: k.label(m.Observe), Unit: quantity.Volt},
		Line: true,
	}
	if len(m.Pins) == 1 {
		s.X.Pin, s.X.Quantity, s.X.Label = m.Pins[0], QuantityVoltage, k.label(m.Pins[0])
	}
	for _, pin := range m.Pins {
		for dir := range m.Sweep.directions() {
			s.Groups = append(s.Groups, k.label(pin)+" "+edge(m.Sweep, dir))
		}
	}
	return s
}

// count says what the sweeps come to: input and output are read together.
func (threshold) count(m *Measurement, _ *dut.Device) tally {
	points := int64(len(m.Pins)) * int64(m.Sweep.Len())
	n := points * int64(m.repeats())
	return tally{points: points, switches: int64(len(m.Pins)), reads: n, readings: 2 * n, settling: float64(points) * m.Settle.Time}
}

// edge names what the input does in a direction of the sweep.
func edge(s *Sweep, dir int) string {
	if (s.At(s.Count()-1) > s.At(0)) == (dir == 0) {
		return "rising"
	}
	return "falling"
}

// groups is the direction that a threshold was found in; both for the hysteresis.
func (threshold) groups(m *Measurement, _ *dut.Device) func(r *Result) []int {
	dirs := m.Sweep.directions()
	return func(r *Result) (out []int) {
		for i, pin := range m.Pins {
			for dir := range dirs {
				if pin == r.Pin && (r.Key == "hysteresis" || edge(m.Sweep, dir) == r.Key) {
					out = append(out, i*dirs+dir)
				}
			}
		}
		return out
	}
}

func (k threshold) Derive(m *Measurement, d *dut.Device, rule Rule) Deriver {
	return newThresholdDeriver(newKit(k.facts, m, d, rule))
}

// Imagine is an output that goes from one rail to the other where its input
// passes the thresholds.
func (threshold) Imagine(m *Measurement, d *dut.Device, key string, x float64) Imagined {
	low, high := m.Sweep.Range()
	rise, fall := m.Limits["rising"].middle(), m.Limits["falling"].middle()
	if _, ok := m.Limits["rising"]; !ok {
		rise = low/2 + high/2
	}
	if _, ok := m.Limits["falling"]; !ok {
		fall = rise
	}
	switch key {
	case "rising":
		rise = x
	case "falling":
		fall = x
	case "hysteresis":
		if math.Abs(rise-fall) == 0 || rise-fall != x {
			middle := rise/2 + fall/2
			rise, fall = middle+x/2, middle-x/2
		}
	}
	top := leakageLevel(m, d, m.Observe)
	if top == 0 {
		top = high
	}
	var input float64
	return Imagined{Part: func(pt *Point, pin int, set bench.Setup) (v, i float64) {
		if pin != m.Observe {
			input = set.Level
			return set.Level, 0
		}
		at := fall
		if edge(m.Sweep, int(pt.Group)%m.Sweep.directions()) == "rising" {
			at = rise
		}
		if input > at {
			return top, set.Level
		}
		return 0, set.Level
	}}
}
