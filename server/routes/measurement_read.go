package routes

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
	f  url.Values
	d  *dut.Device
	ps dut.Problems
}

// readMeasurement makes a measurement of the form, on top of what base has that
// the form does not. The problems are those of reading and those that the kind
// finds, a field that could not be read having only the first.
func readMeasurement(f url.Values, base procedure.Measurement, k procedure.Kind, d *dut.Device) (procedure.Measurement, dut.Problems) {
	r := &measurementReader{f: f, d: d}
	m := base
	m.Name = strings.TrimSpace(f.Get("name"))
	m.Note = plainLines(f.Get("note"))
	m.Group = strings.TrimSpace(f.Get("group"))
	m.Disabled = f.Get("disabled") == "1"
	m.StopOnFail = f.Get("stopOnFail") == "1"
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
	for _, p := range r.ps {
		seen[p.Field] = true
	}
	for _, p := range k.Validate(&m, d) {
		if p.Field = formField(p.Field); !seen[p.Field] {
			r.ps = append(r.ps, p)
		}
	}
	return m, r.ps
}

// formField is the field of the form that a path of the document is entered in.
func formField(path string) string {
	if strings.HasPrefix(path, "pins[") {
		return "pins"
	}
	return path
}

func plainLines(s string) string { return strings.ReplaceAll(s, "\r\n", "\n") }

func (r *measurementReader) field(m *procedure.Measurement, k procedure.Kind, f procedure.Field) {
	switch f.Type {
	case procedure.FieldPins:
		pins, err := parsePins(r.f.Get(f.Name), r.d)
		if err != nil {
			r.ps.Add(f.Name, "%s", err.Error())
		}
		procedure.Set(f, m, pins)
	case procedure.FieldPin:
		procedure.Set(f, m, r.pin(f.Name))
	case procedure.FieldQuantity:
		procedure.Set(f, m, r.optional(f.Name, f.UnitFor(m.Use)))
	case procedure.FieldCount:
		procedure.Set(f, m, r.count(f.Name))
	case procedure.FieldFlag:
		procedure.Set(f, m, r.f.Get(f.Name) == "1")
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

// needed reads a quantity that must be given, optional one that may be left out
// and is then 0.
func (r *measurementReader) needed(name string, unit quantity.Unit) float64 {
	v, err := quantity.Parse(r.f.Get(name), unit)
	if err != nil {
		r.ps.Add(name, "%s", err.Error())
	}
	return v
}

func (r *measurementReader) optional(name string, unit quantity.Unit) float64 {
	if strings.TrimSpace(r.f.Get(name)) == "" {
		return 0
	}
	return r.needed(name, unit)
}

func (r *measurementReader) count(name string) int {
	text := strings.TrimSpace(r.f.Get(name))
	if text == "" {
		return 0
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		r.ps.Add(name, "%q is no whole number", dut.Excerpt(text))
	}
	return n
}

func (r *measurementReader) pin(name string) int {
	text := strings.TrimSpace(r.f.Get(name))
	if text == "" {
		return 0
	}
	n, err := pinNumber(text, r.d)
	if err != nil {
		r.ps.Add(name, "%s", err.Error())
	}
	return n
}

func (r *measurementReader) sweep(at string, unit quantity.Unit) procedure.Sweep {
	s := procedure.Sweep{Spacing: procedure.Spacing(r.f.Get(at + "spacing")), Back: r.f.Get(at+"back") == "1"}
	if s.Spacing == procedure.List {
		var err error
		if s.List, err = parseLevels(r.f.Get(at+"list"), unit); err != nil {
			r.ps.Add(at+"list", "%s", err.Error())
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
	if strings.TrimSpace(r.f.Get("step.pin")) == "" {
		return nil
	}
	s := &procedure.Step{Pin: pin, Use: procedure.Use(r.f.Get("step.use"))}
	s.Compliance = r.optional("step.compliance", s.Use.SensedUnit())
	s.Sweep = r.sweep("step.sweep.", s.Use.ForcedUnit())
	return s
}

// maxHolds bounds the rows of the form: no device has more pins.
const maxHolds = dut.MaxPins

func (r *measurementReader) holds() []procedure.Hold {
	compactHolds(r.f)
	var out []procedure.Hold
	for i := range maxHolds {
		at := holdName(i)
		if r.f.Get(at+"pin") == "" {
			break
		}
		h := procedure.Hold{Pin: r.pin(at + "pin"), Use: procedure.Use(r.f.Get(at + "use"))}
		if h.Use.TakesChannel() {
			h.Level = r.needed(at+"level", h.Use.ForcedUnit())
			h.Compliance = r.optional(at+"compliance", h.Use.SensedUnit())
			h.Kelvin = r.f.Get(at+"kelvin") == "1"
		}
		out = append(out, h)
	}
	return out
}

// compactHolds moves the filled rows of the form together, so that row and
// condition have the same number.
func compactHolds(f url.Values) {
	next := 0
	for i := range maxHolds {
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
	for i := next; i < maxHolds; i++ {
		maps.DeleteFunc(f, func(name string, _ []string) bool { return strings.HasPrefix(name, holdName(i)) })
	}
}

var holdParts = []string{"pin", "use", "level", "compliance", "kelvin"}

func (r *measurementReader) settle() procedure.Settle {
	s := procedure.Settle{Time: r.optional("settle.time", quantity.Second), UntilStable: r.f.Get("settle.untilStable") == "1"}
	if s.UntilStable {
		s.Tolerance = r.needed("settle.tolerance", quantity.One)
		s.Within = r.needed("settle.within", quantity.Second)
	}
	return s
}

func (r *measurementReader) aperture() procedure.Aperture {
	if r.f.Get("aperture") == "seconds" {
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
			if strings.TrimSpace(r.f.Get(name)) != "" {
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
