package web

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"github.com/a-h/templ"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// MeasurementProps is the form of one measurement of a procedure. The names of
// the form's fields are the paths of the measurement's JSON.
type MeasurementProps struct {
	Page      Page
	Procedure procedure.Procedure
	Device    dut.Device
	Rev       int    // what the save starts from
	ID        string // of the measurement; "" for a new one
	Number    int    // its place in the procedure, from 1; 0 for a new one
	Kind      procedure.Kind
	Groups    []string // headings that the procedure has
	Form      Form
	Pins      []int            // that are measured, as far as they could be read
	Sweep     *procedure.Sweep // as typed; nil where it cannot be read
	StepSweep *procedure.Sweep
	Reasons   []string // of the draft, that still hold
	Rows      int      // of conditions on other pins
	Conflict  *Conflict
	CanEdit   bool
	Action    string // where the form is posted to
}

// fieldSection is a part of the form with a heading in the margin.
type fieldSection struct {
	id      procedure.Section
	heading string
	fields  []procedure.Field
}

// sections groups the fields of the kind under their headings. A field that
// names none has its place under the last.
func (p MeasurementProps) sections() []fieldSection {
	out := []fieldSection{{id: procedure.SectionPins, heading: "Pins"}, {id: procedure.SectionForce, heading: "Force"},
		{id: procedure.SectionOthers, heading: "Other pins"}, {id: procedure.SectionTiming, heading: "Timing"},
		{id: procedure.SectionLimits, heading: "Limits"}, {id: procedure.SectionMore, heading: "More"}}
	for _, f := range p.Kind.Fields() {
		i := slices.IndexFunc(out, func(s fieldSection) bool { return s.id == f.Section })
		if i < 0 {
			i = len(out) - 1
		}
		out[i].fields = append(out[i].fields, f)
	}
	kept := out[:0]
	for _, s := range out {
		if len(s.fields) > 0 {
			kept = append(kept, s)
		}
	}
	return kept
}

// plainType reports whether a field is one entry and goes into a row of them.
func plainType(t procedure.FieldType) bool {
	switch t {
	case procedure.FieldPin, procedure.FieldQuantity, procedure.FieldCount, procedure.FieldChoice:
		return true
	}
	return false
}

// plain and composite part the fields of a section: single entries first.
func (s fieldSection) plain() (out []procedure.Field) {
	for _, f := range s.fields {
		if plainType(f.Type) {
			out = append(out, f)
		}
	}
	return out
}

func (s fieldSection) composite() (out []procedure.Field) {
	for _, f := range s.fields {
		if !plainType(f.Type) {
			out = append(out, f)
		}
	}
	return out
}

// use returns what the form says is forced, on which the units of other fields
// depend.
func (p MeasurementProps) use(name string) procedure.Use { return procedure.Use(p.Form.Get(name)) }

// unit returns the unit of a quantity of the form.
func (p MeasurementProps) unit(f procedure.Field) quantity.Unit { return f.UnitFor(p.use("use")) }

// follows returns attributes that make the unit of a field follow a choice in
// the page: other tells that the field is the quantity that is not forced.
func follows(choice string, other bool) templ.Attributes {
	v, a := quantity.Volt, quantity.Ampere
	if other {
		v, a = a, v
	}
	return templ.Attributes{"data-by": choice, "data-unit-voltage": string(v), "data-unit-current": string(a)}
}

func (p MeasurementProps) quantityAttrs(f procedure.Field) templ.Attributes {
	if f.Unit != "" || f.By == procedure.ByItself {
		return templ.Attributes{"placeholder": string(f.Unit)}
	}
	out := follows("use", f.By == procedure.BySensed)
	out["placeholder"] = string(p.unit(f))
	return out
}

func (p MeasurementProps) pinOptions(first string, ground bool) []Option {
	out := []Option{{Value: "", Label: first}}
	for _, pin := range byNumber(&p.Device) {
		if pin.Function == dut.Ground && !ground {
			continue
		}
		out = append(out, Option{Value: strconv.Itoa(pin.Number), Label: pin.Label()})
	}
	return out
}

