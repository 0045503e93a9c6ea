package bench

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"ohmkeep/server/quantity"
)

// A remedy is proposed only after the same needs were solved again with it.

// Fix is a change to a pin map that was found to free a clash.
type Fix struct {
	// Contacts moves pins: pin number → its new contact. Two pins are exchanged
	// or one moves to a free contact.
	Contacts map[int]int `json:"contacts,omitempty"`
	Strap    []Strap     `json:"strap,omitempty"`   // straps to make
	Unstrap  []int       `json:"unstrap,omitempty"` // contacts whose strap to a line goes
}

// Apply returns the pin map with the change made.
func (f *Fix) Apply(pm PinMap) PinMap {
	contacts := maps.Clone(pm.Contacts)
	if contacts == nil {
		contacts = map[int]int{}
	}
	maps.Copy(contacts, f.Contacts)
	pm.Contacts = contacts
	pm.Straps = slices.DeleteFunc(slices.Clone(pm.Straps), func(s Strap) bool {
		return s.Kind != StrapResistor && slices.Contains(f.Unstrap, s.Contact)
	})
	pm.Straps = append(pm.Straps, f.Strap...)
	return pm
}

// maxTrials bounds how many changes a solver tries for all its clashes
// together: a bench that cannot do a whole procedure is not worth a second.
const maxTrials = 2000

// proposal is a change and its words.
type proposal struct {
	fix   Fix
	words string
}

// remedy finds what frees a clash and writes it into it: a change to the pin
// map and, where there is one, a change to the measurement. What frees all
// needs comes before what frees the clashing pins alone. Without either, what
// the clash says already stays: to leave pins out.
func (s *Solver) remedy(c *Clash, needs []Need) {
	core := slices.DeleteFunc(slices.Clone(needs), func(n Need) bool { return !slices.Contains(c.Pins, n.Pin) })
	if len(core) != len(c.Pins) {
		core = needs // it is about a pin that is not asked for, or asked for twice
	}
	var words []string
	for _, set := range [][]Need{needs, core} {
		if w, ok := s.otherNeeds(c, set); ok {
			words = append(words, w)
		}
		if p, ok := s.freeing(c, set); ok {
			words, c.Fix = append(words, p.words), &p.fix
			s.worked = append(s.worked, p)
		}
		if len(words) > 0 {
			c.Remedy = strings.Join(words, ", or ")
			if len(set) < len(needs) {
				c.Remedy += "; that frees these pins, others clash besides"
			}
			return
		}
		if len(core) == len(needs) {
			return
		}
	}
}

// freeing finds the first change to the pin map with which the needs can be
// served. What has freed another clash is tried first.
func (s *Solver) freeing(c *Clash, needs []Need) (found proposal, ok bool) {
	try := func(p proposal) bool {
		if s.trials >= maxTrials {
			return false
		}
		s.trials++
		pm := p.fix.Apply(*s.pm)
		if s.on(&pm).possible(needs) {
			found, ok = p, true
		}
		return !ok
	}
	for _, p := range s.worked {
		if s.concerns(p, c) && !try(p) {
			return found, ok
		}
	}
	s.proposals(c, needs, try)
	return found, ok
}

// concerns reports whether a change touches a clashing pin.
func (s *Solver) concerns(p proposal, c *Clash) bool {
	return slices.ContainsFunc(c.Pins, func(pin int) bool {
		at, placed := s.pm.Contacts[pin]
		_, moved := p.fix.Contacts[pin]
		return moved || placed && (slices.Contains(p.fix.Unstrap, at) ||
			slices.ContainsFunc(p.fix.Strap, func(t Strap) bool { return t.Contact == at }))
	})
}

// proposals gives every change worth trying to try, until that says to stop:
// straps to the return, moved pins, straps to a channel, straps taken away.
func (s *Solver) proposals(c *Clash, needs []Need, try func(proposal) bool) {
	for _, n := range needs {
		at, placed := s.pm.Contacts[n.Pin]
		if !slices.Contains(c.Pins, n.Pin) || !placed || n.Line != ToReturn || s.strapAt(at) {
			continue
		}
		if !try(proposal{Fix{Strap: []Strap{{Contact: at, Kind: StrapReturn}}},
			fmt.Sprintf("strap contact %d (pin %d) to the return", at, n.Pin)}) {
			return
		}
	}
	for _, pin := range c.Pins {
		if !s.moves(pin, try) {
			return
		}
	}
	if s.tiedTogether(c, needs, try) {
		s.untied(c, try)
	}
}

