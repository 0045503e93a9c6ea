package procedure

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"ohmkeep/server/dut"
)

// exposure is what the points of one measurement do to the pins, at worst.
type exposure struct {
	c     *preCheck
	m     *Measurement
	pins  [dut.MaxPins + 1]*held
	over  map[int]*excess // above the clamp supply, by pin
	seg   *Segment
	first bool
	pairs []clampPair
}

// held is what a pin is held at over all points, where a channel holds it.
type held struct {
	use        Use
	low, high  float64 // V or A
	compliance float64
}

// excess is how far a pin is driven above what its clamp supply allows.
type excess struct {
	level, supply, by float64 // V
	state             Use     // of the supply
}

// clampPair is a driven pin and its clamp supply by their places in the holds.
type clampPair struct {
	pin    dut.Pin
	at     int
	supply int // -1: open
}

func newExposure(c *preCheck, m *Measurement) *exposure {
	return &exposure{c: c, m: m, over: map[int]*excess{}, first: true}
}

// point takes in one point; seg is nil where there is no plan.
func (e *exposure) point(seg *Segment, pt *Point) {
	if e.first || seg == nil || seg != e.seg {
		e.first, e.seg = false, seg
		e.findPairs(pt.Hold)
	}
	for i := range pt.Hold {
		h := &pt.Hold[i]
		if !h.Use.TakesChannel() || h.Pin > dut.MaxPins {
			continue
		}
		x := e.pins[h.Pin]
		if x == nil {
			x = &held{use: h.Use, low: h.Level, high: h.Level}
			e.pins[h.Pin] = x
		}
		x.low, x.high = min(x.low, h.Level), max(x.high, h.Level)
		x.compliance = max(x.compliance, h.Compliance)
	}
	for _, n := range pt.Read {
		e.c.read[n] = true
	}
	for _, p := range e.pairs {
		e.clamp(p, pt.Hold)
	}
}

// findPairs finds the pins that a voltage is forced on and that have a rating
// relative to a supply.
func (e *exposure) findPairs(hold []Hold) {
	e.pairs = e.pairs[:0]
	for i, h := range hold {
		p, ok := e.c.Device.Pin(h.Pin)
		if !ok || h.Use != UseVoltage || p.Clamp == 0 || p.Clamp == p.Number || p.AboveClamp <= 0 {
			continue
		}
		e.pairs = append(e.pairs, clampPair{p, i, slices.IndexFunc(hold, func(o Hold) bool { return o.Pin == p.Clamp && o.Use != UseOpen })})
	}
}

func (e *exposure) clamp(p clampPair, hold []Hold) {
	supply, state := 0.0, UseOpen
	if p.supply >= 0 {
		state = hold[p.supply].Use
		if state == UseVoltage {
			supply = hold[p.supply].Level
		}
	}
	level := hold[p.at].Level
	by := level - supply - p.pin.AboveClamp
	if by <= 1e-12 {
		return
	}
	if was := e.over[p.pin.Number]; was == nil || by > was.by {
		e.over[p.pin.Number] = &excess{level, supply, by, state}
	}
}

// fields names the JSON paths of a pin's level and compliance in the
// measurement, or in the device where its power order decides.
func (e *exposure) fields(pin int) (level, compliance string) {
	m := e.m
	if i := slices.IndexFunc(m.Hold, func(h Hold) bool { return h.Pin == pin }); i >= 0 {
		at := fmt.Sprintf("hold[%d].", i)
		return at + "level", at + "compliance"
	}
	switch {
	case m.Step != nil && m.Step.Pin == pin:
		return "step." + m.Step.Sweep.worstField(), "step.compliance"
	case m.Observe == pin:
		return "observe", "observe"
	case slices.Contains(m.Pins, pin) && m.Sweep != nil:
		return m.Sweep.worstField(), "compliance"
	case slices.Contains(m.Pins, pin) && !(m.drives(e.c.Device, pin).Follows && m.Compliance == 0):
		return "level", "compliance"
	}
	if i := slices.IndexFunc(e.c.Device.Power, func(s dut.PowerStep) bool { return s.Pin == pin }); i >= 0 {
		at := fmt.Sprintf("device.power[%d].", i)
		return at + "level", at + "limit"
	}
	return "pins", "pins"
}

// ratings holds every driven pin against its absolute maximum.
func (c *preCheck) ratings(e *exposure) {
	for n, x := range e.pins {
		if x == nil {
			continue
		}
		p, ok := c.Device.Pin(n)
		if !ok {
			continue
		}
		if x.use == UseCurrent {
			c.forcedCurrent(e, p, x)
		} else {
			c.forcedVoltage(e, p, x)
		}
		c.furtherRatings(e, p, x)
	}
	for _, n := range slices.Sorted(maps.Keys(e.over)) {
		c.aboveClamp(e, n, e.over[n])
	}
	c.powerSteps(e)
}

