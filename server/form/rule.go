package form

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// PathRule makes the paths of one kind of multiplexer: lines that each reach a
// row of contacts through multiplexers of so many ways.
type PathRule struct {
	lines      []bench.ChannelID
	from, to   int // contacts
	ways       int // of a multiplexer; 1 is a switch of its own for each contact
	address    string
	resistance float64 // Ω
	leakage    float64 // S, of an open switch
	max        float64 // A
	// Tolerances of both, as parts of them; 0: not stated.
	onTolerance, offTolerance float64
	kelvin                    bool
	card                      int // 0: that of the channel
}

// rulePlaces are what an address pattern may name.
var rulePlaces = []string{"channel", "line", "contact", "mux", "way", "card"}

// plainAddress is the pattern of the protocol's own addresses.
const plainAddress = "{channel}!{contact}"

// ReadRule reads a rule for the paths of a bench from the bench's form.
func ReadRule(v url.Values, def *bench.Definition) (PathRule, dut.Problems) {
	r := NewReader(v)
	field := func(name string) Field { return r.Field(dut.At(name)) }
	to, ways, address := field("ruleTo"), field("ruleWays"), field("ruleAddress")
	p := PathRule{from: r.NeedWhole(field("ruleFrom")), to: r.NeedWhole(to), ways: 1, address: address.Text,
		resistance: r.Quantity(field("ruleResistance"), quantity.Ohm), max: r.Quantity(field("ruleMax"), quantity.Ampere),
		kelvin: r.Checked("ruleSense"), card: r.Whole(field("ruleCard")), leakage: r.leakage(field("ruleLeakage")),
		onTolerance: r.part(field("ruleTolerance")), offTolerance: r.part(field("ruleLeakageTolerance"))}
	if ways.Given() {
		p.ways = r.NeedWhole(ways)
	}
	p.lines = r.ruleLines(field("ruleLines"), def)
	if p.address == "" {
		p.address = plainAddress
	}
	sample := map[string]string{}
	for _, name := range rulePlaces {
		sample[name] = "1"
	}
	if _, err := bench.Fill(p.address, sample); err != nil {
		r.Fail(address, "%s; an address may name {%s}", strings.TrimPrefix(err.Error(), "bench: "), strings.Join(rulePlaces, "}, {"))
	}
	if len(r.Problems) == 0 {
		switch {
		case p.from < 1 || p.to < p.from || p.to > def.Contacts:
			r.Fail(to, "the contacts go from 1 to %d on this bench", def.Contacts)
		case p.ways < 1 || p.ways > dut.MaxPins:
			r.Fail(ways, "a multiplexer has 1 to %d ways", dut.MaxPins)
		}
	}
	return p, r.Problems
}

// ruleLines reads which lines a rule is for.
func (r *Reader) ruleLines(f Field, def *bench.Definition) []bench.ChannelID {
	var out []bench.ChannelID
	if strings.EqualFold(f.Text, AllChannels) {
		for _, c := range def.Channels {
			out = append(out, c.ID)
		}
		return out
	}
	for _, part := range parts(f, ",;") {
		id, ok := Line(def, part.Text)
		if !ok {
			r.Fail(f, "there is no channel %q, and it is not the return", dut.Excerpt(part.Text))
		}
		if !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	if len(out) == 0 {
		r.Fail(f, "name channels, all, or return")
	}
	return out
}

// Apply puts the rule's paths into the bench, in place of those that join the
// same, and returns how many it made.
func (p *PathRule) Apply(d *bench.Definition) int {
	type ends struct {
		line    bench.ChannelID
		contact int
	}
	old, made := map[ends]bench.PathID{}, map[ends]bool{}
	used := map[bench.PathID]bool{}
	var list []bench.Path
	for _, line := range p.lines {
		for c := p.from; c <= p.to; c++ {
			made[ends{line, c}] = true
		}
	}
	for _, x := range d.Paths {
		e := ends{x.Channel, x.Contact}
		if made[e] {
			old[e] = x.ID
		} else {
			list = append(list, x)
		}
		used[x.ID] = true
	}
	next := bench.PathID(1)
	for _, line := range p.lines {
		for c := p.from; c <= p.to; c++ {
			x := p.path(d, line, c)
			if x.ID = old[ends{line, c}]; x.ID == 0 {
				for used[next] {
					next++
				}
				x.ID = next
				used[next] = true
			}
			list = append(list, x)
		}
	}
	slices.SortStableFunc(list, func(a, b bench.Path) int {
		if a.Channel != b.Channel {
			return int(a.Channel+255) - int(b.Channel+255) // the return, 0, last
		}
		return a.Contact - b.Contact
	})
	d.Paths = list
	return len(made)
}

// path is the rule's path from a line to a contact.
func (p *PathRule) path(d *bench.Definition, line bench.ChannelID, contact int) bench.Path {
	n, name, remote := 0, "return", false
	if ch, ok := d.ChannelByID(line); ok {
		n, name, remote = ch.NumberOf(), ch.Name, ch.RemoteSense
	}
	group, way := (contact-p.from)/p.ways, (contact-p.from)%p.ways
	first := p.from + group*p.ways
	x := bench.Path{Channel: line, Contact: contact, Mux: fmt.Sprintf("%s/%d", name, contact), Resistance: p.resistance, Leakage: p.leakage,
		ResistanceTolerance: p.onTolerance, LeakageTolerance: p.offTolerance,
		MaxCurrent: p.max, Kelvin: p.kelvin && remote, Card: p.card}
	if p.ways > 1 {
		x.Mux = fmt.Sprintf("%s/%d-%d", name, first, min(first+p.ways-1, p.to))
	}
	x.Address, _ = bench.Fill(p.address, map[string]string{"channel": strconv.Itoa(n), "line": name, "contact": strconv.Itoa(contact),
		"mux": strconv.Itoa(group + 1), "way": strconv.Itoa(way + 1), "card": strconv.Itoa(d.CardOf(&x))}) // its places were looked at
	return x
}
