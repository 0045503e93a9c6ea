package dut

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

// Change is one difference between two descriptions of a device. Field is a path
// into the later one, or into the earlier one for what is gone; What names the
// field in words, with the pin; Before and After are fit for the screen, "" for
// nothing.
type Change struct {
	Field  string `json:"field"`
	What   string `json:"what"`
	Before string `json:"before"`
	After  string `json:"after"`
}

// Diff lists what changed from a to b, fields in the order of the device. Pins
// are matched by their number and power steps by their pin. Two devices without a
// difference have the same content.
func Diff(a, b *Device) []Change {
	c := changes{}
	c.text("key", "key", a.Key, b.Key)
	c.text("name", "name", a.Name, b.Name)
	c.text("description", "description", a.Description, b.Description)
	c.text("package.family", "package", string(a.Package.Family), string(b.Package.Family))
	c.count("package.pins", "number of pins", a.Package.Pins, b.Package.Pins)
	c.flag("package.thermalPad", "thermal pad", a.Package.ThermalPad, b.Package.ThermalPad)
	c.count("package.columns", "columns of the grid", a.Package.Columns, b.Package.Columns)
	c.pins(a, b)
	c.power(a, b)
	c.text("model", "rehearsal model", a.Model, b.Model)
	return c
}

type changes []Change

func (c *changes) add(field, what, before, after string) {
	*c = append(*c, Change{field, what, before, after})
}

func (c *changes) text(field, what, before, after string) {
	if before != after {
		c.add(field, what, before, after)
	}
}

func (c *changes) count(field, what string, before, after int) {
	if before != after {
		c.add(field, what, itoa(before), itoa(after))
	}
}

func (c *changes) flag(field, what string, before, after bool) {
	if before != after {
		c.add(field, what, yesNo(before), yesNo(after))
	}
}

func yesNo(v bool) string {
	if v {
		return "yes"
	}
	return "no"
}

// value compares two quantities. Where the figures that a screen shows are the
// same, all figures are given.
func (c *changes) value(field, what string, before, after float64, unit quantity.Unit) {
	if before == after || before != before && after != after {
		return
	}
	x, y := short(before, unit), short(after, unit)
	if x == y {
		x = strconv.FormatFloat(before, 'g', -1, 64) + " " + string(unit)
		y = strconv.FormatFloat(after, 'g', -1, 64) + " " + string(unit)
	}
	c.add(field, what, x, y)
}

// pair is an element of the earlier list and its partner in the later one, by
// index; -1 for none.
type pair struct{ a, b int }

// match pairs two lists by number: the n-th of a number with the n-th of it.
// moved tells that the partners stand in another order.
func match(a, b []int) (pairs []pair, moved bool) {
	used := make([]bool, len(a))
	last := -1
	for j, n := range b {
		i := slices.IndexFunc(a, func(m int) bool { return m == n })
		for i >= 0 && used[i] {
			next := slices.Index(a[i+1:], n)
			if next < 0 {
				i = -1
				break
			}
			i += 1 + next
		}
		if i >= 0 {
			used[i] = true
			moved = moved || i < last
			last = i
		}
		pairs = append(pairs, pair{i, j})
	}
	for i := range a {
		if !used[i] {
			pairs = append(pairs, pair{i, -1})
		}
	}
	return pairs, moved
}

func (c *changes) pins(a, b *Device) {
	numbers := func(d *Device) []int {
		out := make([]int, len(d.Pins))
		for i, p := range d.Pins {
			out[i] = p.Number
		}
		return out
	}
	pairs, moved := match(numbers(a), numbers(b))
	if moved {
		c.add("pins", "order of the pins in the list", "", "")
	}
	pairs = c.renumbered(a, b, pairs)
	for _, m := range pairs {
		switch {
		case m.a < 0:
			c.add(fmt.Sprintf("pins[%d]", m.b), "pin "+b.Pins[m.b].Label()+" added", "", describe(b.Pins[m.b]))
		case m.b < 0:
			c.add(fmt.Sprintf("pins[%d]", m.a), "pin "+a.Pins[m.a].Label()+" gone", describe(a.Pins[m.a]), "")
		default:
			c.pin(m.b, a.Pins[m.a], b.Pins[m.b])
		}
	}
}

