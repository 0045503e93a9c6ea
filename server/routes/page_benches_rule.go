package routes

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// pathRule makes the paths of one kind of multiplexer: lines that each reach a
// row of contacts through multiplexers of so many ways.
type pathRule struct {
	lines      []bench.ChannelID
	from, to   int
	ways       int // of a multiplexer; 1 is a switch of its own for each contact
	address    string
	resistance float64
	leakage    float64
	max        float64
	kelvin     bool
	card       int
}

// rulePlaces are what an address pattern may name.
var rulePlaces = []string{"channel", "line", "contact", "mux", "way", "card"}

// rule reads the rule from the form.
func (r *benchReading) rule() (pathRule, dut.Problems) {
	f := fields{values: r.values}
	v := r.values
	text := func(name string) string { return strings.TrimSpace(v.Get(name)) }
	p := pathRule{from: f.whole("ruleFrom", text("ruleFrom")), to: f.whole("ruleTo", text("ruleTo")), ways: 1, address: text("ruleAddress"),
		resistance: f.quantity("ruleResistance", text("ruleResistance"), quantity.Ohm), max: f.quantity("ruleMax", text("ruleMax"), quantity.Ampere),
		kelvin: v.Get("ruleSense") == "1"}
	if text("ruleWays") != "" {
		p.ways = f.whole("ruleWays", text("ruleWays"))
	}
	if text("ruleCard") != "" {
		p.card = f.whole("ruleCard", text("ruleCard"))
	}
	leak := fields{}
	p.leakage = leak.leakage(text("ruleLeakage"))
	for _, q := range leak.problems {
		f.problems.Add("ruleLeakage", "%s", q.Message)
	}
	p.lines = r.ruleLines(&f, text("ruleLines"))
	if p.address == "" {
		p.address = "{channel}!{contact}"
	}
	sample := map[string]string{}
	for _, name := range rulePlaces {
		sample[name] = "1"
	}
	if _, err := bench.Fill(p.address, sample); err != nil {
		f.problems.Add("ruleAddress", "%s; an address may name {%s}", strings.TrimPrefix(err.Error(), "bench: "), strings.Join(rulePlaces, "}, {"))
	}
	if len(f.problems) == 0 {
		switch {
		case p.from < 1 || p.to < p.from || p.to > r.def.Contacts:
			f.problems.Add("ruleTo", "the contacts go from 1 to %d on this bench", r.def.Contacts)
		case p.ways < 1 || p.ways > dut.MaxPins:
			f.problems.Add("ruleWays", "a multiplexer has 1 to %d ways", dut.MaxPins)
		}
	}
	return p, f.problems
}

func (r *benchReading) ruleLines(f *fields, text string) []bench.ChannelID {
	var out []bench.ChannelID
	if strings.EqualFold(text, allChannels) {
		for _, c := range r.def.Channels {
			out = append(out, c.ID)
		}
		return out
	}
	for _, part := range strings.FieldsFunc(text, func(c rune) bool { return c == ',' || c == ';' }) {
		id, ok := lineNamed(&r.def, strings.TrimSpace(part))
		if !ok {
			f.problems.Add("ruleLines", "there is no channel %q, and it is not the return", dut.Excerpt(part))
		}
		out = append(out, id)
	}
	if len(out) == 0 {
		f.problems.Add("ruleLines", "name channels, all, or return")
	}
	return out
}

// make puts the rule's paths into the bench, in place of those that join the
// same, and returns how many it made.
func (p *pathRule) make(d *bench.Definition) int {
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
func (p *pathRule) path(d *bench.Definition, line bench.ChannelID, contact int) bench.Path {
	n, name, remote := 0, "return", false
	if ch, ok := d.ChannelByID(line); ok {
		n, name, remote = ch.NumberOf(), ch.Name, ch.RemoteSense
	}
	group, way := (contact-p.from)/p.ways, (contact-p.from)%p.ways
	first := p.from + group*p.ways
	x := bench.Path{Channel: line, Contact: contact, Mux: fmt.Sprintf("%s/%d", name, contact), Resistance: p.resistance, Leakage: p.leakage,
		MaxCurrent: p.max, Kelvin: p.kelvin && remote, Card: p.card}
	if p.ways > 1 {
		x.Mux = fmt.Sprintf("%s/%d-%d", name, first, min(first+p.ways-1, p.to))
	}
	x.Address, _ = bench.Fill(p.address, map[string]string{"channel": strconv.Itoa(n), "line": name, "contact": strconv.Itoa(contact),
		"mux": strconv.Itoa(group + 1), "way": strconv.Itoa(way + 1), "card": strconv.Itoa(d.CardOf(&x))}) // its places were looked at
	return x
}

// generate puts the rule's paths into the form's table. Nothing is saved.
func (e *benchEditing) generate() int {
	rule, ps := e.read.rule()
	if len(e.read.paths.problems) > 0 {
		ps.Add("ruleLines", "mend the table above first: what cannot be read would be lost")
	}
	if len(ps) > 0 {
		e.problems = append(e.problems, ps...)
		return http.StatusUnprocessableEntity
	}
	n := rule.make(&e.read.def)
	e.values.Set("paths", pathsText(&e.read.def))
	e.look()
	e.made = n
	return http.StatusOK
}
