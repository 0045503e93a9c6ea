package cause

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
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

// closed is what a result looks like with a switch that does not open: its line is
// joined with the pin at its contact.
func (s *situation) closed(o *seen, c *candidate) expected {
	pin := s.pinAt[c.Contacts[0]]
	own := slices.ContainsFunc(o.by, func(b procedure.ServedBy) bool { return b.Channel == c.line })
	h := o.holds(pin)
	switch {
	case c.line == 0 && o.pin == pin:
		return grounded(o)
	case c.line == 0 && h != nil && h.use != procedure.UseReturn:
		return expected{knock: 0.5, off: 0.3, sound: 0.15, short: 0.05}
	case c.line == 0 && h == nil && o.powered && s.drivesOut(pin): // the part drives it against the return
		if o.kind == "supply-current" {
			return expected{short: 0.75, sound: 0.25}
		}
		return expected{sound: 0.5, knock: 0.35, off: 0.15}
	case c.line == 0:
		return untouched
	case own && o.pin == pin: // by the way that should be closed
		return untouched
	case own && (h != nil && h.use == procedure.UseReturn || h == nil && s.feeds(pin)):
		return grounded(o)
	case own && o.kind == "shorts":
		return expected{sound: 0.9, short: 0.1}
	case own && o.kind == "contact": // the pin at the contact is open: its diodes lie beside those of this one
		return expected{low: 0.6, sound: 0.3, off: 0.1}
	case own:
		return expected{off: 0.35, short: 0.2, low: 0.2, knock: 0.05, sound: 0.2}
	}
	for i := range o.held { // the line holds another pin
		if g := &o.held[i]; g.line == c.line && g.line != 0 && g.pin != pin {
			if o.pin == pin {
				return expected{off: 0.4, knock: 0.2, short: 0.25, low: 0.1, sound: 0.05}
			}
			if h != nil {
				return expected{knock: 0.45, off: 0.25, short: 0.1, sound: 0.2}
			}
			if s.supplyAndOutput(pin, g.pin) { // whose level it has while it is high
				return expected{sound: 0.85, knock: 0.1, off: 0.05}
			}
			return expected{sound: 0.6, knock: 0.15, off: 0.2, low: 0.05}
		}
	}
	return untouched
}

// grounded is what a result looks like with the pin tied to the return.
func grounded(o *seen) expected {
	switch o.kind {
	case "contact", "shorts":
		return expected{short: 0.97, low: 0.03}
	case "leakage", "supply-current":
		return expected{short: 0.85, low: 0.05, knock: 0.1}
	}
	return expected{off: 0.5, short: 0.1, high: 0.1, knock: 0.2, low: 0.05, sound: 0.05}
}

// exchanged is what a result looks like with the wires to two pins exchanged.
func (s *situation) exchanged(o *seen, p, q int) expected {
	a, _ := s.rec.Device.Pin(p)
	b, _ := s.rec.Device.Pin(q)
	same := a.Function == b.Function
	about := o.pin == p || o.pin == q
	if s.feeds(p) || s.feeds(q) {
		switch {
		case about:
			return expected{off: 0.3, short: 0.25, open: 0.1, high: 0.15, low: 0.1, sound: 0.1}
		case o.kind == "shorts":
			return untouched
		}
		return expected{sound: 0.35, off: 0.2, high: 0.15, low: 0.1, knock: 0.15, short: 0.05}
	}
	switch {
	case about && o.kind == "contact" && same, about && o.kind == "shorts":
		return expected{sound: 1}
	case about && o.kind == "contact":
		return expected{sound: 0.4, more: 0.25, low: 0.25, off: 0.1}
	case about && o.kind == "leakage" && same:
		return expected{sound: 0.85, low: 0.1, short: 0.05}
	case about && o.kind == "leakage":
		return expected{short: 0.85, low: 0.05, sound: 0.1}
	case about && o.kind == "output-level" && same:
		return expected{sound: 0.5, off: 0.4, knock: 0.1}
	case about && o.kind == "output-level":
		return expected{off: 0.6, knock: 0.3, high: 0.1}
	case about && o.kind == "threshold":
		return expected{off: 1}
	case about:
		return expected{off: 0.6, sound: 0.4}
	case o.kind == "supply-current" && !same:
		return expected{short: 0.7, sound: 0.3}
	case o.drives(p) || o.drives(q):
		return expected{off: 0.6, knock: 0.2, sound: 0.2}
	case o.powered && s.drivesOut(p) != s.drivesOut(q): // the return may be on the output
		return expected{sound: 0.45, knock: 0.4, off: 0.15}
	}
	return untouched
}

// floatingPart is how many of the switches of a multiplexer conduct when its enable
// floats: some, and nobody can say which. An assumption.
const floatingPart = 0.4

