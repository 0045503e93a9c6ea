package procedure

import (
	"math"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// diodeMinV is the lowest rating, in volts, that says a pin has a protection
// diode to ground: such a pin holds itself near -0.7 V while the current stays
// within its rating, whatever the compliance. Common practice.
const diodeMinV = -1.0

// rate checks what is forced on a pin, from low to high, against its absolute
// maximum ratings, and the compliance with it.
func (c *checker) rate(levelField, compField string, pin int, use Use, low, high, compliance float64) {
	p, ok := c.d.Pin(pin)
	if !ok {
		return // reported where the pin is named
	}
	if !finite(low) || !finite(high) {
		c.ps.Add(levelField, "must be a finite number")
		return
	}
	if !finite(compliance) || compliance <= 0 {
		c.ps.Add(compField, "is missing: give the largest %s that pin %s may see, above 0 %s",
			use.SensedNoun(), p.Label(), use.SensedUnit())
		return
	}
	if use == UseCurrent {
		c.rateCurrent(levelField, compField, p, low, high, compliance)
	} else {
		c.rateVoltage(levelField, compField, p, low, high, compliance)
	}
}

func volts(v float64) string { return say(v, quantity.Volt) }
func amps(v float64) string  { return say(v, quantity.Ampere) }

// rateVoltage keeps a forced voltage within the pin's rating and the current
// that the channel may give within its maximum.
func (c *checker) rateVoltage(levelField, compField string, p dut.Pin, low, high, compliance float64) {
	if low < p.MinV {
		c.ps.Add(levelField, "%s is below the rating of pin %s, %s to %s: stay at or above %s",
			volts(low), p.Label(), volts(p.MinV), volts(p.MaxV), volts(p.MinV))
	}
	if high > p.MaxV {
		c.ps.Add(levelField, "%s is above the rating of pin %s, %s to %s: stay at or below %s",
			volts(high), p.Label(), volts(p.MinV), volts(p.MaxV), volts(p.MaxV))
	} else if supply, known := c.clampLevel(p); known && high > supply+p.AboveClamp+1e-12 {
		c.ps.Add(levelField, "%s on pin %s is more than %s above its clamp supply %s, which is at %s: stay at or below %s, raise the supply, or force a current",
			volts(high), p.Label(), volts(p.AboveClamp), c.label(p.Clamp), volts(supply), volts(supply+p.AboveClamp))
	}
	c.rateMaxI(compField, "compliance", p, compliance)
}

// rateMaxI keeps a current within the pin's maximum.
func (c *checker) rateMaxI(field, what string, p dut.Pin, current float64) {
	switch {
	case p.MaxI == 0:
		c.ps.Add(field, "pin %s has no current rating: give it one on the device, or leave the pin out", p.Label())
	case math.Abs(current) > p.MaxI:
		c.ps.Add(field, "the %s of %s is above the maximum of pin %s, %s: stay at or below %s",
			what, amps(math.Abs(current)), p.Label(), amps(p.MaxI), amps(p.MaxI))
	}
}

// rateCurrent keeps a forced current within the pin's maximum, and the voltage
// that the channel may go to within its rating. Where a protection diode holds
// the pin, the current's rating is the one that governs.
func (c *checker) rateCurrent(levelField, compField string, p dut.Pin, low, high, compliance float64) {
	c.rateMaxI(levelField, "current", p, max(math.Abs(low), math.Abs(high)))
	ceiling := max(p.MaxV, -p.MinV)
	switch {
	case compliance > ceiling:
		c.ps.Add(compField, "a compliance of %s is outside the rating of pin %s, %s to %s: stay at or below %s",
			volts(compliance), p.Label(), volts(p.MinV), volts(p.MaxV), volts(ceiling))
	case high > 0 && compliance > p.MaxV && p.Clamp == 0:
		c.ps.Add(compField, "a current into pin %s may raise it to the compliance of %s, above its rating of %s: stay at or below %s",
			p.Label(), volts(compliance), volts(p.MaxV), volts(p.MaxV))
	case low < 0 && -compliance < p.MinV && p.MinV < diodeMinV:
		c.ps.Add(compField, "a current out of pin %s may take it to %s, below its rating of %s: stay at or below %s",
			p.Label(), volts(-compliance), volts(p.MinV), volts(-p.MinV))
	}
}

// clampLevel is the lowest voltage, in the course of the measurement, of the
// supply that the pin's upper protection diode leads to, where the pin has one
// with a rating and the level is known.
func (c *checker) clampLevel(p dut.Pin) (float64, bool) {
	if p.Clamp == 0 || p.Clamp == p.Number || p.AboveClamp <= 0 {
		return 0, false
	}
	q, ok := c.d.Pin(p.Clamp)
	if !ok {
		return 0, false
	}
	if c.owns(q.Number) {
		return c.ownLevel(q.Number)
	}
	switch h := holdFor(c.m, c.d, q); h.Use {
	case UseVoltage:
		return h.Level, finite(h.Level)
	case UseReturn:
		return 0, true
	}
	return 0, false
}

// ownLevel is the lowest voltage that the measurement itself puts on a pin,
// where it forces a voltage there.
func (c *checker) ownLevel(pin int) (float64, bool) {
	if pin == c.m.Against {
		return 0, true
	}
	own := c.m.forces(c.d, pin)
	return own.Low, own.Known && finite(own.Low)
}
