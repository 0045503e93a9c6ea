package form

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// PinColumns and StepColumns are the grids of the device editor: one row for
// each pin and for each power step.
var (
	PinColumns  = pinColumns()
	StepColumns = Columns{"stepPin", "level", "limit", "ramp", "delay"}
)

// pinColumns are the columns of a pin: its ratings to ground, and behind the
// supply that it is clamped to those relative to it.
func pinColumns() Columns {
	c := Columns{"number", "pinName", "function"}
	for _, r := range ratingsWhere(false) {
		c = append(c, string(r.Means))
	}
	c = append(c, "clamp")
	for _, r := range ratingsWhere(true) {
		c = append(c, string(r.Means))
	}
	return append(c, "logic")
}

// ratingsWhere are the ratings that are, or are not, relative to the clamp
// supply.
func ratingsWhere(relative bool) []dut.Rating {
	return slices.DeleteFunc(dut.Ratings(), func(r dut.Rating) bool { return r.Relative != relative })
}

// ratingCells writes those ratings of a pin.
func ratingCells(p dut.Pin, relative bool) []string {
	var cells []string
	for _, r := range ratingsWhere(relative) {
		write := quantity.Exact
		if r.Optional {
			write = quantity.ExactOrEmpty
		}
		cells = append(cells, write(r.Value(p), r.Unit))
	}
	return cells
}

// pinChoices are the columns of pins that always say something.
var pinChoices = []string{"function", "logic"}

// DeviceValues writes a device as a form, exactly: reading it back gives the
// same device, with its pins in the order of their numbers.
func DeviceValues(d *dut.Device) url.Values {
	v := url.Values{
		"name": {d.Name}, "key": {d.Key}, "description": {d.Description}, "model": {d.Model},
		"family": {string(d.Package.Family)}, "pins": {strconv.Itoa(d.Package.Pins)},
		"columns": {Number(d.Package.Columns)},
	}
	if d.Package.ThermalPad {
		v.Set("thermalPad", "1")
	}
	for _, p := range d.SortPins().Pins {
		PinColumns.Add(v, slices.Concat([]string{strconv.Itoa(p.Number), p.Name, string(p.Function)},
			ratingCells(p, false), []string{Number(p.Clamp)}, ratingCells(p, true), []string{p.Logic})...)
	}
	for _, s := range d.Power {
		StepColumns.Add(v, strconv.Itoa(s.Pin), quantity.Exact(s.Level, quantity.Volt), quantity.Exact(s.Limit, quantity.Ampere),
			quantity.ExactOrEmpty(s.Ramp, quantity.Second), quantity.ExactOrEmpty(s.Delay, quantity.Second))
	}
	return v
}

// TidyDevice takes the empty rows out of a device's form, as reading it does.
func TidyDevice(v url.Values) {
	PinColumns.Tidy(v, pinChoices...)
	StepColumns.Tidy(v)
}

// ReadDevice reads a device from its form, which is tidied. The problems are
// those of the fields as such; whether the device makes sense is for Validate.
// A problem's field is a path into the device.
func ReadDevice(v url.Values) (dut.Device, dut.Problems) {
	TidyDevice(v)
	v.Set("description", PlainLines(v.Get("description")))
	r := NewReader(v)
	pack := dut.At("package")
	d := dut.Device{
		Key: r.Line("key"), Name: r.Line("name"), Description: r.Line("description"), Model: v.Get("model"),
		Package: dut.Package{Family: dut.Family(v.Get("family")), Pins: r.NeedWhole(r.Named(pack.Name("pins"), "pins")),
			ThermalPad: r.Checked("thermalPad")},
	}
	if d.Package.Family == dut.Grid {
		d.Package.Columns = r.Whole(r.Named(pack.Name("columns"), "columns"))
	}
	for i := range PinColumns.Rows(v) {
		d.Pins = append(d.Pins, r.devicePin(i))
	}
	for i := range StepColumns.Rows(v) {
		d.Power = append(d.Power, r.powerStep(i))
	}
	return d, r.Problems
}

// devicePin reads row i of the pins.
func (r *Reader) devicePin(i int) dut.Pin {
	field := func(name string) Field { return r.Cell(dut.At("pins").Index(i).Name(name), name, i) }
	p := dut.Pin{Number: r.NeedWhole(field("number")), Name: cell(r.Values, "pinName", i), Function: dut.Function(field("function").Text)}
	rated := func(relative bool) {
		for _, rating := range ratingsWhere(relative) {
			*rating.Of(&p) = r.Quantity(field(string(rating.Means)), rating.Unit)
		}
	}
	rated(false)
	p.Clamp = r.pinOfForm(field("clamp"))
	rated(true)
	p.Logic = field("logic").Text
	return p
}

// powerStep reads row i of the power order.
func (r *Reader) powerStep(i int) dut.PowerStep {
	at := dut.At("power").Index(i)
	field := func(name string) Field { return r.Cell(at.Name(name), name, i) }
	return dut.PowerStep{
		Pin:   r.pinOfForm(r.Cell(at.Name("pin"), "stepPin", i)),
		Level: r.Quantity(field("level"), quantity.Volt), Limit: r.Quantity(field("limit"), quantity.Ampere),
		Ramp: r.Quantity(field("ramp"), quantity.Second), Delay: r.Quantity(field("delay"), quantity.Second),
	}
}

// pinOfForm reads the number of a pin, or its name where only one row of the
// form has it; nothing is 0.
func (r *Reader) pinOfForm(f Field) int {
	if !f.Given() {
		return 0
	}
	if n, err := strconv.Atoi(f.Text); err == nil && n >= 0 && n <= mostWhole {
		return n
	}
	found := 0
	for i := range r.Values["pinName"] {
		if !strings.EqualFold(cell(r.Values, "pinName", i), f.Text) {
			continue
		}
		n, err := strconv.Atoi(cell(r.Values, "number", i))
		if err != nil {
			continue
		}
		if found != 0 {
			r.Fail(f, "several pins are called %q: enter the number", dut.Excerpt(f.Text))
			return 0
		}
		found = n
	}
	if found == 0 {
		r.Fail(f, "there is no pin called %q: enter a pin's number or name", dut.Excerpt(f.Text))
	}
	return found
}

// CheckDevice reads a device from its form, which is tidied, and reports
// everything that is wrong with it.
func CheckDevice(v url.Values) (dut.Device, dut.Problems) {
	d, ps := ReadDevice(v)
	if len(ps) == 0 { // a field that could not be read would be named twice
		if err := d.Validate(); err != nil {
			ps, _ = err.(dut.Problems)
		}
	}
	return d, ps
}

// maxKey bounds a key made from a name, in bytes: room is left for a number.
const maxKey = 56

// KeyFor makes a key from a name: what is left of it in lower-case letters,
// digits and hyphens.
func KeyFor(name string) string {
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
	return strings.Trim(key[:min(len(key), maxKey)], "-")
}

// Device merges two edits of a device.
func (e Edits) Device() {
	e.Fields("name", "description", "model", "family", "pins", "columns", "thermalPad")
	e.Rows(PinColumns)
	e.Table(StepColumns)
}
