package cause

import (
	"math"
	"slices"

	"ohmkeep/server/check"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// expected is how probable each class is under a fault. All of these are assumptions
// of ours, from what such a fault does in a circuit and not from counts; what is left
// of the sum is spread, and no class is impossible.
type expected map[class]float64

// leastExpected is the probability that everything else shares, whatever a fault does.
const leastExpected = 0.005

// untouched is a result that a fault does nothing to.
var untouched = expected{sound: 1}

// of is the probability of a class.
func (e expected) of(c class) float64 {
	sum := 0.0
	for _, p := range e {
		sum += p
	}
	return (1-leastExpected)*e[c]/sum + leastExpected/float64(classes)
}

// likelihood is the logarithm of the probability of all that was seen.
func (c *candidate) likelihood(s *situation) float64 {
	switch c.Kind {
	case check.EnableFloats:
		return c.floats(s)
	case check.PoorContact:
		return mixed(openAmongPoor, c.all(s, func(o *seen) expected { return s.opened(o, c.opens(o)) }),
			c.all(s, func(o *seen) expected { return s.series(o, c.Pins[0]) }))
	}
	return c.all(s, func(o *seen) expected { return c.expect(s, o) })
}

// all is the logarithm of the probability of what was seen, by what is expected.
func (c *candidate) all(s *situation, of func(*seen) expected) (sum float64) {
	for i := range s.seen {
		sum += math.Log(of(&s.seen[i]).of(s.seen[i].class))
	}
	return sum
}

// mixed is the logarithm of p·exp(a) + (1-p)·exp(b).
func mixed(p, a, b float64) float64 {
	most := max(a, b)
	return most + math.Log(p*math.Exp(a-most)+(1-p)*math.Exp(b-most))
}

// expect is what a result looks like under the fault.
func (c *candidate) expect(s *situation, o *seen) expected {
	switch c.Kind {
	case OpenBond, check.StuckOpen:
		return s.opened(o, c.opens(o))
	case Shorted:
		return s.shorted(o, c.Pins[0], c.Pins[1])
	case LeakyPin:
		return s.leaking(o, c.Pins[0])
	case Parameter:
		switch {
		case o.kind != c.kind || len(c.Pins) > 0 && o.pin != c.Pins[0]:
			return untouched
		case len(c.Pins) == 0:
			return expected{off: 0.4, low: 0.25, high: 0.35}
		}
		return expected{sound: 0.1, off: 0.3, more: 0.15, low: 0.2, high: 0.25}
	case check.StuckClosed:
		return s.closed(o, c)
	case check.ChannelDisagrees:
		if slices.ContainsFunc(o.by, func(b procedure.ServedBy) bool { return b.Channel == c.Channels[0] }) {
			return expected{sound: 0.994, off: 0.002, more: 0.002, low: 0.002} // a few percent open or short nothing
		}
		return untouched
	case check.WrongContact:
		if c.elsewhere {
			return s.opened(o, c.opens(o))
		}
		return s.exchanged(o, c.Pins[0], c.Pins[1])
	}
	return untouched
}

// opening is where a result's way is cut: at its own pin, or at one that is held.
type opening struct {
	own  bool
	held *held
}

// opens says where a fault cuts the ways of a result.
func (c *candidate) opens(o *seen) opening {
	if c.Kind == check.StuckOpen {
		if slices.ContainsFunc(o.by, func(b procedure.ServedBy) bool { return b.Path == c.Paths[0] }) {
			return opening{own: true}
		}
		for i := range o.held {
			if o.held[i].path == c.Paths[0] {
				return opening{held: &o.held[i]}
			}
		}
		return opening{}
	}
	if o.pin == c.Pins[0] {
		return opening{own: true}
	}
	return opening{held: o.holds(c.Pins[0])}
}

// holds is how a pin is held, nil where it is not.
func (o *seen) holds(pin int) *held {
	for i := range o.held {
		if o.held[i].pin == pin {
			return &o.held[i]
		}
	}
	return nil
}

// feeds reports whether a pin is a supply or a ground of the part.
func (s *situation) feeds(pin int) bool {
	p, _ := s.rec.Device.Pin(pin)
	return p.Function == dut.Supply || p.Function == dut.Ground
}

// opened is what a result looks like with its way cut.
func (s *situation) opened(o *seen, at opening) expected {
	switch {
	case at.own && (o.kind == "contact"):
		return expected{open: 0.93, high: 0.07}
	case at.own && (o.kind == "leakage" || o.kind == "shorts"):
		return expected{sound: 0.88, low: 0.09, short: 0.03}
	case at.own && o.kind == "supply-current":
		return expected{sound: 0.7, low: 0.15, short: 0.1, off: 0.05}
	case at.own:
		return expected{off: 0.45, open: 0.5, high: 0.05}
	case at.held == nil:
		return untouched
	case s.feeds(at.held.pin):
		switch {
		case o.kind == "contact" && s.feeds(o.pin):
			return expected{open: 0.8, high: 0.15, sound: 0.05}
		case o.kind == "contact":
			return expected{sound: 0.45, high: 0.42, open: 0.13}
		case o.kind == "shorts":
			return untouched
		case o.kind == "supply-current":
			return expected{sound: 0.5, low: 0.2, short: 0.3}
		case o.kind == "leakage":
			return expected{sound: 0.8, low: 0.1, short: 0.1}
		case o.kind == "output-level":
			return expected{high: 0.4, off: 0.25, sound: 0.3, knock: 0.05}
		}
		return expected{off: 0.55, sound: 0.4, knock: 0.05}
	case o.kind == "supply-current":
		return expected{sound: 0.4, short: 0.4, low: 0.2}
	case at.held.use != procedure.UseReturn:
		return expected{off: 0.6, sound: 0.3, knock: 0.05, high: 0.05}
	case !o.powered:
		return untouched
	}
	return expected{sound: 0.85, off: 0.1, high: 0.03, knock: 0.02}
}

// series is what a result looks like with some ohms in the way of a pin.
func (s *situation) series(o *seen, pin int) expected {
	switch {
	case o.pin == pin && (o.kind == "contact" || o.kind == "output-level" || o.kind == "resistance"):
		return expected{more: 0.82, sound: 0.12, high: 0.05, off: 0.01}
	case o.pin == pin && (o.kind == "sweep" || o.kind == "watch"):
		return expected{sound: 0.85, off: 0.15}
	case o.pin != pin && s.feeds(pin) && o.kind == "output-level":
		return expected{sound: 0.9, high: 0.1}
	}
	return untouched
}

// shorted is what a result looks like with two pins joined.
func (s *situation) shorted(o *seen, p, q int) expected {
	if o.pin != p && o.pin != q {
		switch {
		case o.holds(p) == nil && o.holds(q) == nil || !o.powered:
			return untouched
		case o.kind == "supply-current":
			return expected{sound: 0.4, short: 0.5, low: 0.1}
		case s.supplyAndOutput(p, q):
			return expected{sound: 0.75, knock: 0.1, off: 0.15}
		case s.drivesOut(p) != s.drivesOut(q):
			return expected{sound: 0.4, knock: 0.4, off: 0.15, low: 0.05}
		case o.drives(p) || o.drives(q): // one of them is held at a level against the other
			return expected{sound: 0.3, knock: 0.45, off: 0.2, short: 0.05}
		}
		return expected{sound: 0.8, knock: 0.08, off: 0.08, low: 0.04}
	}
	other := p + q - o.pin
	h := o.holds(other)
	switch {
	case o.kind == "contact" && s.feeds(o.pin): // with all others open
		return expected{sound: 0.9, low: 0.1}
	case o.kind == "contact" && h != nil:
		return expected{short: 0.93, low: 0.05, sound: 0.02}
	case o.kind == "contact" && s.feeds(other):
		return expected{short: 0.8, low: 0.1, sound: 0.1}
	case o.kind == "contact":
		return expected{sound: 0.9, low: 0.1}
	case o.kind == "shorts" && h != nil:
		return expected{short: 1}
	case o.kind == "shorts":
		return untouched
	case o.kind == "leakage":
		return expected{short: 0.85, knock: 0.05, low: 0.1}
	case o.kind == "supply-current" && s.supplyAndOutput(p, q):
		return expected{sound: 0.8, short: 0.2}
	case o.kind == "supply-current":
		return expected{short: 0.8, low: 0.1, sound: 0.1}
	case s.supplyAndOutput(p, q):
		return expected{sound: 0.35, off: 0.35, knock: 0.2, low: 0.1}
	}
	return expected{off: 0.45, knock: 0.25, sound: 0.15, high: 0.05, low: 0.1}
}

// supplyAndOutput reports whether one of two pins is a supply and the other an output,
// which may be at its level anyway.
func (s *situation) supplyAndOutput(p, q int) bool {
	a, _ := s.rec.Device.Pin(p)
	b, _ := s.rec.Device.Pin(q)
	return a.Function == dut.Supply && s.drivesOut(q) || b.Function == dut.Supply && s.drivesOut(p)
}

// drives reports whether a pin is held at a level by a channel.
func (o *seen) drives(pin int) bool {
	h := o.holds(pin)
	return h != nil && h.use == procedure.UseVoltage
}

// leaking is what a result looks like with a pin that leaks to the part's ground.
func (s *situation) leaking(o *seen, pin int) expected {
	if o.pin != pin {
		of, _ := s.rec.Device.Pin(pin)
		if o.kind == "supply-current" && of.Function != dut.Ground && !(of.Function == dut.Input) {
			return expected{low: 0.6, short: 0.3, sound: 0.1}
		}
		return untouched
	}
	switch o.kind {
	case "contact":
		return expected{sound: 0.55, low: 0.45}
	case "leakage":
		return expected{low: 0.35, short: 0.6, sound: 0.05}
	case "supply-current":
		return expected{low: 0.55, short: 0.4, sound: 0.05}
	}
	return expected{sound: 0.92, low: 0.04, off: 0.04}
}
