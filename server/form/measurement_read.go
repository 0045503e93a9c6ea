package form

import (
	"maps"
	"net/url"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// CheckMeasurement makes a measurement of the form, on top of what base has that
// the form does not: a time that is left empty is base's. The problems are those of reading and those that the kind
// finds, a field that could not be read having only the first.
func CheckMeasurement(f url.Values, base procedure.Measurement, k procedure.Kind, d *dut.Device) (procedure.Measurement, dut.Problems) {
	r := NewReader(f)
	m := base
	m.Name = r.Line("name")
	m.Note = r.Lines("note")
	m.Group = r.Line("group")
	m.Disabled = r.Checked("disabled")
	m.StopOnFail = r.Checked("stopOnFail")
	m.Retest = r.Integer(r.document("retest"))
	for _, field := range k.Fields() { // what is forced decides the units of the rest
		if field.Type == procedure.FieldChoice {
			procedure.Set(field, &m, f.Get(field.Name))
		}
	}
	for _, field := range k.Fields() {
		r.measured(&m, k, field, d)
	}
	seen := map[string]bool{}
	for _, p := range r.Problems {
		seen[p.Field] = true
	}
	for _, p := range k.Validate(&m, d) {
		if p.Field = MeasurementField(p.Field); !seen[p.Field] {
			r.Problems = append(r.Problems, p)
		}
	}
	return m, r.Problems
}

// MeasurementField is the field of the form that a path of the document is entered in.
func MeasurementField(path string) string {
	if strings.HasPrefix(path, "pins[") {
		return "pins"
	}
	return path
}

// measured reads one field of a kind into a measurement.
func (r *Reader) measured(m *procedure.Measurement, k procedure.Kind, f procedure.Field, d *dut.Device) {
	switch f.Type {
	case procedure.FieldPins:
		procedure.Set(f, m, r.Pins(r.document(f.Name), d))
	case procedure.FieldPin:
		procedure.Set(f, m, r.KnownPin(r.document(f.Name), d))
	case procedure.FieldQuantity:
		procedure.Set(f, m, r.Quantity(r.document(f.Name), f.UnitFor(m.Use)))
	case procedure.FieldCount:
		procedure.Set(f, m, r.Integer(r.document(f.Name)))
	case procedure.FieldFlag:
		procedure.Set(f, m, r.Checked(f.Name))
	case procedure.FieldSweep:
		s := r.sweep(f.Name+".", f.UnitFor(m.Use))
		procedure.Set(f, m, &s)
	case procedure.FieldStep:
		m.Step = r.steppedPin(d)
	case procedure.FieldHold:
		m.Hold = r.holds(d)
	case procedure.FieldSettle:
		before := m.Settle.Time
		if m.Settle = r.settle(); TimesLeftOut(r.Values).Settle {
			m.Settle.Time = before
		}
	case procedure.FieldAperture:
		if !TimesLeftOut(r.Values).Aperture {
			m.Aperture = r.aperture()
		}
	case procedure.FieldLimits:
		m.Limits = r.limits(m, k)
	}
}

// document is the field that is named by a path of the document.
func (r *Reader) document(name string) Field {
	at, _ := dut.ParsePath(name) // TestFieldNamesArePaths: every name is a path
	return r.Named(at, name)
}

// sweep reads the fields of a sweep, whose names begin with at.
func (r *Reader) sweep(at string, unit quantity.Unit) procedure.Sweep {
	s := procedure.Sweep{Spacing: procedure.Spacing(r.Values.Get(at + "spacing")), Back: r.Checked(at + "back")}
	if s.Spacing == procedure.List {
		s.List = r.levels(at+"list", unit)
		return s
	}
	s.From, s.To = r.NeedQuantity(r.document(at+"from"), unit), r.NeedQuantity(r.document(at+"to"), unit)
	s.Points = r.Integer(r.document(at + "points"))
	return s
}

// levelMarks part the levels of a list. A comma may be a decimal mark and parts
// them only where a space follows.
var levelMarks = strings.NewReplacer("\r", "\n", ";", "\n", ", ", "\n", "\t", "\n")

// levels reads a list of levels, one a line or parted by semicolons; nil where
// one cannot be read.
func (r *Reader) levels(name string, unit quantity.Unit) []float64 {
	var out []float64
	f := r.document(name)
	for _, part := range parts(Field{f.At, levelMarks.Replace(r.Values.Get(name))}, "\n") {
		if !part.Given() {
			continue
		}
		v, err := quantity.Parse(part.Text, unit)
		if err != nil {
			r.Fail(f, "level %d: %s", len(out)+1, err.Error())
			return nil
		}
		out = append(out, v)
	}
	return out
}

// steppedPin reads the second terminal of a family of curves; nil where there is none.
func (r *Reader) steppedPin(d *dut.Device) *procedure.Step {
	pin := r.document("step.pin")
	if !pin.Given() {
		return nil
	}
	s := &procedure.Step{Pin: r.KnownPin(pin, d), Use: procedure.Use(r.Values.Get("step.use"))}
	s.Compliance = r.Quantity(r.document("step.compliance"), s.Use.SensedUnit())
	s.Sweep = r.sweep("step.sweep.", s.Use.ForcedUnit())
	return s
}

// MaxHolds bounds the rows of the form: no device has more pins.
const MaxHolds = dut.MaxPins

// holds reads the rows of conditions, which are moved together.
func (r *Reader) holds(d *dut.Device) []procedure.Hold {
	compactHolds(r.Values)
	var out []procedure.Hold
	for i := range MaxHolds {
		at := holdName(i)
		if r.Values.Get(at+"pin") == "" {
			break
		}
		h := procedure.Hold{Pin: r.KnownPin(r.document(at+"pin"), d), Use: procedure.Use(r.Values.Get(at + "use"))}
		if h.Use.TakesChannel() {
			h.Level = r.NeedQuantity(r.document(at+"level"), h.Use.ForcedUnit())
			h.Compliance = r.Quantity(r.document(at+"compliance"), h.Use.SensedUnit())
			h.Kelvin = r.Checked(at + "kelvin")
		}
		out = append(out, h)
	}
	return out
}

// compactHolds moves the filled rows of the form together, so that row and
// condition have the same number.
func compactHolds(f url.Values) {
	next := 0
	for i := range MaxHolds {
		if strings.TrimSpace(f.Get(holdName(i)+"pin")) == "" {
			continue
		}
		for _, part := range holdParts {
			from, to := holdName(i)+part, holdName(next)+part
			if v, ok := f[from]; ok {
				f[to] = v
			} else {
				delete(f, to)
			}
		}
		next++
	}
	for i := next; i < MaxHolds; i++ {
		maps.DeleteFunc(f, func(name string, _ []string) bool { return strings.HasPrefix(name, holdName(i)) })
	}
}

var holdParts = []string{"pin", "use", "level", "compliance", "kelvin"}

// settle reads how long is waited before a reading.
func (r *Reader) settle() procedure.Settle {
	s := procedure.Settle{Time: r.Quantity(r.document("settle.time"), quantity.Second), UntilStable: r.Checked("settle.untilStable")}
	if s.UntilStable {
		s.Tolerance = r.NeedQuantity(r.document("settle.tolerance"), quantity.One)
		s.Within = r.NeedQuantity(r.document("settle.within"), quantity.Second)
	}
	return s
}

// aperture reads how long is averaged, in cycles of the mains or seconds.
func (r *Reader) aperture() procedure.Aperture {
	if r.Values.Get("aperture") == "seconds" {
		return procedure.Aperture{Seconds: r.NeedQuantity(r.document("aperture.seconds"), quantity.Second)}
	}
	return procedure.Aperture{Cycles: r.NeedQuantity(r.document("aperture.cycles"), quantity.One)}
}

// limits reads the limits of a kind's outputs; nil where there are none.
func (r *Reader) limits(m *procedure.Measurement, k procedure.Kind) map[string]procedure.Limit {
	out := map[string]procedure.Limit{}
	for _, o := range k.Outputs() {
		at, unit := "limits."+o.Key+".", m.OutputUnit(o)
		l := procedure.Limit{Low: r.limit(at+"low", unit), High: r.limit(at+"high", unit)}
		if l != (procedure.Limit{}) {
			out[o.Key] = l
		}
	}
	if len(out) == 0 {
		return nil
	}
	return out
}

// limit reads one side of a limit; nil where there is none.
func (r *Reader) limit(name string, unit quantity.Unit) *float64 {
	f := r.document(name)
	if !f.Given() {
		return nil
	}
	v := r.NeedQuantity(f, unit)
	return &v
}

// HoldRows is how many rows of conditions the form fills.
func HoldRows(f url.Values) int {
	n := 0
	for i := range MaxHolds {
		if strings.TrimSpace(f.Get(holdName(i)+"pin")) != "" {
			n = i + 1
		}
	}
	return n
}

// SweepUnit is the unit of the levels of a kind's sweep, V where it has none.
func SweepUnit(k procedure.Kind, f url.Values) quantity.Unit {
	for _, field := range k.Fields() {
		if field.Type == procedure.FieldSweep {
			return field.UnitFor(procedure.Use(f.Get("use")))
		}
	}
	return quantity.Volt
}

// TypedSweep is the sweep as it is typed, nil where it cannot be read.
func TypedSweep(f url.Values, at string, unit quantity.Unit) *procedure.Sweep {
	if !f.Has(at + "spacing") {
		return nil
	}
	r := NewReader(f)
	s := r.sweep(at, unit)
	if len(r.Problems) > 0 {
		return nil
	}
	return &s
}