// strapAt reports whether any strap is on a contact.
func (s *Solver) strapAt(contact int) bool {
	return slices.ContainsFunc(s.pm.Straps, func(t Strap) bool { return t.Contact == contact || t.Kind == StrapResistor && t.To == contact })
}

// moves tries a pin on every other contact, near ones first; the pin that sits
// there takes its place. Contacts with straps are left alone.
func (s *Solver) moves(pin int, try func(proposal) bool) bool {
	at, placed := s.pm.Contacts[pin]
	if placed && s.strapAt(at) {
		return true
	}
	far := func(b int) int { return max(at-b, b-at) }
	var to []int
	for b := 1; b <= s.def.Contacts; b++ {
		if b != at && !s.strapAt(b) {
			to = append(to, b)
		}
	}
	slices.SortStableFunc(to, func(a, b int) int { return far(a) - far(b) })
	for _, b := range to {
		other, taken := s.pm.PinOf(b)
		p := proposal{Fix{Contacts: map[int]int{pin: b}}, fmt.Sprintf("move pin %d from contact %d to contact %d", pin, at, b)}
		switch {
		case !placed && taken:
			continue
		case !placed:
			p.words = fmt.Sprintf("give pin %d contact %d", pin, b)
		case taken:
			p.fix.Contacts[other] = at
			p.words = fmt.Sprintf("exchange contacts %d and %d (pins %d and %d)", at, b, pin, other)
		}
		if !try(p) {
			return false
		}
	}
	return true
}

// tiedTogether tries to strap pins that are driven alike to one channel, then
// single pins. It reports whether to go on.
func (s *Solver) tiedTogether(c *Clash, needs []Need, try func(proposal) bool) bool {
	var sets [][]int
	seen := map[int]bool{}
	for _, n := range needs {
		if n.Line != ToChannel || n.Alike == 0 || seen[n.Alike] || !slices.Contains(c.Pins, n.Pin) {
			continue
		}
		seen[n.Alike] = true
		if set := s.alikeTo(n, needs); len(set) > 1 {
			sets = append(sets, set)
		}
	}
	for _, n := range needs {
		if at, placed := s.pm.Contacts[n.Pin]; placed && n.Line == ToChannel && slices.Contains(c.Pins, n.Pin) && !s.strapAt(at) {
			sets = append(sets, []int{n.Pin})
		}
	}
	for _, set := range sets {
		for i := range s.def.Channels {
			ch := &s.def.Channels[i]
			var p proposal
			var at []int
			for _, pin := range set {
				at = append(at, s.pm.Contacts[pin])
				p.fix.Strap = append(p.fix.Strap, Strap{Contact: s.pm.Contacts[pin], Kind: StrapChannel, Channel: ch.ID})
			}
			slices.Sort(at)
			noun := "contact "
			if len(at) > 1 {
				noun = "contacts "
			}
			p.words = fmt.Sprintf("strap %s%s (%s) to channel %s", noun, strings.TrimPrefix(strings.TrimPrefix(pinList(at), "pins "), "pin "), pinList(set), ch.Label())
			if !try(p) {
				return false
			}
		}
	}
	return true
}

// alikeTo lists the pins that are driven like a need and have no strap yet.
func (s *Solver) alikeTo(n Need, needs []Need) []int {
	var out []int
	for _, o := range needs {
		if at, placed := s.pm.Contacts[o.Pin]; placed && alike(n, o) && !s.strapAt(at) {
			out = append(out, o.Pin)
		}
	}
	slices.Sort(out)
	return out
}

