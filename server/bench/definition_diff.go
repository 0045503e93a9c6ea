package bench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// DiffDefinitions lists what changed from a to b, in the order of the document.
// Connections are matched by name, channels by number, ranges by full scale and
// paths by what they join. What changed alike is told once. Two definitions
// without a difference have the same content, up to the order of their lists.
func DiffDefinitions(a, b *Definition) []dut.Change {
	d := differences{a: a, b: b, list: []dut.Change{}}
	d.text("key", "key", a.Key, b.Key)
	d.text("name", "name", a.Name, b.Name)
	d.text("contacts", "contacts", strconv.Itoa(a.Contacts), strconv.Itoa(b.Contacts))
	d.value("lineHz", "power-line frequency", a.LineHz, b.LineHz, quantity.Hertz)
	d.value("switchTime", "switching time", a.SwitchTime, b.SwitchTime, quantity.Second)
	d.value("capacitance", "capacitance of a contact", a.Capacitance, b.Capacitance, quantity.Farad)
	d.connections()
	d.channels()
	d.ranges()
	d.paths()
	return d.list
}

type differences struct {
	a, b *Definition
	list []dut.Change
}

func (d *differences) text(field, what, before, after string) {
	if before != after {
		d.list = append(d.list, dut.Change{Field: field, What: what, Before: before, After: after})
	}
}

func (d *differences) value(field, what string, before, after float64, unit quantity.Unit) {
	if before != after {
		x, y := apart(before, after, unit)
		d.text(field, what, x, y)
	}
}

// apart formats two unequal values with enough digits to show their
// difference.
func apart(before, after float64, unit quantity.Unit) (x, y string) {
	x, y = stated(before, unit, 4), stated(after, unit, 4)
	if x == y {
		x, y = stated(before, unit, 17), stated(after, unit, 17)
	}
	return x, y
}

// stated formats a value of a definition; 0 was never stated and stays empty.
func stated(v float64, unit quantity.Unit, digits int) string {
	if v == 0 {
		return ""
	}
	return trimmed(quantity.Format(v, unit, digits))
}

// trimmed takes zeros off the end of a number with a point.
func trimmed(s string) string {
	number, unit, _ := strings.Cut(s, " ")
	if strings.Contains(number, ".") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	if unit == "" {
		return number
	}
	return number + " " + unit
}

func (d *differences) connections() {
	find := func(def *Definition, name string) *Connection {
		i := slices.IndexFunc(def.Connections, func(c Connection) bool { return c.Name == name })
		if i < 0 {
			return nil
		}
		return &def.Connections[i]
	}
	for i := range d.b.Connections {
		after := &d.b.Connections[i]
		field := fmt.Sprintf("connections[%d]", i)
		if before := find(d.a, after.Name); before != nil {
			d.connection(field+".", before, after)
		} else {
			d.text(field, "connection "+after.Name+" added", "", after.Address)
		}
	}
	for i := range d.a.Connections {
		before := &d.a.Connections[i]
		if find(d.b, before.Name) == nil {
			d.text(fmt.Sprintf("connections[%d]", i), "connection "+before.Name+" gone", before.Address, "")
		}
	}
}

func (d *differences) connection(at string, a, b *Connection) {
	name := "connection " + b.Name + ": "
	d.text(at+"address", name+"address", a.Address, b.Address)
	d.text(at+"cards", name+"cards", numbers(a.Cards), numbers(b.Cards))
	d.value(at+"timeout", name+"timeout", a.Timeout, b.Timeout, quantity.Second)
	d.value(at+"watchdog", name+"watchdog", a.Watchdog, b.Watchdog, quantity.Second)
	d.text(at+"serial", name+"serial number expected", a.Serial, b.Serial)
	d.text(at+"echo", name+"sends back what it is sent", yesNo(a.Echo), yesNo(b.Echo))
	for _, blank := range Blanks() {
		d.text(at+"commands."+blank.Name, name+"“"+blank.Title+"”", spoken(*blank.Text(&a.Commands)), spoken(*blank.Text(&b.Commands)))
	}
}

// spoken formats a command text of a dialect for a table of changes.
func spoken(text string) string {
	switch text {
	case "":
		return "as in the protocol"
	case None:
		return "no such command"
	}
	return strings.Join(strings.Split(text, "\n"), " ↵ ")
}

func numbers(list []int) string {
	var parts []string
	for _, n := range list {
		parts = append(parts, strconv.Itoa(n))
	}
	return strings.Join(parts, ", ")
}

func yesNo(v bool) string {
	if v {
		return "yes"
	}
	return "no"
}

