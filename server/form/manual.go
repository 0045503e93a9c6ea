package form

import (
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// What the page of manual work does not ask for.
const (
	watchFor   = 600.0 // s, "force and read" unless stopped
	ohmRepeats = 20    // readings of the ohmmeter
	watchEvery = 0.1   // s, between readings on a page that a person looks at
	mostPoints = 10000 // of a curve
)

// CheckManual reads the one measurement that the form of manual work asks for,
// and reports everything that is wrong with it, by the fields of the form.
func CheckManual(v url.Values, d *dut.Device) (procedure.Measurement, dut.Problems) {
	r := NewReader(v)
	m := r.manual(d)
	if len(r.Problems) > 0 {
		return m, r.Problems
	}
	k, ok := procedure.KindByKey(m.Kind)
	if !ok {
		r.Problems.Add("do", "choose what to do")
		return m, r.Problems
	}
	return m, manualProblems(k.Validate(&m, d), m.Kind)
}

// ManualTimesLeftOut tells which times were left empty in the form of manual work.
func ManualTimesLeftOut(f url.Values) procedure.LeftOut {
	return procedure.LeftOut{Settle: strings.TrimSpace(f.Get("settle")) == ""}
}

// manual reads the measurement as far as it can be.
func (r *Reader) manual(d *dut.Device) procedure.Measurement {
	field := func(name string) Field { return r.Field(dut.At(name)) }
	m := procedure.Measurement{ID: "manual", Powered: r.Checked("powered")}
	m.Pins = []int{r.Pin(field("pin"), d)}
	m.Use = procedure.Use(r.Values.Get("use"))
	against := r.PinOrReturn(field("against"), d)
	switch r.Values.Get("do") {
	case "read":
		m.Kind, m.Name = "watch", "Force and read"
		m.Level = r.NeedQuantity(field("level"), m.Use.ForcedUnit())
		m.Duration, m.Interval = watchFor, watchEvery
	case "ohm":
		m.Kind, m.Name, m.Use = "resistance", "Resistance", procedure.UseCurrent
		m.Method, m.Against = procedure.Method(r.Values.Get("method")), against
		m.Level, m.Repeats = r.NeedQuantity(field("current"), quantity.Ampere), ohmRepeats
	case "curve":
		m.Kind, m.Name, m.Against = "sweep", "I–V curve", against
		m.Sweep = &procedure.Sweep{
			Spacing: procedure.Spacing(r.Values.Get("spacing")), From: r.NeedQuantity(field("from"), m.Use.ForcedUnit()),
			To: r.NeedQuantity(field("to"), m.Use.ForcedUnit()), Points: r.Count(field("points"), mostPoints), Back: r.Checked("back"),
		}
	default:
		r.Fail(field("do"), "choose what to do")
	}
	m.Compliance = r.NeedQuantity(field("compliance"), m.Use.SensedUnit())
	r.manualHolds(&m, d)
	if m.Kind == "watch" && against != 0 {
		m.Hold = append(m.Hold, procedure.Hold{Pin: against, Use: procedure.UseReturn})
	}
	m.Settle.Time = r.Quantity(field("settle"), quantity.Second)
	m.Aperture.Cycles = r.NeedQuantity(field("cycles"), quantity.One)
	return m
}

// manualHolds reads the rows of other pins. The fields of row i are named with
// i+1, as the page counts them; all pins share one message.
func (r *Reader) manualHolds(m *procedure.Measurement, d *dut.Device) {
	for i := range r.Values["hold-pin"] {
		cellOf := func(name string) Field { return r.Cell(dut.At(name+"-"+strconv.Itoa(i+1)), name, i) }
		pin := r.Cell(dut.At("hold-pin"), "hold-pin", i)
		if !pin.Given() {
			continue
		}
		n, err := strconv.Atoi(pin.Text)
		if _, ok := d.Pin(n); err != nil || !ok {
			r.Fail(pin, "row %d: pick a pin of the device", i+1)
			continue
		}
		h := procedure.Hold{Pin: n, Use: procedure.Use(cellOf("hold-use").Text)}
		if h.Use.TakesChannel() {
			h.Level = r.NeedQuantity(cellOf("hold-level"), h.Use.ForcedUnit())
			h.Compliance = r.NeedQuantity(cellOf("hold-compliance"), h.Use.SensedUnit())
		}
		m.Hold = append(m.Hold, h)
	}
}

// manualFields are the fields of the form that the parts of a measurement are
// entered in, by their paths.
var manualFields = map[dut.Path]string{
	dut.At("pins"): "pin", dut.At("pins").Index(0): "pin",
	dut.At("sweep").Name("from"): "from", dut.At("sweep").Name("to"): "to", dut.At("sweep").Name("points"): "points", dut.At("sweep").Name("spacing"): "spacing",
	dut.At("settle").Name("time"): "settle", dut.At("aperture"): "cycles", dut.At("aperture").Name("cycles"): "cycles",
}

// manualProblems leads what is wrong with the measurement to the fields of the
// form.
func manualProblems(ps dut.Problems, kind string) dut.Problems {
	var out dut.Problems
	for _, p := range ps {
		path, err := dut.ParsePath(p.Field)
		field, named := manualFields[path]
		switch {
		case err != nil:
		case named:
			p.Field = field
		case path == dut.At("level") && kind == "resistance":
			p.Field = "current"
		case path != dut.Path{} && path.Parts()[0].Name == "hold":
			p.Field = "hold-pin"
		}
		out = append(out, p)
	}
	return out
}
