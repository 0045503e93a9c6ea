package form

import (
	"maps"
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// measurementReader reads the form of a measurement. Everything that cannot be
// understood is reported at once, beside its field.
type measurementReader struct {
	*Reader
	d *dut.Device
}

// CheckMeasurement makes a measurement of the form, on top of what base has that
// the form does not. The problems are those of reading and those that the kind
// finds, a field that could not be read having only the first.
func CheckMeasurement(f url.Values, base procedure.Measurement, k procedure.Kind, d *dut.Device) (procedure.Measurement, dut.Problems) {
	r := &measurementReader{NewReader(f), d}
	m := base
	m.Name = r.Line("name")
	m.Note = r.Lines("note")
	m.Group = r.Line("group")
	m.Disabled = r.Checked("disabled")
	m.StopOnFail = r.Checked("stopOnFail")
	m.Retest = r.count("retest")
	for _, field := range k.Fields() { // what is forced decides the units of the rest
		if field.Type == procedure.FieldChoice {
			procedure.Set(field, &m, f.Get(field.Name))
		}
	}
	for _, field := range k.Fields() {
		r.field(&m, k, field)
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

func (r *measurementReader) field(m *procedure.Measurement, k procedure.Kind, f procedure.Field) {
	switch f.Type {
	case procedure.FieldPins:
		pins, err := ParsePins(r.Values.Get(f.Name), r.d)
		if err != nil {
			r.Problems.Add(f.Name, "%s", err.Error())
		}
		procedure.Set(f, m, pins)
	case procedure.FieldPin:
		procedure.Set(f, m, r.pin(f.Name))
	case procedure.FieldQuantity:
		procedure.Set(f, m, r.optional(f.Name, f.UnitFor(m.Use)))
	case procedure.FieldCount:
		procedure.Set(f, m, r.count(f.Name))
	case procedure.FieldFlag:
		procedure.Set(f, m, r.Checked(f.Name))
	case procedure.FieldSweep:
		s := r.sweep(f.Name+".", f.UnitFor(m.Use))
		procedure.Set(f, m, &s)
	case procedure.FieldStep:
		m.Step = r.step()
	case procedure.FieldHold:
		m.Hold = r.holds()
	case procedure.FieldSettle:
		m.Settle = r.settle()
	case procedure.FieldAperture:
		m.Aperture = r.aperture()
	case procedure.FieldLimits:
		m.Limits = r.limits(m, k)
	}
}

// named is the field of a name that is a path of the document.
func (r *measurementReader) named(name string) Field {
	at, _ := dut.ParsePath(name) // names are written here and in the tables of kinds
	return r.Named(at, name)
}

// needed reads a quantity that must be given, optional one that may be left out
// and is then 0.
func (r *measurementReader) needed(name string, unit quantity.Unit) float64 {
	return r.NeedQuantity(r.named(name), unit)
}

func (r *measurementReader) optional(name string, unit quantity.Unit) float64 {
	return r.Quantity(r.named(name), unit)
}

func (r *measurementReader) count(name string) int {
	text := strings.TrimSpace(r.Values.Get(name))
	if text == "" {
		return 0
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		r.Problems.Add(name, "%q is no whole number", dut.Excerpt(text))
	}
	return n
}

func (r *measurementReader) pin(name string) int {
	text := strings.TrimSpace(r.Values.Get(name))
	if text == "" {
		return 0
	}
	n, err := pinNumber(text, r.d)
	if err != nil {
		r.Problems.Add(name, "%s", err.Error())
	}
	return n
}

func (r *measurementReader) sweep(at string, unit quantity.Unit) procedure.Sweep {
	s := procedure.Sweep{Spacing: procedure.Spacing(r.Values.Get(at + "spacing")), Back: r.Checked(at + "back")}
	if s.Spacing == procedure.List {
		var err error
		if s.List, err = parseLevels(r.Values.Get(at+"list"), unit); err != nil {
			r.Problems.Add(at+"list", "%s", err.Error())
		}
		return s
	}
	s.From, s.To = r.needed(at+"from", unit), r.needed(at+"to", unit)
	s.Points = r.count(at + "points")
	return s
}

// parseLevels reads a list of levels, one a line or parted by semicolons. A comma
// may be a decimal mark and parts them only where a space follows.
func parseLevels(text string, unit quantity.Unit) ([]float64, error) {
	text = strings.NewReplacer("\r", "\n", ";", "\n", ", ", "\n", "\t", "\n").Replace(text)
	var out []float64
	for _, line := range strings.Split(text, "\n") {
		if strings.TrimSpace(line) == "" {
			continue
		}
		v, err := quantity.Parse(line, unit)
		if err != nil {
			return nil, &levelError{len(out) + 1, err}
		}
		out = append(out, v)
	}
	return out, nil
}

type levelError struct {
	at  int
	err error
}

func (e *levelError) Error() string { return "level " + strconv.Itoa(e.at) + ": " + e.err.Error() }

func (r *measurementReader) step() *procedure.Step {
	pin := r.pin("step.pin")
	if strings.TrimSpace(r.Values.Get("step.pin")) == "" {
		return nil
	}
	s := &procedure.Step{Pin: pin, Use: procedure.Use(r.Values.Get("step.use"))}
	s.Compliance = r.optional("step.compliance", s.Use.SensedUnit())
	s.Sweep = r.sweep("step.sweep.", s.Use.ForcedUnit())
	return s
}

// MaxHolds bounds the rows of the form: no device has more pins.
const MaxHolds = dut.MaxPins

func (r *measurementReader) holds() []procedure.Hold {
	compactHolds(r.Values)
	var out []procedure.Hold
	for i := range MaxHolds {
		at := holdName(i)
		if r.Values.Get(at+"pin") == "" {
			break
		}
		h := procedure.Hold{Pin: r.pin(at + "pin"), Use: procedure.Use(r.Values.Get(at + "use"))}
		if h.Use.TakesChannel() {
			h.Level = r.needed(at+"level", h.Use.ForcedUnit())
			h.Compliance = r.optional(at+"compliance", h.Use.SensedUnit())
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

func (r *measurementReader) settle() procedure.Settle {
	s := procedure.Settle{Time: r.optional("settle.time", quantity.Second), UntilStable: r.Checked("settle.untilStable")}
	if s.UntilStable {
		s.Tolerance = r.needed("settle.tolerance", quantity.One)
		s.Within = r.needed("settle.within", quantity.Second)
	}
	return s
}

func (r *measurementReader) aperture() procedure.Aperture {
	if r.Values.Get("aperture") == "seconds" {
		return procedure.Aperture{Seconds: r.needed("aperture.seconds", quantity.Second)}
	}
	return procedure.Aperture{Cycles: r.needed("aperture.cycles", quantity.One)}
}

func (r *measurementReader) limits(m *procedure.Measurement, k procedure.Kind) map[string]procedure.Limit {
	out := map[string]procedure.Limit{}
	for _, o := range k.Outputs() {
		at, unit := "limits."+o.Key+".", m.OutputUnit(o)
		var l procedure.Limit
		for name, side := range map[string]**float64{at + "low": &l.Low, at + "high": &l.High} {
			if strings.TrimSpace(r.Values.Get(name)) != "" {
				v := r.needed(name, unit)
				*side = &v
			}
		}
		if l != (procedure.Limit{}) {
			out[o.Key] = l
		}
	}
	if len(out) == 0 {
		return nil
	}
	return out
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
	r := &measurementReader{Reader: NewReader(f)}
	s := r.sweep(at, unit)
	if len(r.Problems) > 0 {
		return nil
	}
	return &s
}
