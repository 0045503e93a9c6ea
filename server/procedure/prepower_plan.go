package procedure

import (
	"fmt"
	"maps"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// Bounds where no rating is stated. Common practice, from memory: a small plastic
// package at room temperature carries half a watt, a resistor with wires a
// quarter of one.
const (
	partPower  = 0.5  // W
	strapPower = 0.25 // W
)

// slack is what sums and products of limits may be off by in the last bits.
const slack = 1 + 1e-9

// planned checks what needs to be known of the connections.
func (c *preCheck) planned(e *exposure, step *PlanStep) {
	worst := map[int]float64{} // at the return, A
	var part float64
	for _, seg := range step.Segments {
		sum := seg.current()
		for _, conn := range seg.Conns {
			if conn.Use == UseReturn {
				worst[conn.Pin] = max(worst[conn.Pin], sum)
			}
		}
		part = max(part, seg.power())
		c.order(e, seg)
		c.through(e, seg)
		c.overpowered(e, seg, sum)
		c.straps(e, seg, sum)
		c.paths(seg, sum)
		c.settles(e, seg)
	}
	for _, n := range slices.Sorted(maps.Keys(worst)) {
		c.returnCurrent(n, worst[n])
	}
	if part > partPower*slack {
		c.add(SeverityWarning, CodePartPower, nil, []string{"compliance"},
			"the part may have to take %s at worst, by all levels and limits together; no rating is stated and %s is usual for a small package: lower the limits, or make sure that it bears it",
			say(part, quantity.Watt), say(partPower, quantity.Watt))
	}
}

// conn is the connection that a drive follows; that of its pin's drive for a witness.
func (s *Segment) conn(k int) *Conn {
	k = s.Follows(k)
	i := slices.IndexFunc(s.Conns, func(c *Conn) bool { return c.Drive == k && c.Pin == s.Drives[k].Pin })
	return s.Conns[i]
}

// current is the largest that all channels together can bring into the part, A.
func (s *Segment) current() float64 {
	sum := 0.0
	for k, d := range s.Drives {
		if d.Zero || d.Witness {
			continue // it forces 0 V: it takes, and brings nothing; a witness is on no path
		}
		if c := s.conn(k); d.Mode == bench.ForceCurrent {
			sum += c.Level
		} else {
			sum += c.Compliance
		}
	}
	return sum
}

// power is the largest that all channels together can bring into the part, W.
func (s *Segment) power() float64 {
	sum := 0.0
	for k, d := range s.Drives {
		if !d.Zero && !d.Witness {
			sum += s.conn(k).Level * s.conn(k).Compliance
		}
	}
	return sum
}

// returnCurrent speaks of a pin at the return: nothing limits its current but the
// limits of all channels together. Into a sound input nothing flows; through any
// other pin it may.
func (c *preCheck) returnCurrent(n int, sum float64) {
	p, ok := c.Device.Pin(n)
	switch {
	case !ok:
	case p.MaxI == 0:
		c.add(SeverityWarning, CodeNoRating, []int{n}, []string{"hold"},
			"is at the return and has no current rating on the device: give it its absolute maximum")
	case sum <= p.MaxI*slack:
	case p.Function == dut.Input:
		c.add(SeverityWarning, CodeReturnCurrent, []int{n}, []string{"hold"},
			"at the return it would carry up to %s if the part were shorted inside, above the absolute maximum of %s: lower the limits of the supplies and of the other pins to %s together",
			amps(sum), amps(p.MaxI), amps(p.MaxI))
	default:
		c.add(SeverityError, CodeReturnCurrent, []int{n}, []string{"hold"},
			"at the return it may carry up to %s, above the absolute maximum of %s: lower the limits of the supplies and of the other pins to %s together, or leave it open",
			amps(sum), amps(p.MaxI), amps(p.MaxI))
	}
}

// through finds where a current has nowhere to go back, and pins that the part may
// bring beyond their rating from others: a pin with a clamp supply is held near
// the rails, any other may follow whatever is driven when it is open or its
// channel is at its limit.
func (c *preCheck) through(e *exposure, seg *Segment) {
	low, high, back := seg.span(e, 0)
	for _, conn := range seg.Conns {
		if conn.Use == UseCurrent && !back {
			c.add(SeverityError, CodeNoReturn, []int{conn.Pin}, []string{"against"},
				"its current has nowhere to go back, so that the voltages of the part are not known: tie a pin to the return, or hold one at a voltage")
		}
	}
	if !back {
		return
	}
	for i := range c.Device.Pins {
		p := &c.Device.Pins[i]
		if p.Function == dut.Ground || p.Function == dut.NoConnect ||
			slices.ContainsFunc(seg.Conns, func(o *Conn) bool { return o.Pin == p.Number && o.Use == UseReturn }) {
			continue
		}
		if p.Clamp != 0 {
			c.supplyAbove(e, seg, p, high)
			continue
		}
		if high <= p.MaxV && low >= min(p.MinV, diodeMinV) {
			continue
		}
		c.add(SeverityWarning, CodeThrough, []int{p.Number}, []string{"hold"},
			"other pins reach %s to %s, and it is held by no clamp supply: what comes to it through the part may be outside its absolute maximum, %s to %s; stay within that, or tie it to the return",
			volts(low), volts(high), volts(p.MinV), volts(p.MaxV))
	}
}

// overpowered finds pins with a forced current that others may drive beyond its
// compliance: there its channel holds that voltage, and carries whatever the
// others bring.
func (c *preCheck) overpowered(e *exposure, seg *Segment, sum float64) {
	for _, conn := range seg.Conns {
		x, p := e.pins[conn.Pin], dut.Pin{}
		if conn.Use != UseCurrent || x == nil {
			continue
		}
		p, _ = c.Device.Pin(conn.Pin)
		low, high, _ := seg.span(e, conn.Pin)
		others := sum - conn.Level
		if high <= x.compliance && low >= -x.compliance || others <= p.MaxI*slack {
			continue
		}
		_, field := e.fields(conn.Pin)
		c.add(SeverityError, CodeOverpowered, []int{conn.Pin}, []string{field},
			"other pins reach %s to %s, beyond its compliance of %s, where its channel may have to carry their %s, above the absolute maximum of %s: raise the compliance, or lower the limits of the others",
			volts(low), volts(high), volts(x.compliance), amps(others), amps(p.MaxI))
	}
}

// supplyAbove finds a pin that its own supply may carry beyond its rating: as an
// output that is high, or as an input that floats. A supply that is left open
// follows the highest of the pins that feed it.
func (c *preCheck) supplyAbove(e *exposure, seg *Segment, p *dut.Pin, highest float64) {
	level := highest
	if i := slices.IndexFunc(seg.Conns, func(o *Conn) bool { return o.Pin == p.Clamp }); i >= 0 {
		x := e.pins[p.Clamp]
		switch {
		case x == nil || seg.Conns[i].Use == UseReturn:
			return
		case seg.Conns[i].Use == UseCurrent:
			level = x.compliance
		default:
			level = x.high
			if seg.pushed(e, level) > x.compliance*slack {
				level = max(level, highest)
			}
		}
	}
	if level <= p.MaxV {
		return
	}
	field, _ := e.fields(p.Clamp)
	c.add(SeverityError, CodeSupplyHigh, []int{p.Number}, []string{field},
		"its supply %s goes to %s, above the pin's own absolute maximum of %s, and may carry it there: keep the supply at or below %s",
		c.label(p.Clamp), volts(level), volts(p.MaxV), volts(p.MaxV))
}

// pushed is the current that forced currents may bring into a supply at that
// level through the protection diodes of their pins, A. Above its limit it lifts
// the supply, since the supply's channel takes no more.
func (s *Segment) pushed(e *exposure, level float64) float64 {
	sum := 0.0
	for _, conn := range s.Conns {
		if x := e.pins[conn.Pin]; x != nil && conn.Use == UseCurrent && x.compliance > level {
			sum += max(x.high, 0)
		}
	}
	return sum
}

// span is the lowest and highest voltage that the channels of a segment can make,
// leaving out one pin, and whether anything takes a current back.
func (s *Segment) span(e *exposure, without int) (low, high float64, back bool) {
	for _, conn := range s.Conns {
		x := e.pins[conn.Pin]
		switch {
		case conn.Pin == without:
		case conn.Use == UseReturn:
			back = true
		case x == nil:
		case conn.Use == UseVoltage:
			back = true
			low, high = min(low, x.low), max(high, x.high)
		default:
			low, high = min(low, e.lowest(conn.Pin, x.compliance)), max(high, x.compliance)
		}
	}
	return low, high, back
}

// lowest is where a current out of a pin may take it: to the compliance, unless
// its rating says that a diode to ground holds it.
func (e *exposure) lowest(pin int, compliance float64) float64 {
	if p, ok := e.c.Device.Pin(pin); ok && p.MinV >= diodeMinV {
		return max(-compliance, diodeMinV)
	}
	return -compliance
}

// order finds pins that come up before the supply that they are clamped to, or go
// down after it, by the order in which the executor brings drives up.
func (c *preCheck) order(e *exposure, seg *Segment) {
	for _, conn := range seg.Conns {
		p, ok := c.Device.Pin(conn.Pin)
		if !ok || conn.Use != UseVoltage || p.Clamp == 0 || p.Clamp == p.Number || p.AboveClamp <= 0 {
			continue
		}
		i := slices.IndexFunc(seg.Conns, func(o *Conn) bool { return o.Pin == p.Clamp && o.Use == UseVoltage })
		x := e.pins[conn.Pin]
		if i < 0 || x == nil || x.high <= p.AboveClamp || conn.Drive >= seg.Conns[i].Drive {
			continue
		}
		c.add(SeverityError, CodePowerOrder, []int{conn.Pin}, []string{"device.power"},
			"comes up to %s before its clamp supply %s, and goes down after it; no more than %s above that supply is allowed: put the supply first in the device's power order",
			volts(x.high), c.label(p.Clamp), volts(p.AboveClamp))
	}
}

// paths holds the current that a path may carry against what the bench says of it.
func (c *preCheck) paths(seg *Segment, sum float64) {
	for _, conn := range seg.Conns {
		if conn.Path == 0 {
			continue
		}
		p, ok := c.Bench.PathByID(conn.Path)
		if !ok || p.MaxCurrent <= 0 {
			continue
		}
		i := sum
		switch conn.Use {
		case UseVoltage:
			i = conn.Compliance
		case UseCurrent:
			i = conn.Level
		}
		if i > p.MaxCurrent*slack {
			c.add(SeverityError, CodePathCurrent, []int{conn.Pin}, []string{"compliance"},
				"up to %s through path %s, which may carry %s: lower the limits", amps(i), p.Address, amps(p.MaxCurrent))
		}
	}
}

// straps looks at what strap resistors do at the levels of a segment. What flows
// through one is limited by no channel at its own pin: the part may bring there
// what other pins take in.
func (c *preCheck) straps(e *exposure, seg *Segment, sum float64) {
	low, high, _ := seg.span(e, 0)
	for i, s := range c.PinMap.Straps {
		if s.Kind != bench.StrapResistor || !(s.Resistance > 0) {
			continue
		}
		a, b := c.end(e, seg, s.Contact), c.end(e, seg, s.To)
		across := high - low
		amp := min(across/s.Resistance, sum)
		field := []string{fmt.Sprintf("pinMap.straps[%d].resistance", i)}
		if w := amp * amp * s.Resistance; w > strapPower*slack {
			c.add(SeverityWarning, CodeStrapPower, a.and(b), field,
				"the strap of %s may have to take %s at up to %s across it; a quarter of a watt is usual: lower the levels, or use a larger resistor",
				say(s.Resistance, quantity.Ohm), say(w, quantity.Watt), volts(across))
		}
		c.strapped(a, b, s.Resistance, amp, field)
		c.strapped(b, a, s.Resistance, amp, field)
	}
}

// strapEnd is one end of a strap resistor.
type strapEnd struct {
	pin       dut.Pin // number 0: the return, or a contact without a pin
	driven    bool    // by a channel
	low, high float64 // V
}

func (a strapEnd) and(b strapEnd) []int {
	var out []int
	for _, n := range []int{a.pin.Number, b.pin.Number} {
		if n > 0 {
			out = append(out, n)
		}
	}
	return out
}

func (c *preCheck) end(e *exposure, seg *Segment, contact int) strapEnd {
	var out strapEnd
	n, ok := 0, false
	if contact > 0 {
		n, ok = c.PinMap.PinOf(contact)
	}
	if !ok {
		return out
	}
	out.pin, _ = c.Device.Pin(n)
	for _, conn := range seg.Conns {
		x := e.pins[n]
		if conn.Pin != n || x == nil {
			continue
		}
		out.driven = true
		out.low, out.high = min(x.low, 0), max(x.high, 0)
		if conn.Use == UseCurrent {
			out.low, out.high = e.lowest(n, x.compliance), x.compliance
		}
	}
	return out
}

// strapped checks what reaches the pin at one end of a strap from the other.
func (c *preCheck) strapped(at, from strapEnd, ohms, amp float64, field []string) {
	p := at.pin
	if p.Number == 0 || p.Function == dut.Ground {
		return
	}
	if p.MaxI > 0 && amp > p.MaxI*slack {
		c.add(SeverityError, CodeStrapCurrent, []int{p.Number}, field,
			"its strap of %s may carry up to %s at the levels and limits of all pins, above the absolute maximum of %s: lower them, or use a larger resistor",
			say(ohms, quantity.Ohm), amps(amp), amps(p.MaxI))
	}
	if from.driven && !at.driven && (from.high > p.MaxV || from.low < min(p.MinV, diodeMinV)) {
		c.add(SeverityError, CodeStrapVoltage, []int{p.Number}, field,
			"the strap from pin %s may bring it to %s to %s, outside the absolute maximum, %s to %s: stay within it there, or remove the strap",
			from.pin.Label(), volts(from.low), volts(from.high), volts(p.MinV), volts(p.MaxV))
	}
}
