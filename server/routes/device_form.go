package routes

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// The device editor as a form: fields repeat, one for each pin and each power
// step, and are the columns of the page's grids. A problem's field is a path
// into the document, whose rows are those of the form once empty ones are gone.

// pinColumns and stepColumns are the repeated fields of the form.
var (
	pinColumns  = []string{"number", "pinName", "function", "minV", "maxV", "maxI", "clamp", "aboveClamp", "logic"}
	stepColumns = []string{"stepPin", "level", "limit", "ramp", "delay"}
)

// maxFormRows bounds what is read of a form: more than any device has, so that
// too many are seen and named rather than cut.
const maxFormRows = 4 * dut.MaxPins

// deviceValues writes a device as form values, exactly: reading them back gives
// the same device, with its pins in the order of their numbers.
func deviceValues(d *dut.Device) url.Values {
	v := url.Values{
		"name": {d.Name}, "key": {d.Key}, "description": {d.Description}, "model": {d.Model},
		"family": {string(d.Package.Family)}, "pins": {strconv.Itoa(d.Package.Pins)},
		"columns": {numberOrNothing(d.Package.Columns)},
	}
	if d.Package.ThermalPad {
		v.Set("thermalPad", "1")
	}
	for _, p := range d.SortPins().Pins {
		addRow(v, pinColumns, strconv.Itoa(p.Number), p.Name, string(p.Function), web.Exact(p.MinV, quantity.Volt), web.Exact(p.MaxV, quantity.Volt),
			web.Exact(p.MaxI, quantity.Ampere), numberOrNothing(p.Clamp), typedOrNothing(p.AboveClamp, quantity.Volt), p.Logic)
	}
	for _, s := range d.Power {
		addRow(v, stepColumns, strconv.Itoa(s.Pin), web.Exact(s.Level, quantity.Volt), web.Exact(s.Limit, quantity.Ampere),
			typedOrNothing(s.Ramp, quantity.Second), typedOrNothing(s.Delay, quantity.Second))
	}
	return v
}

func addRow(v url.Values, columns []string, cells ...string) {
	for i, c := range columns {
		v[c] = append(v[c], cells[i])
	}
}

func typedOrNothing(v float64, unit quantity.Unit) string {
	if v == 0 {
		return ""
	}
	return web.Exact(v, unit)
}

// formRows is how many rows the repeated fields have.
func formRows(v url.Values, columns []string) int {
	n := 0
	for _, c := range columns {
		n = max(n, len(v[c]))
	}
	return min(n, maxFormRows)
}

func cell(v url.Values, column string, i int) string {
	if list := v[column]; i < len(list) {
		return strings.TrimSpace(list[i])
	}
	return ""
}

// tidy gives every column as many cells as there are rows, and takes out rows
// in which nothing was typed. A choice, which always says something, is no
// typing.
func tidy(v url.Values, columns []string, choices ...string) {
	n := formRows(v, columns)
	kept := map[string][]string{}
	for i := range n {
		row, empty := make([]string, len(columns)), true
		for k, c := range columns {
			row[k] = cell(v, c, i)
			empty = empty && (row[k] == "" || slices.Contains(choices, c))
		}
		if !empty {
			addRow(kept, columns, row...)
		}
	}
	for _, c := range columns {
		v[c] = kept[c]
	}
}

