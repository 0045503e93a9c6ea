package bench

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
)

// MaxPaths is how many paths a bench can have.
const MaxPaths = maxPaths

// pathAddress is what a path behind a connection is called: one item of a
// channel list.
var pathAddress = regexp.MustCompile(`^(0|[1-9][0-9]{0,4})(!(0|[1-9][0-9]{0,4}))?$`)

// Lengths of the texts of a definition, in characters.
const (
	maxName    = 80 // of the bench
	maxChannel = 32
	maxAddress = 64 // of a path, and of its multiplexer's name
)

// Check reports everything that keeps a definition from being stored: what
// Validate finds, texts that no page could show on a line, and what a card
// could not tell apart.
func (d *Definition) Check() dut.Problems {
	var ps dut.Problems
	if d.Corrections != nil {
		ps.Add("corrections", "are no part of a definition: they are taken over from a check of the bench")
	}
	oneLine(&ps, "name", d.Name, 1, maxName)
	names := map[string]bool{}
	for i, c := range d.Channels {
		at := fmt.Sprintf("channels[%d].name", i)
		oneLine(&ps, at, c.Name, 1, maxChannel)
		if names[c.Name] && c.Name != "" {
			ps.Add(at, "two channels are called %s", c.Name)
		}
		names[c.Name] = true
	}
	for i, p := range d.Paths[:min(len(d.Paths), maxPaths)] {
		oneLine(&ps, fmt.Sprintf("paths[%d].mux", i), p.Mux, 0, maxAddress)
		oneLine(&ps, fmt.Sprintf("paths[%d].address", i), p.Address, 0, maxAddress)
	}
	if err := d.Validate(); err != nil {
		found, _ := err.(dut.Problems)
		ps = append(ps, found...)
	}
	d.checkPlaces(&ps)
	for i := range d.Connections {
		d.checkBehind(&ps, i)
	}
	return ps
}

func oneLine(ps *dut.Problems, field, text string, least, most int) {
	if least > 0 && strings.TrimSpace(text) == "" {
		ps.Add(field, "give it a name")
		return
	}
	dut.Text{Least: least, Most: most}.Add(ps, field, text)
}

// checkPlaces finds connections that lead to the same place.
func (d *Definition) checkPlaces(ps *dut.Problems) {
	at := map[string]string{}
	for i, c := range d.Connections {
		a, err := ParseAddress(c.Address)
		if err != nil {
			continue // reported already
		}
		place := a.Network + " " + strings.ToLower(a.Place)
		if a.Network == "serial" {
			place = a.Network + " " + a.Place
		}
		if other, taken := at[place]; taken {
			ps.Add(fmt.Sprintf("connections[%d].address", i), "is the address of %s already", other)
		}
		at[place] = c.Name
	}
}

// checkBehind reports channels and paths that the cards behind one connection
// could not tell apart.
func (d *Definition) checkBehind(ps *dut.Problems, n int) {
	c := &d.Connections[n]
	if len(c.Cards) == 0 {
		ps.Add(fmt.Sprintf("connections[%d].cards", n), "name the cards behind it, such as 1, 2")
	}
	numbers := map[int]string{}
	for i := range d.Channels {
		ch := &d.Channels[i]
		if !slices.Contains(c.Cards, ch.Card) {
			continue
		}
		if other, taken := numbers[ch.NumberOf()]; taken {
			ps.Add(fmt.Sprintf("channels[%d].number", i), "%s has number %d behind %s too", other, ch.NumberOf(), c.Name)
		}
		numbers[ch.NumberOf()] = ch.Name
	}
	addresses := map[string]string{}
	for i := range d.Paths[:min(len(d.Paths), maxPaths)] {
		p := &d.Paths[i]
		if !slices.Contains(c.Cards, d.CardOf(p)) {
			continue
		}
		at := fmt.Sprintf("paths[%d].address", i)
		other, taken := addresses[p.Address]
		switch {
		case strings.TrimSpace(p.Address) == "":
			ps.Add(at, "has no address that its card would know it by")
		case !pathAddress.MatchString(p.Address):
			ps.Add(at, "%q is no item of a channel list such as 1!12", p.Address)
		case taken:
			ps.Add(at, "address %s is that of %s too", p.Address, other)
		}
		addresses[p.Address] = d.PathName(p)
	}
}