// floats is the likelihood of a multiplexer whose enable floats: each of its switches
// either conducts a little, open or closed, or is as it should be, and all that was
// seen at its contact says so together.
func (c *candidate) floats(s *situation) (sum float64) {
	yes, no := map[int]float64{}, map[int]float64{}
	for i := range s.seen {
		o := &s.seen[i]
		besides := math.Log(s.beside(o, c).of(o.class))
		if contact := s.contact(o.pin); slices.Contains(c.Contacts, contact) {
			yes[contact] += math.Log(s.conducts(o, c).of(o.class))
			no[contact] += besides
		} else {
			sum += besides
		}
	}
	for _, contact := range c.Contacts {
		if len(c.Contacts) == 1 {
			sum += yes[contact]
		} else {
			sum += mixed(floatingPart, yes[contact], no[contact])
		}
	}
	return sum
}

// throughMux is the path of a multiplexer by which a result's own pin was read, nil
// for none.
func (s *situation) throughMux(o *seen, mux string) *bench.Path {
	for _, b := range o.by {
		if p := s.paths[b.Path]; p != nil && p.Mux == mux {
			return p
		}
	}
	return nil
}

// conducts is what a result looks like at a contact whose switch half conducts,
// whatever is asked of it.
func (s *situation) conducts(o *seen, c *candidate) expected {
	if c.line == 0 { // to the return
		switch o.kind {
		case "leakage", "supply-current":
			return expected{short: 0.8, low: 0.15, knock: 0.05}
		case "contact":
			return expected{sound: 0.3, low: 0.7}
		case "shorts":
			return expected{sound: 0.7, short: 0.3}
		}
		return expected{sound: 0.6, low: 0.2, off: 0.2}
	}
	if s.throughMux(o, c.Mux) != nil { // its own way
		switch o.kind {
		case "contact":
			return expected{sound: 0.3, open: 0.3, high: 0.15, low: 0.15, short: 0.1}
		case "leakage", "shorts":
			return expected{sound: 0.5, low: 0.3, short: 0.2}
		case "supply-current":
			return expected{short: 0.4, low: 0.3, sound: 0.3}
		}
		return expected{off: 0.4, open: 0.25, knock: 0.15, high: 0.1, low: 0.1}
	}
	if o.lineHeld(c.line) != nil { // what the line holds leaks to this pin
		switch o.kind {
		case "leakage", "supply-current":
			return expected{short: 0.7, low: 0.15, knock: 0.05, sound: 0.1}
		case "contact":
			return expected{low: 0.5, sound: 0.5}
		}
		return expected{sound: 0.45, off: 0.3, knock: 0.15, high: 0.05, low: 0.05}
	}
	switch o.kind { // two of its switches join this pin with a neighbour by the idle line
	case "leakage", "supply-current":
		return expected{sound: 0.35, short: 0.4, low: 0.25}
	case "contact":
		return expected{sound: 0.6, low: 0.4}
	case "shorts":
		return expected{sound: 0.85, short: 0.15}
	}
	return expected{sound: 0.7, off: 0.25, knock: 0.05}
}

// lineHeld is a pin that a channel holds, nil for none.
func (o *seen) lineHeld(line bench.ChannelID) *held {
	for i := range o.held {
		if h := &o.held[i]; h.line == line && h.use != procedure.UseReturn {
			return h
		}
	}
	return nil
}

// beside is what a result looks like beside switches that half conduct at other
// contacts: whatever their line carries leaks.
func (s *situation) beside(o *seen, c *candidate) expected {
	if c.line == 0 {
		pin := s.pinAt[c.Contacts[0]]
		switch h := o.holds(pin); {
		case h != nil && h.use == procedure.UseReturn: // which only half holds it
			return s.opened(o, opening{held: h})
		case o.kind == "supply-current" && s.drivesOut(pin):
			return expected{low: 0.3, short: 0.6, sound: 0.1}
		case h != nil:
			return expected{sound: 0.8, low: 0.1, knock: 0.1}
		}
		return untouched
	}
	if slices.ContainsFunc(o.by, func(b procedure.ServedBy) bool { return b.Channel == c.line }) {
		switch o.kind {
		case "contact":
			return expected{sound: 0.25, low: 0.5, off: 0.1, short: 0.15}
		case "shorts":
			return expected{sound: 0.85, short: 0.15}
		case "leakage", "supply-current":
			return expected{sound: 0.25, low: 0.3, short: 0.45}
		}
		return expected{sound: 0.6, off: 0.2, low: 0.1, knock: 0.1}
	}
	if h := o.lineHeld(c.line); h != nil {
		if p := s.paths[h.path]; p != nil && p.Mux == c.Mux {
			return expected{sound: 0.5, off: 0.25, knock: 0.2, short: 0.05}
		}
		return expected{sound: 0.7, low: 0.05, off: 0.1, knock: 0.15}
	}
	switch o.kind { // an idle line still joins what half conducts to it
	case "leakage":
		return expected{sound: 0.8, low: 0.12, short: 0.08}
	case "supply-current":
		return expected{sound: 0.5, short: 0.35, low: 0.15}
	}
	return untouched
}

// drivesOut reports whether a pin is one that the part itself drives.
func (s *situation) drivesOut(pin int) bool {
	p, _ := s.rec.Device.Pin(pin)
	return p.Function == dut.Output || p.Function == dut.Bidirectional
}
