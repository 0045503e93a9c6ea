package cause

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/check"
	"ohmkeep/server/procedure"
)

// pin is a pin in words: its number and name.
func (s *situation) pin(n int) string {
	p, ok := s.rec.Device.Pin(n)
	if !ok || p.Name == "" {
		return strconv.Itoa(n)
	}
	return strconv.Itoa(n) + " " + p.Name
}

// say says what a cause is, and where.
func (s *situation) say(c *candidate) string {
	address := func() string { return s.paths[c.Paths[0]].Address }
	switch c.Kind {
	case OpenBond:
		return "The part: pin " + s.pin(c.Pins[0]) + " has no way to the die (an open bond)"
	case Shorted:
		return "The part: pins " + s.pin(c.Pins[0]) + " and " + s.pin(c.Pins[1]) + " are shorted"
	case LeakyPin:
		return "The part: pin " + s.pin(c.Pins[0]) + " leaks"
	case Parameter:
		kind := s.title(c.kind)
		if len(c.Pins) == 0 {
			return "The part: " + kind + " of all its pins is not as its limits say"
		}
		return "The part: " + kind + " of pin " + s.pin(c.Pins[0]) + " is not as its limits say, or as that of equal pins"
	case check.EnableFloats:
		return "The bench: the enable of multiplexer " + c.Mux + " floats"
	case check.StuckOpen:
		return "The bench: the switch " + address() + " does not close"
	case check.StuckClosed:
		return "The bench: the switch " + address() + " does not open"
	case check.PoorContact:
		return fmt.Sprintf("The bench: contact %d touches pin %s badly or not at all", c.Contacts[0], s.pin(c.Pins[0]))
	case check.ChannelDisagrees:
		return "The bench: channel " + s.rec.Bench.ChannelName(c.Channels[0]) + " has drifted"
	}
	if c.elsewhere {
		return fmt.Sprintf("The bench: the wire to contact %d, of pin %s, leads to another contact", c.Contacts[0], s.pin(c.Pins[0]))
	}
	return fmt.Sprintf("The bench: the wires to contacts %d and %d, of pins %s and %s, are exchanged", c.Contacts[0], c.Contacts[1], s.pin(c.Pins[0]), s.pin(c.Pins[1]))
}

// title is a kind of measurement in words, within a sentence.
func (s *situation) title(key string) string {
	if k, ok := procedure.KindByKey(key); ok {
		return strings.ToLower(k.Title())
	}
	return key
}

// share says of which results a thing is in common, in words, and whether one is of it.
type share struct {
	words string
	has   func(*seen) bool
}

// shares are what the results that a cause is about have in common: its channel,
// multiplexer, path, contact or pin.
func (s *situation) shares(c *candidate) (out []share) {
	by := func(has func(procedure.ServedBy) bool) func(*seen) bool {
		return func(o *seen) bool { return slices.ContainsFunc(o.by, has) }
	}
	if c.Mux != "" && len(c.Paths) == 0 {
		out = append(out, share{"over multiplexer " + c.Mux, func(o *seen) bool { return s.throughMux(o, c.Mux) != nil }})
	}
	if len(c.Paths) > 0 && c.Kind == check.StuckOpen {
		id := c.Paths[0]
		out = append(out, share{"over path " + s.paths[id].Address, by(func(b procedure.ServedBy) bool { return b.Path == id })})
	}
	if ch := lineOf(c); ch != 0 {
		out = append(out, share{"by channel " + s.rec.Bench.ChannelName(ch), by(func(b procedure.ServedBy) bool { return b.Channel == ch })})
	}
	for _, contact := range c.Contacts {
		if c.Mux != "" && len(c.Paths) == 0 {
			break
		}
		if pin := s.pinAt[contact]; pin != 0 {
			out = append(out, share{fmt.Sprintf("at contact %d, pin %s", contact, s.pin(pin)), func(o *seen) bool { return o.pin == pin }})
		}
	}
	for _, pin := range c.Pins {
		if !c.Bench {
			out = append(out, share{"at pin " + s.pin(pin), func(o *seen) bool { return o.pin == pin }})
		}
	}
	return out
}

// evidence says what the results that share something with a cause look like, against
// those of the same kinds that do not.
func (s *situation) evidence(c *candidate) (out []string) {
	for _, sh := range s.shares(c) {
		var with, without [2]int // in, out
		kinds := map[string]bool{}
		for i := range s.seen {
			if o := &s.seen[i]; sh.has(o) {
				with[outOf(o)]++
				kinds[o.kind] = true
			}
		}
		for i := range s.seen {
			if o := &s.seen[i]; !sh.has(o) && kinds[o.kind] {
				without[outOf(o)]++
			}
		}
		if with[0]+with[1] == 0 {
			continue
		}
		out = append(out, fmt.Sprintf("%d of %s %s %s not as they should be; of those of the same kinds that are not, %d of %d",
			with[1], counted(with[0]+with[1]), sh.words, isAre(with[1]), without[1], without[0]+without[1]))
	}
	return append(out, s.contradictions(c)...)
}

// contradictions are results of one pin that the cause alone explains: good over one
// path and open over another.
func (s *situation) contradictions(c *candidate) (out []string) {
	if c.Kind != check.StuckOpen && c.Kind != OpenBond && c.Kind != check.PoorContact {
		return nil
	}
	pin := 0
	if len(c.Pins) > 0 {
		pin = c.Pins[0]
	} else {
		pin = s.pinAt[c.Contacts[0]]
	}
	var good, cut []string
	for i := range s.seen {
		o := &s.seen[i]
		if o.pin != pin || o.kind == "leakage" || o.kind == "shorts" { // which an open pin passes
			continue
		}
		for _, b := range o.by {
			p := s.paths[b.Path]
			switch {
			case p == nil:
			case o.class == open && !slices.Contains(cut, p.Address):
				cut = append(cut, p.Address)
			case o.class == sound && !slices.Contains(good, p.Address):
				good = append(good, p.Address)
			}
		}
	}
	if len(good) > 0 && len(cut) > 0 {
		out = append(out, fmt.Sprintf("Pin %s is open over %s and good over %s", s.pin(pin), strings.Join(cut, ", "), strings.Join(good, ", ")))
	}
	return out
}

func outOf(o *seen) int {
	if o.class != sound {
		return 1
	}
	return 0
}

func counted(n int) string {
	if n == 1 {
		return "1 result"
	}
	return strconv.Itoa(n) + " results"
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}
