package cause

// What a switch that is not as it should be does to a result: one that stays closed,
// wires that are exchanged, an enable that floats.

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

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