// untied tries to take away each strap to a line, those of the clash first.
func (s *Solver) untied(c *Clash, try func(proposal) bool) {
	var own, others []proposal
	for _, t := range s.pm.Straps {
		if t.Kind == StrapResistor {
			continue
		}
		p := proposal{Fix{Unstrap: []int{t.Contact}}, fmt.Sprintf("remove the strap on contact %d", t.Contact)}
		pin, ok := s.pm.PinOf(t.Contact)
		if ok {
			p.words += fmt.Sprintf(" (pin %d)", pin)
		}
		if ok && slices.Contains(c.Pins, pin) {
			own = append(own, p)
		} else {
			others = append(others, p)
		}
	}
	for _, p := range append(own, others...) {
		if !try(p) {
			return
		}
	}
}

// otherNeeds finds what to ask for instead: pins on one channel held alike, two
// wires in place of four, a level or a limit that a channel has.
func (s *Solver) otherNeeds(c *Clash, needs []Need) (string, bool) {
	if with := s.heldAlike(c, needs); with != nil && s.possible(with) {
		return "hold " + pinList(c.Pins) + " alike", true
	}
	inClash := func(n Need) bool { return slices.Contains(c.Pins, n.Pin) }
	if slices.ContainsFunc(needs, func(n Need) bool { return n.Kelvin && inClash(n) }) {
		two := slices.Clone(needs)
		for i := range two {
			two[i].Kelvin = two[i].Kelvin && !inClash(two[i])
		}
		if s.possible(two) {
			return "measure " + pinList(c.Pins) + " two-wire", true
		}
	}
	if len(c.Pins) != 1 {
		return "", false
	}
	i := slices.IndexFunc(needs, func(n Need) bool { return n.Pin == c.Pins[0] && n.Line == ToChannel })
	if i < 0 {
		return "", false
	}
	for _, lower := range s.lowered(needs[i]) {
		less := slices.Clone(needs)
		less[i] = lower
		if s.possible(less) {
			return fmt.Sprintf("stay at or below %s and %s on pin %d", quantity.Format(lower.Voltage, quantity.Volt, 3),
				quantity.Format(lower.Current, quantity.Ampere, 3), lower.Pin), true
		}
	}
	return "", false
}

// heldAlike is the needs with all pins of a strapped clash held like the first
// of them that is asked for; nil where no strap joins them.
func (s *Solver) heldAlike(c *Clash, needs []Need) []Need {
	if len(c.Pins) < 2 || slices.ContainsFunc(c.Pins, func(pin int) bool { return s.straps[s.pm.Contacts[pin]].Kind != StrapChannel }) {
		return nil
	}
	first := slices.IndexFunc(needs, func(n Need) bool { return slices.Contains(c.Pins, n.Pin) && n.Line == ToChannel })
	if first < 0 {
		return nil
	}
	like := needs[first]
	if like.Alike == 0 {
		like.Alike = math.MaxInt // like no other
	}
	out := slices.DeleteFunc(slices.Clone(needs), func(n Need) bool { return slices.Contains(c.Pins, n.Pin) })
	for _, pin := range c.Pins {
		like.Pin = pin
		out = append(out, like)
	}
	return out
}

// lowered is a need within what each channel in its reach can do at most, where
// that is less than it asks for.
func (s *Solver) lowered(n Need) []Need {
	var out []Need
	for i := range s.def.Channels {
		ch := &s.def.Channels[i]
		v, a := top(ch.ForceV), top(ch.ForceI)
		if n.Mode == ForceCurrent {
			v = min(v, top(ch.SenseV))
		} else {
			a = min(a, top(ch.SenseI))
		}
		if n.Voltage <= v && n.Current <= a {
			continue
		}
		less := n
		less.Voltage, less.Current = min(n.Voltage, v), min(n.Current, a)
		if less.Voltage > 0 && less.Current > 0 {
			out = append(out, less)
		}
	}
	slices.SortStableFunc(out, func(a, b Need) int { return cmp.Compare(b.Voltage*b.Current, a.Voltage*a.Current) })
	return out
}

// top is the full scale of the largest range.
func top(ranges []Range) float64 {
	if len(ranges) == 0 {
		return 0
	}
	return ranges[len(ranges)-1].FullScale
}
