package web

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// ProcedureChanges lists what changed from a to b in words. Measurements are
// matched by their ids. Two procedures without a difference have the same content.
func ProcedureChanges(a, b *procedure.Procedure, d *dut.Device) []dut.Change {
	c := &changed{d: d}
	c.text("key", "key", a.Key, b.Key)
	c.text("name", "name", a.Name, b.Name)
	c.text("device", "device", a.Device, b.Device)
	c.text("notes", "notes", a.Notes, b.Notes)
	c.text("guard", "decision rule", a.Rule().Name(), b.Rule().Name())
	c.text("stopOnFail", "stop at the first fail", yes(a.StopOnFail), yes(b.StopOnFail))
	c.text("conditions", "conditions to repeat for", cornersLine(a, d), cornersLine(b, d))
	c.measurements(a, b)
	if len(c.out) == 0 && !sameContent(a, b) {
		c.add("", "figures beyond those shown", "", "")
	}
	return c.out
}

// cornersLine returns the conditions of a procedure in one line.
func cornersLine(p *procedure.Procedure, d *dut.Device) string {
	e := ProcedureEditProps{Procedure: *p, Device: *d}
	if len(p.Conditions) == 0 {
		return "none"
	}
	return strings.Join(e.corners(), "; ")
}

// SameProcedure reports whether two procedures have the same content.
func SameProcedure(a, b *procedure.Procedure) bool { return sameContent(a, b) }

func sameContent(a, b *procedure.Procedure) bool {
	x, errX := a.Canonical()
	y, errY := b.Canonical()
	return errX == nil && errY == nil && bytes.Equal(x, y)
}

type changed struct {
	d   *dut.Device
	out []dut.Change
}

func (c *changed) add(field, what, before, after string) {
	c.out = append(c.out, dut.Change{Field: field, What: what, Before: before, After: after})
}

func (c *changed) text(field, what, before, after string) {
	if before != after {
		c.add(field, what, before, after)
	}
}

func yes(v bool) string {
	if v {
		return "yes"
	}
	return "no"
}

func (c *changed) measurements(a, b *procedure.Procedure) {
	index := func(p *procedure.Procedure, id string) int {
		return slices.IndexFunc(p.Measurements, func(m procedure.Measurement) bool { return m.ID == id })
	}
	var kept []string // ids of both, in the order of a
	for i := range a.Measurements {
		m := &a.Measurements[i]
		if index(b, m.ID) < 0 {
			c.add(measurementPath(i), m.Name+": removed", briefly(m, c.d), "")
		} else {
			kept = append(kept, m.ID)
		}
	}
	moved := c.moved(kept, b)
	for i := range b.Measurements {
		m := &b.Measurements[i]
		j := index(a, m.ID)
		if j < 0 {
			c.add(measurementPath(i), m.Name+": added", "", briefly(m, c.d))
			continue
		}
		if moved[m.ID] {
			c.add(measurementPath(i), m.Name+": place", strconv.Itoa(j+1), strconv.Itoa(i+1))
		}
		c.measurement(i, &a.Measurements[j], m)
	}
}

func measurementPath(i int) string { return fmt.Sprintf("measurements[%d]", i) }

// moved returns the measurements that changed their place among those that
// both revisions have: all but a longest run that kept its order.
func (c *changed) moved(kept []string, b *procedure.Procedure) map[string]bool {
	place := map[string]int{}
	for i, id := range kept {
		place[id] = i
	}
	var order []string
	for _, m := range b.Measurements {
		if _, both := place[m.ID]; both {
			order = append(order, m.ID)
		}
	}
	stays := map[string]bool{}
	for _, i := range longestRising(order, place) {
		stays[order[i]] = true
	}
	out := map[string]bool{}
	for _, id := range order {
		out[id] = !stays[id]
	}
	return out
}

// longestRising returns the indices of a longest rising subsequence of places.
func longestRising(order []string, place map[string]int) []int {
	length, before := make([]int, len(order)), make([]int, len(order))
	best := -1
	for i := range order {
		length[i], before[i] = 1, -1
		for j := range i {
			if place[order[j]] < place[order[i]] && length[j]+1 > length[i] {
				length[i], before[i] = length[j]+1, j
			}
		}
		if best < 0 || length[i] > length[best] {
			best = i
		}
	}
	var out []int
	for i := best; i >= 0; i = before[i] {
		out = append(out, i)
	}
	return out
}

// briefly returns a measurement in a few words.
func briefly(m *procedure.Measurement, d *dut.Device) string {
	return kindTitle(m.Kind) + ", " + pinList(m.Pins, d)
}

func (c *changed) measurement(i int, a, b *procedure.Measurement) {
	before := len(c.out)
	at := func(field string) string { return measurementPath(i) + "." + field }
	what := func(s string) string { return b.Name + ": " + s }
	c.text(at("name"), what("name"), a.Name, b.Name)
	c.text(at("kind"), what("kind"), kindTitle(a.Kind), kindTitle(b.Kind))
	c.text(at("disabled"), what("left out"), yes(a.Disabled), yes(b.Disabled))
	c.text(at("group"), what("group"), a.Group, b.Group)
	c.text(at("stopOnFail"), what("stop if it fails"), yes(a.StopOnFail), yes(b.StopOnFail))
	c.text(at("retest"), what("retests"), strconv.Itoa(a.Retest), strconv.Itoa(b.Retest))
	c.text(at("pins"), what("pins"), pinList(a.Pins, c.d), pinList(b.Pins, c.d))
	x, y := conditionWords(a, c.d), conditionWords(b, c.d)
	for j := 0; j < len(x) || j < len(y); j++ {
		switch {
		case len(x) != len(y):
			c.text(at(""), what("conditions"), strings.Join(x, "; "), strings.Join(y, "; "))
			j = max(len(x), len(y))
		default:
			c.text(at(""), what("conditions"), x[j], y[j])
		}
	}
	c.limits(at, what, a, b)
	c.text(at("note"), what("note"), a.Note, b.Note)
	if len(c.out) == before {
		p, q := procedure.Procedure{Measurements: []procedure.Measurement{*a}}, procedure.Procedure{Measurements: []procedure.Measurement{*b}}
		if !sameContent(&p, &q) {
			c.add(measurementPath(i), what("figures beyond those shown"), "", "")
		}
	}
}

func (c *changed) limits(at, what func(string) string, a, b *procedure.Measurement) {
	kind, known := procedure.KindByKey(b.Kind)
	if !known {
		return
	}
	for _, o := range kind.Outputs() {
		x, y := a.Limits[o.Key], b.Limits[o.Key]
		unit := b.OutputUnit(o)
		before, after := limitWords(x.Low, x.High, unit), limitWords(y.Low, y.High, unit)
		if before == "" {
			before = "none"
		}
		if after == "" {
			after = "none"
		}
		c.text(at("limits."+o.Key), what("limits of "+o.Name), before, after)
	}
}

// conditionWords returns the conditions of a measurement in words, but for the
// pins it measures.
func conditionWords(m *procedure.Measurement, d *dut.Device) []string {
	all := m.Phrases(d)
	if len(m.Pins) > 0 {
		all = all[1:]
		if m.Against != 0 {
			all = append([]string{"against pin " + pinLabel(m.Against, d)}, all...)
		}
	}
	return all
}
