package bench

import (
	"fmt"
	"slices"
	"strconv"

	"ohmkeep/server/quantity"
)

// pathChange is a difference of one path.
type pathChange struct {
	line          ChannelID
	contact       int
	before, after string
}

// paths compares paths by what they join: the n-th path between a line and a
// contact with the n-th of it.
func (d *differences) paths() {
	var added, gone []pathChange
	changed := map[string][]pathChange{}
	renumbered := 0
	old := byEnds(d.a)
	for i := range d.b.Paths {
		b := &d.b.Paths[i]
		e := pathEnds{b.Channel, b.Contact}
		if len(old[e]) == 0 {
			added = append(added, pathChange{b.Channel, b.Contact, "", pathParts(b)})
			continue
		}
		a := old[e][0]
		old[e] = old[e][1:]
		if a.ID != b.ID {
			renumbered++
		}
		for _, f := range pathFields {
			if before, after := f.both(a, b); before != after {
				changed[f.name] = append(changed[f.name], pathChange{b.Channel, b.Contact, before, after})
			}
		}
	}
	for i := range d.a.Paths {
		a := &d.a.Paths[i]
		if slices.Contains(old[pathEnds{a.Channel, a.Contact}], a) {
			gone = append(gone, pathChange{a.Channel, a.Contact, pathParts(a), ""})
		}
	}
	d.pathGroups(d.b, "paths added", added)
	d.pathGroups(d.a, "paths gone", gone)
	for _, f := range pathFields {
		d.pathGroups(d.b, f.name, changed[f.name])
	}
	if renumbered > 0 {
		d.text("paths", "numbers of paths", "", strconv.Itoa(renumbered)+" have another number")
	}
}

type pathEnds struct {
	line    ChannelID
	contact int
}

func byEnds(d *Definition) map[pathEnds][]*Path {
	out := map[pathEnds][]*Path{}
	for i := range d.Paths {
		p := &d.Paths[i]
		out[pathEnds{p.Channel, p.Contact}] = append(out[pathEnds{p.Channel, p.Contact}], p)
	}
	return out
}

// pathField is a field of a path that can change.
type pathField struct {
	name string
	both func(a, b *Path) (before, after string)
}

var pathFields = []pathField{
	{"multiplexer", func(a, b *Path) (string, string) { return a.Mux, b.Mux }},
	{"address", func(a, b *Path) (string, string) { return a.Address, b.Address }},
	{"resistance", pathValue(func(p *Path) float64 { return p.Resistance }, quantity.Ohm)},
	{"leakage", pathValue(func(p *Path) float64 { return p.Leakage }, quantity.Siemens)},
	{"tolerance of the resistance", pathPart(func(p *Path) float64 { return p.ResistanceTolerance })},
	{"tolerance of the leakage", pathPart(func(p *Path) float64 { return p.LeakageTolerance })},
	{"sense wire", func(a, b *Path) (string, string) { return yesNo(a.Kelvin), yesNo(b.Kelvin) }},
	{"highest current", pathValue(func(p *Path) float64 { return p.MaxCurrent }, quantity.Ampere)},
	{"card", func(a, b *Path) (string, string) { return cardWord(a.Card), cardWord(b.Card) }},
}

func pathValue(of func(*Path) float64, unit quantity.Unit) func(a, b *Path) (string, string) {
	return func(a, b *Path) (string, string) {
		x, y := of(a), of(b)
		if x == y {
			return "", ""
		}
		return apart(x, y, unit)
	}
}

// pathPart compares a part of one, of which 0 is not stated.
func pathPart(of func(*Path) float64) func(a, b *Path) (string, string) {
	words := func(v float64) string {
		if v == 0 {
			return "not stated"
		}
		return Part(v)
	}
	return func(a, b *Path) (string, string) { return words(of(a)), words(of(b)) }
}

func cardWord(n int) string {
	if n == 0 {
		return "that of its channel"
	}
	return strconv.Itoa(n)
}

func pathParts(p *Path) string {
	s := p.Address
	if p.Resistance != 0 {
		s += ", " + stated(p.Resistance, quantity.Ohm, 4)
	}
	if p.Kelvin {
		s += ", sense wire"
	}
	return s
}

// mostAlone is the largest number of changed paths of one line that are listed
// one by one.
const mostAlone = 4

// pathGroups summarises the changed paths of each line: once where all changed
// alike, and by the first and the last where they did not.
func (d *differences) pathGroups(def *Definition, what string, list []pathChange) {
	var lines []ChannelID
	for _, c := range list {
		if !slices.Contains(lines, c.line) {
			lines = append(lines, c.line)
		}
	}
	for _, line := range lines {
		type values struct{ before, after string }
		var order []values
		contacts := map[values][]int{}
		var all []int
		var first, last pathChange
		for _, c := range list {
			if c.line != line {
				continue
			}
			if len(all) == 0 {
				first = c
			}
			last = c
			v := values{c.before, c.after}
			if contacts[v] == nil {
				order = append(order, v)
			}
			contacts[v], all = append(contacts[v], c.contact), append(all, c.contact)
		}
		if len(order) > mostAlone {
			d.text("paths", groupWords(def, what, line, all), fromTo(first.before, last.before), fromTo(first.after, last.after))
			continue
		}
		for _, v := range order {
			d.text("paths", groupWords(def, what, line, contacts[v]), v.before, v.after)
		}
	}
}

func groupWords(def *Definition, what string, line ChannelID, contacts []int) string {
	slices.Sort(contacts)
	return fmt.Sprintf("%s to contact%s: %s", def.LineName(line), spans(contacts), what)
}

func fromTo(first, last string) string {
	if first == last {
		return first
	}
	return first + " … " + last
}