// LineName is the name of a channel, or "the return".
func (d *Definition) LineName(id ChannelID) string {
	if id == 0 {
		return "the return"
	}
	if ch, ok := d.ChannelByID(id); ok && ch.Name != "" {
		return ch.Name
	}
	return "channel " + strconv.Itoa(int(id))
}

// PathName names a path by what it joins.
func (d *Definition) PathName(p *Path) string {
	return fmt.Sprintf("%s to contact %d", d.LineName(p.Channel), p.Contact)
}

// Warnings lists what a definition can be stored with, but should be looked at.
func (d *Definition) Warnings() dut.Problems {
	var ps dut.Problems
	if len(d.Connections) == 0 {
		ps.Add("connections", "no connection says how the cards are reached: the bench cannot be used yet")
	}
	d.warnPaths(&ps)
	for i := range d.Channels {
		c := &d.Channels[i]
		for k, list := range c.tables() {
			for j, r := range *list {
				at := fmt.Sprintf("channels[%d].%s[%d].", i, tableNames[k], j)
				if r.Gain == 0 && r.Offset == 0 {
					ps.Add(at+"gain", "no accuracy is stated: its readings would count as exact")
				} else if r.Step == 0 {
					ps.Add(at+"step", "no converter step is stated")
				}
			}
		}
	}
	return ps
}

var tableNames = []string{"forceV", "forceI", "senseV", "senseI"}

func (d *Definition) warnPaths(ps *dut.Problems) {
	type ends struct {
		line    ChannelID
		contact int
	}
	for _, words := range d.AssumedTolerances() {
		ps.Add("paths", "no tolerance is stated; assumed: %s", words)
	}
	unstated := 0
	joined, reached, lines := map[ends]bool{}, map[int]bool{}, map[ChannelID]bool{}
	for i := range d.Paths {
		p := &d.Paths[i]
		e := ends{p.Channel, p.Contact}
		if joined[e] {
			ps.Add(fmt.Sprintf("paths[%d].contact", i), "a second path joins %s", d.PathName(p))
		}
		joined[e], reached[p.Contact], lines[p.Channel] = true, true, true
		if p.Resistance == 0 {
			unstated++
		}
	}
	if unstated > 0 {
		ps.Add("paths", "no resistance is stated of %d of the %d paths: in a two-wire reading they would count as nothing", unstated, len(d.Paths))
	}
	var alone []int
	for c := 1; c <= min(d.Contacts, dut.MaxPins); c++ {
		if !reached[c] {
			alone = append(alone, c)
		}
	}
	if len(alone) > 0 {
		ps.Add("paths", "no path reaches contact%s", spans(alone))
	}
	for i, c := range d.Channels {
		if !lines[c.ID] {
			ps.Add(fmt.Sprintf("channels[%d].name", i), "no path leads to %s: only a strap reaches it", c.Name)
		}
	}
	if len(d.Paths) > 0 && !lines[0] {
		ps.Add("paths", "no path leads to the return: 0 V comes from straps or from a channel alone")
	}
}

// spans lists numbers in ascending order, with what a noun before them needs:
// " 3", "s 3 and 5 to 8".
func spans(numbers []int) string {
	var parts []string
	for i := 0; i < len(numbers); {
		j := i
		for j+1 < len(numbers) && numbers[j+1] == numbers[j]+1 {
			j++
		}
		switch {
		case j > i+1:
			parts = append(parts, fmt.Sprintf("%d to %d", numbers[i], numbers[j]))
		default:
			for k := i; k <= j; k++ {
				parts = append(parts, strconv.Itoa(numbers[k]))
			}
		}
		i = j + 1
	}
	words := strings.Join(parts[:max(len(parts)-1, 0)], ", ")
	switch {
	case len(numbers) == 1:
		return " " + parts[0]
	case words == "":
		return "s " + strings.Join(parts, "")
	}
	return "s " + words + " and " + parts[len(parts)-1]
}
