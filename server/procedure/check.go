package procedure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

const (
	maxName     = 120
	maxNote     = 4000
	maxID       = 64
	maxSettle   = 3600.0 // seconds
	maxAperture = 60.0   // seconds
	maxCycles   = 3000.0 // power-line cycles
	maxDuration = 30 * 86400.0
	maxRepeats  = 100_000
	maxRetest   = 20
)

// checker gathers the problems of one measurement for one device.
type checker struct {
	ps   dut.Problems
	kind *facts
	m    *Measurement
	d    *dut.Device
}

// check starts the checks that every kind shares. ok is false where going on
// would only repeat them.
func (f *facts) check(m *Measurement, d *dut.Device) *checker {
	c := &checker{kind: f, m: m, d: d}
	c.texts()
	c.unused()
	c.ownFields()
	c.pins()
	c.settle()
	c.holds()
	c.limits()
	if m.At != nil {
		c.condition("at", m.At)
	}
	if m.Retest < 0 || m.Retest > maxRetest {
		c.ps.Add("retest", "must be 0 to %d, not %d", maxRetest, m.Retest)
	}
	if f.powered && !m.Powered {
		c.ps.Add("powered", "%s needs the supplies up: turn it on", f.title)
	}
	if m.Powered && len(d.Power) == 0 {
		c.ps.Add("powered", "the device has no power steps: give it one, or leave the supplies down")
	}
	if m.Repeats < 0 || m.Repeats > maxRepeats {
		c.ps.Add("repeats", "must be 0 to %d, not %d", maxRepeats, m.Repeats)
	}
	return c
}

// text checks a text's length in characters.
func (c *checker) text(field, s string, least, most int) {
	dut.Text{Least: least, Most: most, Lines: most == maxNote}.Add(&c.ps, field, s)
}

func (c *checker) texts() {
	c.text("id", c.m.ID, 1, maxID)
	c.text("name", c.m.Name, 1, maxName)
	c.text("note", c.m.Note, 0, maxNote)
	c.text("group", c.m.Group, 0, maxName)
}

// unused refuses fields that the kind would ignore, so that nothing that a
// person asked for is dropped in silence.
func (c *checker) unused() {
	for _, f := range sharedFields {
		if !c.kind.uses(f.Name) && !f.Empty(c.m) {
			c.ps.Add(f.Name, "is not used by %s: leave it out", c.kind.title)
		}
	}
}

// pins checks the measured pins: on the device, once each, and not a ground,
// which is always at the return.
func (c *checker) pins() {
	if len(c.m.Pins) == 0 {
		c.ps.Add("pins", "name at least one pin")
	}
	seen := map[int]bool{}
	for i, n := range c.m.Pins {
		field := fmt.Sprintf("pins[%d]", i)
		c.onDevice(field, n, true)
		if seen[n] {
			c.ps.Add(field, "pin %s is named twice", c.label(n))
		}
		seen[n] = true
	}
}

// onDevice reports whether the pin exists and may be connected to a channel.
func (c *checker) onDevice(field string, n int, channel bool) bool {
	p, ok := c.d.Pin(n)
	switch {
	case !ok:
		c.ps.Add(field, "pin %d is not on the device, which has %d pins", n, len(c.d.Pins))
		return false
	case channel && p.Function == dut.Ground:
		c.ps.Add(field, "pin %s is a ground and always at the return: choose another pin", p.Label())
		return false
	}
	return true
}

func (c *checker) label(n int) string {
	if p, ok := c.d.Pin(n); ok {
		return p.Label()
	}
	return fmt.Sprint(n)
}

func (c *checker) settle() {
	s, a := c.m.Settle, c.m.Aperture
	c.between("settle.time", s.Time, 0, maxSettle, quantity.Second)
	if s.UntilStable {
		c.between("settle.tolerance", s.Tolerance, 1e-9, 1, quantity.One)
		c.between("settle.within", s.Within, 1e-6, maxSettle, quantity.Second)
	} else if s.Tolerance != 0 || s.Within != 0 {
		c.ps.Add("settle.untilStable", "tolerance and within count only until stable: turn it on, or leave them out")
	}
	switch {
	case a.Cycles != 0 && a.Seconds != 0:
		c.ps.Add("aperture.seconds", "give power-line cycles or seconds, not both")
	case a.Cycles != 0:
		c.between("aperture.cycles", a.Cycles, 0.001, maxCycles, quantity.One)
	case a.Seconds == 0:
		c.ps.Add("aperture", "is missing: give power-line cycles such as 1, or seconds")
	default:
		c.between("aperture.seconds", a.Seconds, 1e-6, maxAperture, quantity.Second)
	}
}