// deviceOf reads a device from the form. The problems are those of the fields
// as such; whether the device makes sense is for Validate. v is tidied.
func deviceOf(v url.Values) (dut.Device, dut.Problems) {
	tidy(v, pinColumns, "function", "logic")
	tidy(v, stepColumns)
	v.Set("description", strings.ReplaceAll(v.Get("description"), "\r\n", "\n")) // forms send lines as mail does
	f := fields{values: v}
	d := dut.Device{
		Key: strings.TrimSpace(v.Get("key")), Name: strings.TrimSpace(v.Get("name")), Description: strings.TrimSpace(v.Get("description")),
		Model: v.Get("model"),
		Package: dut.Package{Family: dut.Family(v.Get("family")), Pins: f.whole("package.pins", v.Get("pins")),
			ThermalPad: v.Get("thermalPad") == "1"},
	}
	if d.Package.Family == dut.Grid && strings.TrimSpace(v.Get("columns")) != "" {
		d.Package.Columns = f.whole("package.columns", v.Get("columns"))
	}
	for i := range formRows(v, pinColumns) {
		at := func(name string) string { return fmt.Sprintf("pins[%d].%s", i, name) }
		d.Pins = append(d.Pins, dut.Pin{
			Number: f.whole(at("number"), cell(v, "number", i)), Name: cell(v, "pinName", i), Function: dut.Function(cell(v, "function", i)),
			MinV: f.quantity(at("minV"), cell(v, "minV", i), quantity.Volt), MaxV: f.quantity(at("maxV"), cell(v, "maxV", i), quantity.Volt),
			MaxI:  f.quantity(at("maxI"), cell(v, "maxI", i), quantity.Ampere),
			Clamp: f.pin(at("clamp"), cell(v, "clamp", i)), AboveClamp: f.quantity(at("aboveClamp"), cell(v, "aboveClamp", i), quantity.Volt),
			Logic: cell(v, "logic", i),
		})
	}
	for i := range formRows(v, stepColumns) {
		at := func(name string) string { return fmt.Sprintf("power[%d].%s", i, name) }
		d.Power = append(d.Power, dut.PowerStep{
			Pin:   f.pin(at("pin"), cell(v, "stepPin", i)),
			Level: f.quantity(at("level"), cell(v, "level", i), quantity.Volt), Limit: f.quantity(at("limit"), cell(v, "limit", i), quantity.Ampere),
			Ramp: f.quantity(at("ramp"), cell(v, "ramp", i), quantity.Second), Delay: f.quantity(at("delay"), cell(v, "delay", i), quantity.Second),
		})
	}
	return d, f.problems
}

// fields reads cells and gathers what is wrong with them.
type fields struct {
	values   url.Values
	problems dut.Problems
}

// quantity reads a quantity; nothing is zero.
func (f *fields) quantity(field, text string, unit quantity.Unit) float64 {
	if text == "" {
		return 0
	}
	v, err := quantity.Parse(text, unit)
	if err != nil {
		f.problems.Add(field, "%s", err.Error())
	}
	return v
}

// whole reads a whole number of at most four digits.
func (f *fields) whole(field, text string) int {
	text = strings.TrimSpace(text)
	if text == "" {
		f.problems.Add(field, "enter a number")
		return 0
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < -9999 || n > 9999 {
		f.problems.Add(field, "%q is not a whole number such as 14", brief(text))
		return 0
	}
	return n
}

// pin reads the number of a pin, or its name where only one pin has it;
// nothing is 0.
func (f *fields) pin(field, text string) int {
	if text == "" {
		return 0
	}
	if n, err := strconv.Atoi(text); err == nil && n >= 0 && n <= 9999 {
		return n
	}
	found := 0
	for i, name := range f.values["pinName"] {
		if !strings.EqualFold(strings.TrimSpace(name), text) {
			continue
		}
		n, err := strconv.Atoi(cell(f.values, "number", i))
		if err != nil {
			continue
		}
		if found != 0 {
			f.problems.Add(field, "several pins are called %q: enter the number", brief(text))
			return 0
		}
		found = n
	}
	if found == 0 {
		f.problems.Add(field, "there is no pin called %q: enter a pin's number or name", brief(text))
	}
	return found
}

// checkedDevice reads the form and reports everything that is wrong with it.
func checkedDevice(v url.Values) (dut.Device, dut.Problems) {
	d, ps := deviceOf(v)
	if len(ps) == 0 { // a field that could not be read would be named twice
		if err := d.Validate(); err != nil {
			ps, _ = err.(dut.Problems)
		}
	}
	return d, ps
}

// keyFor makes a key from a name: what is left of it in lower-case letters,
// digits and hyphens.
func keyFor(name string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(name) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	key := b.String()
	return strings.Trim(key[:min(len(key), 56)], "-")
}
