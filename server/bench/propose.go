package bench

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// manyGrounds is the number of ground pins from which they are strapped to the
// return: a jumper each is shorter than as many switched paths.
const manyGrounds = 3

// Seat is where the pins of a package sit in a socket of so many contacts, two
// rows that face each other: the first half going down on the left, the rest
// going up on the right. It returns pin → contact and says in words where that
// is. It fails where the part has more pins than the socket has contacts.
func Seat(contacts int, p dut.Package, pins []int) (map[int]int, string, error) {
	out := make(map[int]int, len(pins))
	rows := p.Family == dut.DualRow && contacts%2 == 0
	places := p.Pins + p.Pins%2
	for _, n := range pins {
		out[n] = n
		if rows && n > places/2 {
			out[n] = contacts - places + n
			if places > p.Pins && n == p.Pins {
				out[n] = contacts // the last pin of an odd number faces pin 1
			}
		}
		if out[n] < 1 || out[n] > contacts || n > p.Pins {
			return nil, "", fmt.Errorf("pin %d has no place: the part has %d pins and the socket %d contacts", n, p.Pins, contacts)
		}
	}
	if rows && places > contacts {
		return nil, "", fmt.Errorf("the part has %d pins and the socket %d contacts", p.Pins, contacts)
	}
	switch {
	case rows:
		return out, fmt.Sprintf("The part sits at the end of the socket where contacts 1 and %d face each other, pin 1 on contact 1.", contacts), nil
	case p.Family == dut.SingleRow && p.Pins <= contacts/2:
		return out, "The part sits in the left row, pin 1 on contact 1 and the others below it.", nil
	}
	return out, "The part sits on an adapter that leads each pin to the contact of the same number.", nil
}

// Propose makes a pin map of the package alone, and the straps without which a
// powered part would leave no channel to measure with: supplies of one level
// and limit share a channel, many grounds go to the return for good. It says in
// words what it assumed. A part that has no place in the socket is an error
// and no map; where some signal pin cannot be measured with the supplies up,
// the error is a *Clash and the map is as good as it gets.
func Propose(def *Definition, d *dut.Device) (PinMap, []string, error) {
	var pins []int
	for _, p := range d.Pins {
		pins = append(pins, p.Number)
	}
	contacts, words, err := Seat(def.Contacts, d.Package, pins)
	if err != nil {
		return PinMap{}, nil, err
	}
	pr := proposer{def: def, d: d, pm: PinMap{Device: d.Key, Bench: def.Key, Contacts: contacts}, says: []string{words}}
	pr.grounds()
	pr.supplies()
	slices.SortFunc(pr.pm.Straps, func(a, b Strap) int { return a.Contact - b.Contact })
	if c := pr.firstClash(); c != nil {
		return pr.pm, append(pr.says, "Not every pin can be measured with the supplies up: "+c.Error()+"."), c
	}
	return pr.pm, pr.says, nil
}

// proposer gathers a proposal.
type proposer struct {
	def  *Definition
	d    *dut.Device
	pm   PinMap
	says []string
}

// grounds straps the grounds to the return where there are many, and one that
// no path to the return reaches in any case.
func (p *proposer) grounds() {
	grounds := p.d.PinsOf(dut.Ground)
	many := len(grounds) >= manyGrounds
	var strapped []int
	for _, n := range grounds {
		c := p.pm.Contacts[n]
		reached := slices.ContainsFunc(p.def.Paths, func(q Path) bool { return q.Contact == c && q.Channel == 0 })
		if many || !reached {
			p.pm.Straps = append(p.pm.Straps, Strap{Contact: c, Kind: StrapReturn})
			strapped = append(strapped, n)
		}
	}
	if len(strapped) > 0 {
		p.says = append(p.says, p.list(strapped)+" tied to the return by a strap.")
	}
}

// list names pins with the verb that follows: "Pins 7 GND and 14 GND are".
func (p *proposer) list(pins []int) string {
	names := make([]string, len(pins))
	for i, n := range pins {
		q, _ := p.d.Pin(n)
		names[i] = q.Label()
	}
	if len(names) == 1 {
		return "Pin " + names[0] + " is"
	}
	return "Pins " + strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1] + " are"
}