// between refuses what is not a number from low to high.
func (c *checker) between(field string, v, low, high float64, unit quantity.Unit) bool {
	if v >= low && v <= high {
		return true
	}
	c.ps.Add(field, "must be %s to %s, not %s", say(low, unit), say(high, unit), say(v, unit))
	return false
}

// say prints a value for a message, also one that is no number.
func say(v float64, unit quantity.Unit) string {
	if math.IsNaN(v) {
		return "NaN"
	}
	return strings.TrimSpace(trimZeros(quantity.Format(v, unit, 4)))
}

// trimZeros takes the zeros off the end of a printed number: "5.000 V" is "5 V".
func trimZeros(s string) string {
	number, unit, _ := strings.Cut(s, " ")
	if strings.Contains(number, ".") && !strings.Contains(number, "e") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	if unit == "" {
		return number
	}
	return number + " " + unit
}

// holds checks the conditions on other pins, their ratings included.
func (c *checker) holds() {
	if r := c.m.Rest; r != "" && r != UseReturn && r != UseOpen {
		c.ps.Add("rest", "%q is not one of return, open", clip(string(r)))
	}
	seen := map[int]bool{}
	for i, h := range c.m.Hold {
		at := fmt.Sprintf("hold[%d].", i)
		if !c.onDevice(at+"pin", h.Pin, h.Use != UseReturn) {
			continue
		}
		if seen[h.Pin] {
			c.ps.Add(at+"pin", "pin %s is held twice: keep one", c.label(h.Pin))
		}
		if c.owns(h.Pin) {
			c.ps.Add(at+"pin", "pin %s is connected by the measurement itself: it cannot be held as well", c.label(h.Pin))
		}
		seen[h.Pin] = true
		switch h.Use {
		case UseVoltage, UseCurrent:
			c.rate(at+"level", at+"compliance", h.Pin, h.Use, h.Level, h.Level, h.Compliance)
		case UseReturn, UseOpen:
			if h.Level != 0 || h.Compliance != 0 {
				c.ps.Add(at+"level", "a pin at %s has no level and no compliance: leave them out", h.Use)
			}
		default:
			c.ps.Add(at+"use", "%q is not one of voltage, current, return, open", clip(string(h.Use)))
		}
	}
}

// owns reports whether the measurement connects the pin itself.
func (c *checker) owns(pin int) bool {
	return c.m.connects(pin)
}

func (c *checker) limits() {
	keys := make([]string, 0, len(c.m.Limits))
	for k := range c.m.Limits {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		l, at := c.m.Limits[k], "limits."+k
		if _, ok := c.kind.output(k); !ok {
			c.ps.Add(at, "%s has no result of that key; it has %s", c.kind.title, strings.Join(c.kind.outputKeys(), ", "))
			continue
		}
		low, high := l.Low, l.High
		if low != nil && !finite(*low) {
			c.ps.Add(at+".low", "must be a finite number")
		}
		if high != nil && !finite(*high) {
			c.ps.Add(at+".high", "must be a finite number")
		}
		if low != nil && high != nil && *low > *high {
			c.ps.Add(at+".low", "the low limit %g is above the high limit %g", *low, *high)
		}
	}
}

func (f *facts) outputKeys() []string {
	keys := make([]string, len(f.outputs))
	for i, o := range f.outputs {
		keys[i] = o.Key
	}
	return keys
}

// second checks a second terminal. need says that there must be one.
func (c *checker) second(need bool) {
	a := c.m.Against
	switch {
	case a == 0 && need:
		c.ps.Add("against", "name the second terminal")
	case a == 0 && len(c.d.PinsOf(dut.Ground)) == 0:
		c.ps.Add("against", "the device has no ground: name the second terminal")
	case a != 0 && c.onDevice("against", a, false) && slices.Contains(c.m.Pins, a):
		c.ps.Add("against", "pin %s is measured as well: choose another second terminal", c.label(a))
	}
}
