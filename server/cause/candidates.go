package cause

import (
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/dut"
)

// candidate is a single fault with what decides its probability.
type candidate struct {
	Cause
	odds float64 // before the run
	log  float64 // of its weight
	line bench.ChannelID
	kind string // of the measurements that it is about, of a parameter
	// elsewhere says that a wire leads to a contact without a pin.
	elsewhere bool
}

// Odds before a run. Nobody has published how often each of these faults occurs in
// such a bench, so each kind is taken to be as likely as any other, and each place of a
// kind as any other place: assumptions of ours. A contact does not touch at all as
// often as one in five is poor; what the check of the bench found is a thousand times
// likelier than before, and all that a good check speaks of a twentieth.
const (
	openAmongPoor = 0.2
	foundByCheck  = 1000
	afterGood     = 1.0 / 20
)

// candidates are all single faults of what the run used.
func candidates(s *situation, told Told) []candidate {
	groups := [][]candidate{
		s.bonds(), s.shorts(), s.leaks(), s.parameters(),
		s.muxes(), s.stuckOpen(), s.stuckClosed(), s.poor(), s.drifts(), s.wrong(),
	}
	var out []candidate
	for _, g := range groups {
		sum := 0.0
		for i := range g {
			sum += g[i].odds
		}
		for i := range g {
			g[i].odds /= sum
			if told.Checked && g[i].Bench {
				g[i].odds *= afterGood
			}
			if slices.ContainsFunc(told.Faults, g[i].isFound) {
				g[i].odds *= foundByCheck
			}
		}
		out = append(out, g...)
	}
	return out
}

// isFound reports whether the check of the bench found just that.
func (c *candidate) isFound(f check.Finding) bool {
	same := f.Kind == c.Kind || f.Kind == check.OpenContact && c.Kind == check.PoorContact
	if !same || !c.Bench {
		return false
	}
	shares := func(a, b []int) bool {
		return slices.ContainsFunc(a, func(x int) bool { return slices.Contains(b, x) })
	}
	switch c.Kind {
	case check.EnableFloats:
		return f.Mux == c.Mux
	case check.StuckOpen, check.StuckClosed:
		return slices.Contains(f.Paths, c.Paths[0])
	case check.ChannelDisagrees:
		return slices.Contains(f.Channels, c.Channels[0])
	}
	return shares(f.Contacts, c.Contacts)
}

// pins are the pins that the pin map seats, in the order of the device.
func (s *situation) pins() (out []int) {
	for _, p := range s.rec.Device.Pins {
		if _, seated := s.rec.PinMap.Contacts[p.Number]; seated && p.Function != dut.NoConnect {
			out = append(out, p.Number)
		}
	}
	slices.Sort(out)
	return out
}

func (s *situation) contact(pin int) int { return s.rec.PinMap.Contacts[pin] }

func (s *situation) bonds() (out []candidate) {
	for _, p := range s.pins() {
		out = append(out, candidate{Cause: Cause{Kind: OpenBond, Pins: []int{p}}, odds: 1})
	}
	return out
}

func (s *situation) shorts() (out []candidate) {
	pins := s.pins()
	for i, p := range pins {
		for _, q := range pins[i+1:] {
			out = append(out, candidate{Cause: Cause{Kind: Shorted, Pins: []int{p, q}}, odds: 1})
		}
	}
	return out
}

func (s *situation) leaks() (out []candidate) {
	for _, p := range s.pins() {
		out = append(out, candidate{Cause: Cause{Kind: LeakyPin, Pins: []int{p}}, odds: 1})
	}
	return out
}

// parameters are those of one pin by one kind of measurement, and those of all pins.
func (s *situation) parameters() (out []candidate) {
	type one struct {
		pin  int
		kind string
	}
	var have []one
	for i := range s.seen {
		for _, x := range []one{{s.seen[i].pin, s.seen[i].kind}, {0, s.seen[i].kind}} {
			if slices.Contains(have, x) {
				continue
			}
			have = append(have, x)
			c := candidate{Cause: Cause{Kind: Parameter}, odds: 1, kind: x.kind}
			if x.pin != 0 {
				c.Pins = []int{x.pin}
			}
			out = append(out, c)
		}
	}
	return out
}

// muxes are those with a switch at a contact with a pin.
func (s *situation) muxes() (out []candidate) {
	at := map[string]int{}
	for i := range s.rec.Bench.Paths {
		p := &s.rec.Bench.Paths[i]
		if p.Mux == "" || !s.used.Contacts[p.Contact] {
			continue
		}
		k, has := at[p.Mux]
		if !has {
			k, at[p.Mux] = len(out), len(out)
			out = append(out, candidate{Cause: Cause{Kind: check.EnableFloats, Bench: true, Mux: p.Mux}, line: p.Channel})
		}
		out[k].Contacts = append(out[k].Contacts, p.Contact)
	}
	for _, p := range s.rec.Bench.Paths { // as likely as its switches are many
		if k, has := at[p.Mux]; has {
			out[k].odds++
		}
	}
	return out
}

func (s *situation) stuckOpen() (out []candidate) {
	for i := range s.rec.Bench.Paths {
		if p := &s.rec.Bench.Paths[i]; s.used.Paths[p.ID] {
			out = append(out, candidate{Cause: Cause{Kind: check.StuckOpen, Bench: true, Mux: p.Mux, Paths: []bench.PathID{p.ID}, Contacts: []int{p.Contact}}, odds: 1, line: p.Channel})
		}
	}
	return out
}

func (s *situation) stuckClosed() (out []candidate) {
	for i := range s.rec.Bench.Paths {
		if p := &s.rec.Bench.Paths[i]; s.used.Contacts[p.Contact] {
			out = append(out, candidate{Cause: Cause{Kind: check.StuckClosed, Bench: true, Mux: p.Mux, Paths: []bench.PathID{p.ID}, Contacts: []int{p.Contact}}, odds: 1, line: p.Channel})
		}
	}
	return out
}

func (s *situation) poor() (out []candidate) {
	for _, p := range s.pins() {
		if c := s.contact(p); s.used.Held[c] {
			out = append(out, candidate{Cause: Cause{Kind: check.PoorContact, Bench: true, Contacts: []int{c}, Pins: []int{p}}, odds: 1})
		}
	}
	return out
}

func (s *situation) drifts() (out []candidate) {
	for _, ch := range s.rec.Bench.Channels {
		if s.used.Channels[ch.ID] {
			out = append(out, candidate{Cause: Cause{Kind: check.ChannelDisagrees, Bench: true, Channels: []bench.ChannelID{ch.ID}}, odds: 1})
		}
	}
	return out
}

// wrong are wires that are exchanged between two contacts with a pin, or between one
// with a pin and any of those without.
func (s *situation) wrong() (out []candidate) {
	pins := s.pins()
	empty := float64(s.rec.Bench.Contacts - len(s.rec.PinMap.Contacts))
	for i, p := range pins {
		for _, q := range pins[i+1:] {
			a, b := s.contact(p), s.contact(q)
			out = append(out, candidate{Cause: Cause{Kind: check.WrongContact, Bench: true, Contacts: []int{min(a, b), max(a, b)}, Pins: []int{p, q}}, odds: 1})
		}
		if empty > 0 {
			out = append(out, candidate{Cause: Cause{Kind: check.WrongContact, Bench: true, Contacts: []int{s.contact(p)}, Pins: []int{p}}, odds: empty, elsewhere: true})
		}
	}
	return out
}