// firstPin returns the text of a pin field where no pin is chosen.
func firstPin(f procedure.Field) string { return cmp.Or(f.None, "pick a pin") }

func (p MeasurementProps) choices(f procedure.Field) []Option {
	var out []Option
	if f.Usual || p.Form.Get(f.Name) == "" {
		out = append(out, Option{Value: "", Label: "as is usual"})
	}
	for _, c := range f.Choices {
		out = append(out, Option{Value: c, Label: c})
	}
	return out
}

func (p MeasurementProps) drawing() Drawing {
	pins := Marks(&p.Device)
	for i := range pins {
		pins[i].Href = "#pins"
		for _, n := range p.Pins {
			pins[i].Selected = pins[i].Selected || n == pins[i].Number
		}
	}
	return Drawing{ID: "measured-pins", Title: "Package of " + p.Device.Name + ": pick the pins to measure", Package: p.Device.Package, Pins: pins}
}

// outputUnit returns the unit of a result's limits, as the form stands.
func (p MeasurementProps) outputUnit(o procedure.Output) quantity.Unit {
	return o.UnitFor(p.use("use"))
}

// fewOutputs is the largest number of results whose limits are always shown.
const fewOutputs = 4

// limited returns the results whose limits the form shows: all where they are
// few, otherwise those that have one, and the first.
func (p MeasurementProps) limited() (out []procedure.Output) {
	all := p.Kind.Outputs()
	for i, o := range all {
		if len(all) <= fewOutputs || i == 0 || p.hasLimit(o) {
			out = append(out, o)
		}
	}
	return out
}

// unlimited returns the results whose limits the form does not show.
func (p MeasurementProps) unlimited() (out []procedure.Output) {
	all := p.Kind.Outputs()
	for i, o := range all {
		if len(all) > fewOutputs && i > 0 && !p.hasLimit(o) {
			out = append(out, o)
		}
	}
	return out
}

func (p MeasurementProps) hasLimit(o procedure.Output) bool {
	at := "limits." + o.Key
	return p.Form.Get(at+".low") != "" || p.Form.Get(at+".high") != "" || wrongIn(p.Form, at+".", at)
}

// limitAttrs returns attributes that make a limit's unit follow what is forced
// where it depends on it.
func (p MeasurementProps) limitAttrs(o procedure.Output, what string) templ.Attributes {
	out := templ.Attributes{"aria-label": o.Name + " " + what}
	if a, b := o.UnitFor(procedure.UseVoltage), o.UnitFor(procedure.UseCurrent); a != b {
		out["data-by"], out["data-unit-voltage"], out["data-unit-current"] = "use", string(a), string(b)
	}
	return out
}

func (p MeasurementProps) heading() string {
	if p.ID == "" {
		return "New: " + p.Kind.Title()
	}
	return orDash(p.Form.Get("name"))
}

// otherProblems returns the problems that stand beside no field of the form.
func (p MeasurementProps) otherProblems() []string {
	var out []string
	for name, text := range p.Form.Errors {
		if name == "id" || name == "kind" || name == "measurements" {
			out = append(out, name+": "+text)
		}
	}
	return out
}

func holdField(i int, part string) string { return fmt.Sprintf("hold[%d].%s", i, part) }

var (
	sweepSpacings = []Option{{"linear", "linear", ""}, {"log", "logarithmic", ""}, {"list", "a list of levels", ""}}
	stepUses      = []Option{{"voltage", "a voltage", ""}, {"current", "a current", ""}}
	conditionUses = []Option{{"voltage", "a voltage", ""}, {"current", "a current", ""}, {"return", "the return", ""}, {"open", "nothing", ""}}
	apertureUnits = []Option{{"cycles", "power-line cycles", ""}, {"seconds", "seconds", ""}}
)
