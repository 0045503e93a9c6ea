package form

import (
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// ContactColumns and StrapColumns are the grids of the pin map's editor.
var (
	ContactColumns = Columns{"pin", "contact"}
	StrapColumns   = Columns{"strapAt", "strapKind", "strapTo", "strapOhms"}
)

// PinMapValues writes a pin map of a device on a bench as a form.
func PinMapValues(pm *bench.PinMap, d *dut.Device, def *bench.Definition) url.Values {
	v := url.Values{}
	for _, p := range d.SortPins().Pins {
		ContactColumns.Add(v, strconv.Itoa(p.Number), Number(pm.Contacts[p.Number]))
	}
	for _, t := range pm.Straps {
		to := ""
		switch t.Kind {
		case bench.StrapChannel:
			to = LineText(def, t.Channel)
		case bench.StrapResistor:
			to = Number(t.To)
		}
		StrapColumns.Add(v, strconv.Itoa(t.Contact), string(t.Kind), to, quantity.ExactOrEmpty(t.Resistance, quantity.Ohm))
	}
	return v
}

// CheckPinMap reads the pin map of a device on a bench from its form and
// reports everything that is wrong with it. The form is tidied: it has the
// device's pins afterwards, which may have changed since the form was made.
func CheckPinMap(v url.Values, d *dut.Device, def *bench.Definition) (bench.PinMap, dut.Problems) {
	StrapColumns.Tidy(v)
	r := NewReader(v)
	pm := bench.PinMap{Device: d.Key, Bench: def.Key, Contacts: r.contacts(d)}
	for i := range StrapColumns.Rows(v) {
		pm.Straps = append(pm.Straps, r.strap(def, i))
	}
	var pins []int
	for _, p := range d.Pins {
		pins = append(pins, p.Number)
	}
	ps, _ := pm.Validate(def, pins).(dut.Problems)
	unread := r.Problems
	for _, p := range ps {
		if !reported(unread, p.Field) {
			r.Problems = append(r.Problems, p)
		}
	}
	return pm, r.Problems
}

// reported tells whether a field could not even be read. What a strap leads to
// is one field of the form and two of the document.
func reported(unread dut.Problems, field string) bool {
	for _, p := range unread {
		if p.Field == field {
			return true
		}
		if strap, to := strings.CutSuffix(p.Field, ".to"); to && field == strap+".channel" {
			return true
		}
	}
	return false
}

// contacts reads the contact of every pin of the device, and puts the device's
// pins into the form.
func (r *Reader) contacts(d *dut.Device) map[int]int {
	typed := map[int]string{}
	for i := range ContactColumns.Rows(r.Values) {
		if n, err := strconv.Atoi(cell(r.Values, "pin", i)); err == nil {
			typed[n] = cell(r.Values, "contact", i)
		}
	}
	ContactColumns.replace(r.Values, nil)
	out := map[int]int{}
	for _, p := range d.SortPins().Pins {
		f := Field{ContactPath(p.Number), typed[p.Number]}
		ContactColumns.Add(r.Values, strconv.Itoa(p.Number), f.Text)
		if !f.Given() {
			continue
		}
		if n, ok := r.TryWhole(f); ok {
			out[p.Number] = n
		}
	}
	return out
}

// ContactPath is the path of the contact of a pin, by its number.
func ContactPath(pin int) dut.Path { return dut.At("contacts").Index(max(pin, 0)) }

// ContactPin is the number of the pin whose contact a problem is about.
func ContactPin(p dut.Problem) (pin int, ok bool) {
	path, err := dut.ParsePath(p.Field)
	parts := path.Parts()
	if err != nil || len(parts) < 2 || parts[0].Name != "contacts" || parts[1].Name != "" {
		return 0, false
	}
	return parts[1].Index, true
}

// strap reads row i of the straps.
func (r *Reader) strap(def *bench.Definition, i int) bench.Strap {
	at := dut.At("straps").Index(i)
	field := func(name, column string) Field { return r.Cell(at.Name(name), column, i) }
	contact, kind := field("contact", "strapAt"), field("kind", "strapKind")
	to, ohms := field("to", "strapTo"), field("resistance", "strapOhms")
	t := bench.Strap{Contact: r.NeedWhole(contact), Kind: bench.StrapKind(kind.Text)}
	switch t.Kind {
	case bench.StrapChannel:
		id, ok := Line(def, to.Text)
		if !ok || id == 0 {
			r.Fail(to, "there is no channel %q on this bench", dut.Excerpt(to.Text))
		}
		t.Channel = id
	case bench.StrapResistor:
		if !strings.EqualFold(to.Text, returnWord) {
			t.To = r.Whole(to)
		}
		t.Resistance = r.Quantity(ohms, quantity.Ohm)
	case "":
		r.Fail(kind, "choose how contact %s is strapped", dut.Excerpt(contact.Text))
	}
	if ohms.Given() && (t.Kind == bench.StrapReturn || t.Kind == bench.StrapChannel) {
		r.Fail(ohms, "a strap to the return or to a channel is a wire: choose “through a resistor”, or leave this empty")
	}
	return t
}

// PinMap merges two edits of a pin map.
func (e Edits) PinMap() {
	e.Rows(ContactColumns)
	e.Table(StrapColumns)
}