// renumbered reports pins that kept everything but their number, and leaves out
// their pairs.
func (c *changes) renumbered(a, b *Device, pairs []pair) []pair {
	for k := range pairs {
		if pairs[k].a >= 0 || pairs[k].b < 0 {
			continue
		}
		after := b.Pins[pairs[k].b]
		for l := range pairs {
			if pairs[l].b >= 0 || pairs[l].a < 0 {
				continue
			}
			before := a.Pins[pairs[l].a]
			number := before.Number
			before.Number = after.Number
			if before == after {
				c.add(fmt.Sprintf("pins[%d].number", pairs[k].b), "number of pin "+after.Name, itoa(number), itoa(after.Number))
				pairs[k], pairs[l] = pair{-1, -1}, pair{-1, -1}
				break
			}
		}
	}
	return slices.DeleteFunc(pairs, func(p pair) bool { return p.a < 0 && p.b < 0 })
}

// describe says in short what a pin is.
func describe(p Pin) string {
	s := fmt.Sprintf("%s, %s to %s, %s", p.Function, volts(p.MinV), volts(p.MaxV), amps(p.MaxI))
	return strings.Join(append([]string{s}, FurtherOf(p)...), ", ")
}

func (c *changes) pin(i int, a, b Pin) {
	name := "pin " + b.Label() + ": "
	c.text(at(i, "name"), name+"name", a.Name, b.Name)
	c.text(at(i, "function"), name+"function", string(a.Function), string(b.Function))
	c.text(at(i, "clamp"), name+"clamped to", clampWord(a.Clamp), clampWord(b.Clamp))
	for _, r := range ratings {
		c.value(at(i, string(r.Means)), name+r.What, r.Value(a), r.Value(b), r.Unit)
	}
	c.text(at(i, "logic"), name+"logic family", a.Logic, b.Logic)
}

func clampWord(n int) string {
	if n == 0 {
		return "no supply"
	}
	return "pin " + itoa(n)
}

func (c *changes) power(a, b *Device) {
	numbers := func(d *Device) []int {
		out := make([]int, len(d.Power))
		for i, s := range d.Power {
			out[i] = s.Pin
		}
		return out
	}
	pairs, moved := match(numbers(a), numbers(b))
	if moved {
		c.add("power", "order of the supplies", order(a), order(b))
	}
	for _, m := range pairs {
		switch {
		case m.a < 0:
			s := b.Power[m.b]
			c.add(fmt.Sprintf("power[%d]", m.b), "power step of pin "+itoa(s.Pin)+" added", "", volts(s.Level)+", "+amps(s.Limit))
		case m.b < 0:
			s := a.Power[m.a]
			c.add(fmt.Sprintf("power[%d]", m.a), "power step of pin "+itoa(s.Pin)+" gone", volts(s.Level)+", "+amps(s.Limit), "")
		default:
			c.powerStep(m.b, a.Power[m.a], b.Power[m.b])
		}
	}
}

func order(d *Device) string {
	s := ""
	for i, p := range d.Power {
		if i > 0 {
			s += ", "
		}
		s += "pin " + itoa(p.Pin)
	}
	return s
}

func (c *changes) powerStep(i int, a, b PowerStep) {
	field := func(name string) string { return fmt.Sprintf("power[%d].%s", i, name) }
	name := "power of pin " + itoa(b.Pin) + ": "
	c.value(field("level"), name+"level", a.Level, b.Level, quantity.Volt)
	c.value(field("limit"), name+"limit", a.Limit, b.Limit, quantity.Ampere)
	c.value(field("ramp"), name+"ramp", a.Ramp, b.Ramp, quantity.Second)
	c.value(field("delay"), name+"delay", a.Delay, b.Delay, quantity.Second)
}