func (c *preCheck) forcedVoltage(e *exposure, p dut.Pin, x *held) {
	level, compliance := e.fields(p.Number)
	rated := volts(p.MinV) + " to " + volts(p.MaxV)
	if x.high > p.MaxV {
		c.add(SeverityError, CodeAboveRating, []int{p.Number}, []string{level},
			"%s is above the absolute maximum, %s: stay at or below %s", volts(x.high), rated, volts(p.MaxV))
	}
	if x.low < p.MinV {
		c.add(SeverityError, CodeAboveRating, []int{p.Number}, []string{level},
			"%s is below the absolute maximum, %s: stay at or above %s", volts(x.low), rated, volts(p.MinV))
	}
	c.currentRating(p, compliance, "a compliance", x.compliance)
}

// furtherRatings holds a pin against the ratings that say themselves when they
// are exceeded.
func (c *preCheck) furtherRatings(e *exposure, p dut.Pin, x *held) {
	level, _ := e.fields(p.Number)
	for _, r := range dut.Ratings() {
		if r.Exceeded == nil {
			continue
		}
		if why := r.Exceeded(p, x.stress()); why != "" {
			c.add(SeverityError, CodeAboveRating, []int{p.Number}, []string{level}, "%s", why)
		}
	}
}

// stress is what the pin may see: what is forced on it, and up to the
// compliance of the other quantity.
func (x *held) stress() dut.Stress {
	if x.use == UseCurrent {
		return dut.Stress{Low: -x.compliance, High: x.compliance, Current: max(math.Abs(x.low), math.Abs(x.high))}
	}
	return dut.Stress{Low: x.low, High: x.high, Current: x.compliance}
}

func (c *preCheck) currentRating(p dut.Pin, field, what string, current float64) {
	switch {
	case p.MaxI == 0:
		c.add(SeverityError, CodeNoRating, []int{p.Number}, []string{field},
			"has no current rating on the device: give it its absolute maximum, or leave the pin out")
	case current > p.MaxI:
		c.add(SeverityError, CodeCurrentRating, []int{p.Number}, []string{field},
			"%s of %s is above the absolute maximum of %s: stay at or below %s", what, amps(current), amps(p.MaxI), amps(p.MaxI))
	}
}

// forcedCurrent looks at where the voltage goes when nothing carries the
// current: to the compliance, and of either sign, since a channel comes up at zero
// and its own error decides there. Below ground a protection diode holds a pin
// whose rating says that it has one.
func (c *preCheck) forcedCurrent(e *exposure, p dut.Pin, x *held) {
	level, compliance := e.fields(p.Number)
	c.currentRating(p, level, "a current", max(math.Abs(x.low), math.Abs(x.high)))
	rated := volts(p.MinV) + " to " + volts(p.MaxV)
	if x.compliance > p.MaxV {
		c.add(SeverityError, CodeComplianceV, []int{p.Number}, []string{compliance},
			"where nothing carries the current it may rise to the compliance of %s, above the absolute maximum, %s: stay at or below %s",
			volts(x.compliance), rated, volts(p.MaxV))
	} else if -x.compliance < p.MinV && (p.MinV < diodeMinV || x.compliance > max(p.MaxV, -p.MinV)) {
		c.add(SeverityError, CodeComplianceV, []int{p.Number}, []string{compliance},
			"where nothing carries the current it may fall to %s, below the absolute maximum, %s: stay at or below a compliance of %s",
			volts(-x.compliance), rated, volts(max(-p.MinV, 0)))
	}
}

// aboveClamp speaks of a pin that is driven above its clamp supply. Into a supply
// that nothing holds the upper protection diode conducts: that is bearable, as
// for contact, while the limit is within the pin's rating, which is a rule of
// its own.
func (c *preCheck) aboveClamp(e *exposure, pin int, x *excess) {
	p, _ := c.Device.Pin(pin)
	level, _ := e.fields(pin)
	clamp := c.label(p.Clamp)
	switch x.state {
	case UseVoltage, UseReturn:
		c.add(SeverityError, CodeAboveClamp, []int{pin}, []string{level},
			"%s is more than %s above its clamp supply %s, which is at %s: stay at or below %s, raise the supply, or force a current",
			volts(x.level), volts(p.AboveClamp), clamp, volts(x.supply), volts(x.supply+p.AboveClamp))
	default:
		word := "left open"
		if x.state == UseCurrent {
			word = "held by a current, so that its voltage is not known"
		}
		c.add(SeverityWarning, CodeUnpowered, []int{pin}, []string{level},
			"%s while its clamp supply %s is %s: the part is fed through the pin's protection diode; bring the supply up, or hold it at the return and stay at or below %s",
			volts(x.level), clamp, word, volts(p.AboveClamp))
	}
}

// powerSteps names supplies that stay down while the part is powered.
func (c *preCheck) powerSteps(e *exposure) {
	if !e.m.Powered {
		return
	}
	for _, n := range c.Device.PinsOf(dut.Supply) {
		if _, own := e.m.holdOf(n); own || e.pins[n] != nil || slices.Contains(e.m.Pins, n) || e.m.Against == n {
			continue
		}
		if _, ok := powerStep(c.Device, n); !ok {
			c.add(SeverityWarning, CodePowerStep, []int{n}, []string{"powered"},
				"is a supply without a power step: it stays open while the others come up; give it a step on the device, or hold it here")
		}
	}
}