// supplies straps supply pins of one level and limit together, largest group
// first, until two channels are left for the measured and a watched pin.
func (p *proposer) supplies() {
	groups := supplyGroups(p.d)
	taken := 0
	for _, g := range groups {
		taken += len(g.pins)
	}
	slices.SortStableFunc(groups, func(a, b supplyGroup) int { return len(b.pins) - len(a.pins) })
	used := map[ChannelID]bool{}
	for _, g := range groups {
		if taken+2 <= len(p.def.Channels) || len(g.pins) < 2 {
			continue
		}
		ch := p.channelFor(g, used)
		if ch == nil {
			p.says = append(p.says, fmt.Sprintf("%s not strapped together: no channel forces %s with a limit of %s.",
				p.list(g.pins), quantity.Format(g.level, quantity.Volt, 3), quantity.Format(g.limit, quantity.Ampere, 3)))
			continue
		}
		used[ch.ID] = true
		taken -= len(g.pins) - 1
		for _, n := range g.pins {
			p.pm.Straps = append(p.pm.Straps, Strap{Contact: p.pm.Contacts[n], Kind: StrapChannel, Channel: ch.ID})
		}
		p.says = append(p.says, fmt.Sprintf("%s strapped to channel %s, since they are all at %s: their currents are read as one sum, and none can be measured by itself.",
			p.list(g.pins), ch.Label(), quantity.Format(g.level, quantity.Volt, 3)))
	}
	if free := len(p.def.Channels) - taken; free == 1 && taken > 0 {
		p.says = append(p.says, "One channel is left beside the supplies: an input cannot be swept while an output is watched.")
	}
}

// supplyGroup is the supplies that may share a channel.
type supplyGroup struct {
	level, limit float64 // V, A
	pins         []int
}

// supplyGroups sorts the supplies that come up by level and limit.
func supplyGroups(d *dut.Device) []supplyGroup {
	var out []supplyGroup
	for _, s := range d.Power {
		i := slices.IndexFunc(out, func(g supplyGroup) bool { return g.level == s.Level && g.limit == s.Limit })
		if i < 0 {
			i = len(out)
			out = append(out, supplyGroup{level: s.Level, limit: s.Limit})
		}
		out[i].pins = append(out[i].pins, s.Pin)
	}
	for _, g := range out {
		slices.Sort(g.pins)
	}
	return out
}

// channelFor picks the channel to strap supplies to: able, not yet strapped,
// without sense terminals if there is one, the last of those.
func (p *proposer) channelFor(g supplyGroup, used map[ChannelID]bool) *Channel {
	solver := NewSolver(p.def, &PinMap{})
	need := Need{Line: ToChannel, Mode: ForceVoltage, Voltage: math.Abs(g.level), Current: g.limit}
	var best *Channel
	for i := range p.def.Channels {
		c := &p.def.Channels[i]
		if used[c.ID] || !solver.able(c.ID, need, false) {
			continue
		}
		if best == nil || best.RemoteSense || !c.RemoteSense {
			best = c
		}
	}
	return best
}

func (p *proposer) firstClash() *Clash {
	var first *Clash
	poweredClashes(p.def, &p.pm, p.d, func(_ int, c *Clash) bool { first = c; return false })
	return first
}

// probe is the least that a signal pin needs of a channel: a small voltage.
func probe(pin int) Need {
	return Need{Pin: pin, Line: ToChannel, Mode: ForceVoltage, Voltage: 0.1, Current: 1e-6}
}

// poweredClashes finds the signal pins that cannot be measured with the
// supplies up, by trying each on a channel with the grounds and all other
// inputs at the return; it reports clashes until tell returns false.
func poweredClashes(def *Definition, pm *PinMap, d *dut.Device, tell func(pin int, c *Clash) bool) {
	solver := NewSolver(def, pm)
	for _, n := range d.PinsOf(dut.Input, dut.Output, dut.Bidirectional, dut.Analog) {
		_, err := solver.Assign(poweredNeeds(d, n), nil)
		if c, ok := err.(*Clash); ok && !tell(n, c) {
			return
		}
	}
}

// poweredNeeds is what a measurement of a pin asks for with the supplies up.
func poweredNeeds(d *dut.Device, pin int) []Need {
	needs := []Need{probe(pin)}
	for _, n := range d.PinsOf(dut.Ground, dut.Input) {
		if n != pin {
			needs = append(needs, Need{Pin: n, Line: ToReturn})
		}
	}
	for k, g := range supplyGroups(d) {
		for _, n := range g.pins {
			needs = append(needs, Need{Pin: n, Line: ToChannel, Mode: ForceVoltage,
				Voltage: math.Abs(g.level), Current: g.limit, Alike: k + 1})
		}
	}
	return needs
}
