package bench

import (
	"errors"
	"fmt"
	"slices"
	"strconv"

	"ohmkeep/server/dut"
)

// Reached is one line that a pin can be connected to.
type Reached struct {
	Channel  ChannelID `json:"channel"` // 0: the return
	Line     string    `json:"line"`    // name of the channel, or "return"
	Path     PathID    `json:"path,omitempty"`
	Mux      string    `json:"mux,omitempty"`
	Kelvin   bool      `json:"kelvin,omitempty"`   // force and sense wires
	Strapped bool      `json:"strapped,omitempty"` // by a strap, always connected
}

// Reach lists the lines that reach a pin: by a strap to one line only that
// one, otherwise by every path of its contact, channels before the return.
func Reach(def *Definition, pm *PinMap, pin int) []Reached {
	contact, ok := pm.Contacts[pin]
	if !ok {
		return nil
	}
	for _, s := range pm.StrapsOf(contact) {
		switch s.Kind {
		case StrapReturn:
			return []Reached{{Line: lineName(def, 0), Strapped: true}}
		case StrapChannel:
			ch, known := def.ChannelByID(s.Channel)
			return []Reached{{Channel: s.Channel, Line: lineName(def, s.Channel), Kelvin: known && ch.RemoteSense, Strapped: true}}
		}
	}
	var out []Reached
	for _, p := range def.PathsOf(contact) {
		out = append(out, Reached{Channel: p.Channel, Line: lineName(def, p.Channel), Path: p.ID, Mux: p.Mux, Kelvin: p.Kelvin})
	}
	slices.SortStableFunc(out, func(a, b Reached) int { return int(a.Channel-1) - int(b.Channel-1) })
	return out
}

// Label is how a channel is written: its name, or its number where it has none.
func (c *Channel) Label() string {
	if c.Name != "" {
		return c.Name
	}
	return strconv.Itoa(int(c.ID))
}

// ChannelName is how a channel is written: its name, or its number where it has
// none or is not on the bench. The return, 0, is no channel and has no name: a
// line that may be the return is named by LineName.
func (d *Definition) ChannelName(id ChannelID) string {
	if id == 0 {
		return ""
	}
	if c, ok := d.ChannelByID(id); ok {
		return c.Label()
	}
	return strconv.Itoa(int(id))
}

func lineName(def *Definition, id ChannelID) string {
	if id == 0 {
		return "return"
	}
	return def.ChannelName(id)
}

// Conflicts reports in words, with a remedy, everything about a pin map that
// will be in the way: pins without a contact, contacts that hold two, pins
// that no line reaches, pins that one multiplexer keeps from being connected
// together, and signal pins that cannot be measured with the supplies up.
func Conflicts(def *Definition, pm *PinMap, d *dut.Device) []dut.Problem {
	var pins []int
	for _, p := range d.Pins {
		pins = append(pins, p.Number)
	}
	var ps, plain dut.Problems
	if errors.As(pm.Validate(def, pins), &plain) {
		ps = append(ps, plain...)
	}
	unreached := unreachedPins(&ps, def, pm, d)
	sharedMuxes(&ps, def, pm, d, unreached)
	said := map[string]bool{}
	for _, p := range ps {
		said[p.Message] = true
	}
	poweredClashes(def, pm, d, func(pin int, c *Clash) bool {
		if slices.ContainsFunc(c.Pins, func(n int) bool { return unreached[n] }) || said[c.Reason] {
			return true
		}
		said[c.Reason] = true
		ps.Add(at(pin), "with the supplies up: %s; %s", c.Reason, c.Remedy)
		return true
	})
	return ps
}

func at(pin int) string { return fmt.Sprintf("contacts[%d]", pin) }

// unreachedPins reports pins that their line does not reach: a ground the
// return, any other but a no connect a channel. A pin without a contact has
// been reported already, but counts.
func unreachedPins(ps *dut.Problems, def *Definition, pm *PinMap, d *dut.Device) map[int]bool {
	out := map[int]bool{}
	for _, p := range d.Pins {
		contact, placed := pm.Contacts[p.Number]
		lines := Reach(def, pm, p.Number)
		toReturn := slices.ContainsFunc(lines, func(r Reached) bool { return r.Channel == 0 })
		toChannel := slices.ContainsFunc(lines, func(r Reached) bool { return r.Channel != 0 })
		switch {
		case p.Function == dut.NoConnect:
			continue
		case !placed:
		case len(lines) == 0:
			ps.Add(at(p.Number), "no line reaches pin %s on contact %d: move it to another contact, or strap it", p.Label(), contact)
		case p.Function == dut.Ground && !toReturn:
			ps.Add(at(p.Number), "the return does not reach pin %s, a ground, on contact %d: move it to another contact, or strap it to the return", p.Label(), contact)
		case p.Function != dut.Ground && !toChannel:
			ps.Add(at(p.Number), "no channel reaches pin %s on contact %d: move it to another contact, or remove its strap to the return", p.Label(), contact)
		default:
			continue
		}
		out[p.Number] = true
	}
	return out
}

// sharedMuxes reports pins of which any two exclude each other on one
// multiplexer, each such set once.
func sharedMuxes(ps *dut.Problems, def *Definition, pm *PinMap, d *dut.Device, skip map[int]bool) {
	solver := NewSolver(def, pm)
	need := func(p dut.Pin) Need {
		if p.Function == dut.Ground {
			return Need{Pin: p.Number, Line: ToReturn}
		}
		return probe(p.Number)
	}
	sets := map[string][]int{}
	var muxes []string
	for i, a := range d.Pins {
		for _, b := range d.Pins[i+1:] {
			if a.Function == dut.NoConnect || b.Function == dut.NoConnect || skip[a.Number] || skip[b.Number] {
				continue
			}
			_, open, _ := solver.connect([]Need{need(a), need(b)}, nil)
			if len(open) == 0 {
				continue
			}
			c := solver.explain(open)
			if c.Mux == "" || len(c.Pins) != 2 {
				continue
			}
			if sets[c.Mux] == nil {
				muxes = append(muxes, c.Mux)
			}
			sets[c.Mux] = append(sets[c.Mux], c.Pins...)
		}
	}
	for _, mux := range muxes {
		pins := sets[mux]
		slices.Sort(pins)
		pins = slices.Compact(pins)
		ps.Add(at(pins[0]), "%s are reached only through multiplexer %s, one at a time: measure them one after another, or move those that must be connected together to contacts of another multiplexer",
			pinList(pins), mux)
	}
}