func (d *differences) channels() {
	for i := range d.b.Channels {
		b := &d.b.Channels[i]
		at := fmt.Sprintf("channels[%d]", i)
		a, ok := d.a.ChannelByID(b.ID)
		if !ok {
			d.text(at, "channel "+b.Name+" added", "", "card "+strconv.Itoa(b.Card))
			continue
		}
		name := "channel " + b.Name + ": "
		d.text(at+".name", name+"name", a.Name, b.Name)
		d.text(at+".card", name+"card", strconv.Itoa(a.Card), strconv.Itoa(b.Card))
		d.text(at+".number", name+"number on its card", strconv.Itoa(a.NumberOf()), strconv.Itoa(b.NumberOf()))
		d.text(at+".remoteSense", name+"sense terminals", yesNo(a.RemoteSense), yesNo(b.RemoteSense))
		d.value(at+".sourceR", name+"source resistance", a.SourceR, b.SourceR, quantity.Ohm)
	}
	d.order("channels", "order of the channels", channelNumbers(d.a), channelNumbers(d.b))
	for i := range d.a.Channels {
		a := &d.a.Channels[i]
		if _, ok := d.b.ChannelByID(a.ID); !ok {
			d.text(fmt.Sprintf("channels[%d]", i), "channel "+a.Name+" gone", "card "+strconv.Itoa(a.Card), "")
		}
	}
}

// channelNumbers are the numbers of the definition's channels, in its order.
func channelNumbers(d *Definition) []string {
	out := make([]string, len(d.Channels))
	for i, c := range d.Channels {
		out[i] = strconv.Itoa(int(c.ID))
	}
	return out
}

// order reports a changed order of the items that both lists hold: the first
// channel decides where the return's switches are looked for.
func (d *differences) order(field, what string, a, b []string) {
	keep := func(list, other []string) []string {
		return slices.DeleteFunc(slices.Clone(list), func(s string) bool { return !slices.Contains(other, s) })
	}
	if before, after := keep(a, b), keep(b, a); !slices.Equal(before, after) {
		d.text(field, what, strings.Join(before, ", "), strings.Join(after, ", "))
	}
}

// TableWords name a channel's tables of ranges, in their order.
var TableWords = []string{"forces voltage", "forces current", "senses voltage", "senses current"}

var tableUnits = []quantity.Unit{quantity.Volt, quantity.Ampere, quantity.Volt, quantity.Ampere}

// ranges compares the tables of channels that are in both. A change that
// several channels have alike is told once.
func (d *differences) ranges() {
	type alike struct{ what, before, after string }
	names, fields := map[alike][]string{}, map[alike]string{}
	var order []alike
	for i := range d.b.Channels {
		b := &d.b.Channels[i]
		a, ok := d.a.ChannelByID(b.ID)
		if !ok {
			continue
		}
		for k := range b.tables() {
			one := differences{}
			one.table(fmt.Sprintf("channels[%d].%s", i, tableNames[k]), TableWords[k], *a.tables()[k], *b.tables()[k], tableUnits[k])
			for _, c := range one.list {
				key := alike{c.What, c.Before, c.After}
				if names[key] == nil {
					order, fields[key] = append(order, key), c.Field
				}
				names[key] = append(names[key], b.Name)
			}
		}
	}
	for _, key := range order {
		d.text(fields[key], strings.Join(names[key], ", ")+" "+key.what, key.before, key.after)
	}
}

func (d *differences) table(field, what string, a, b []Range, unit quantity.Unit) {
	find := func(list []Range, fullScale float64) int {
		return slices.IndexFunc(list, func(r Range) bool { return r.FullScale == fullScale })
	}
	for j, after := range b {
		name := what + ", range " + stated(after.FullScale, unit, 6)
		at := fmt.Sprintf("%s[%d]", field, j)
		i := find(a, after.FullScale)
		if i < 0 {
			d.text(at, name+" added", "", rangeParts(after, unit))
			continue
		}
		before := a[i]
		d.value(at+".step", name+": step", before.Step, after.Step, unit)
		d.text(at+".gain", name+": gain part", Part(before.Gain), Part(after.Gain))
		d.value(at+".offset", name+": offset part", before.Offset, after.Offset, unit)
		d.value(at+".noise", name+": noise", before.Noise, after.Noise, unit)
		d.value(at+".loopTime", name+": loop time", before.LoopTime, after.LoopTime, quantity.Second)
	}
	for i, before := range a {
		if find(b, before.FullScale) < 0 {
			d.text(fmt.Sprintf("%s[%d]", field, i), what+", range "+stated(before.FullScale, unit, 6)+" gone", rangeParts(before, unit), "")
		}
	}
}

// rangeParts is the accuracy of a range in a few words.
func rangeParts(r Range, unit quantity.Unit) string {
	gain, offset := Part(r.Gain), stated(r.Offset, unit, 4)
	switch {
	case gain == "" && offset == "":
		return "no accuracy stated"
	case gain == "":
		return offset
	case offset == "":
		return gain
	}
	return gain + " + " + offset
}
