package form

import (
	"fmt"
	"net/url"
	"strings"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// A measurement's form has a field for each path of the measurement's JSON that
// its kind uses, named by that path: what Validate says of "sweep.to" stands
// beside the field "sweep.to" without a table in between.

// MeasurementValues is the form of a measurement as it stands.
func MeasurementValues(m *procedure.Measurement, k procedure.Kind) url.Values {
	v := url.Values{}
	set := func(name, text string) { v.Set(name, text) }
	flag := func(name string, on bool) {
		if on {
			v.Set(name, "1")
		}
	}
	set("name", m.Name)
	set("note", m.Note)
	set("group", m.Group)
	set("retest", Number(m.Retest))
	flag("stopOnFail", m.StopOnFail)
	flag("disabled", m.Disabled)
	for _, f := range k.Fields() {
		switch f.Type {
		case procedure.FieldPins:
			set(f.Name, PinsText(procedure.Get[[]int](f, m)))
		case procedure.FieldQuantity:
			set(f.Name, quantity.ExactOrEmpty(procedure.Get[float64](f, m), f.UnitFor(m.Use)))
		case procedure.FieldPin, procedure.FieldCount:
			set(f.Name, Number(procedure.Get[int](f, m)))
		case procedure.FieldChoice:
			set(f.Name, procedure.Get[string](f, m))
		case procedure.FieldFlag:
			flag(f.Name, procedure.Get[bool](f, m))
		case procedure.FieldSweep:
			if s := procedure.Get[*procedure.Sweep](f, m); s != nil {
				sweepValues(v, f.Name+".", s, f.UnitFor(m.Use))
			}
		case procedure.FieldStep:
			stepValues(v, m.Step)
		case procedure.FieldHold:
			holdValues(v, m.Hold)
		case procedure.FieldSettle:
			settleValues(v, m.Settle)
		case procedure.FieldAperture:
			apertureValues(v, m.Aperture)
		case procedure.FieldLimits:
			limitValues(v, m, k)
		}
	}
	return v
}

func sweepValues(v url.Values, at string, s *procedure.Sweep, unit quantity.Unit) {
	v.Set(at+"spacing", string(s.Spacing))
	if s.Spacing == procedure.List {
		list := make([]string, len(s.List))
		for i, x := range s.List {
			list[i] = quantity.Exact(x, unit)
		}
		v.Set(at+"list", strings.Join(list, "; "))
	} else {
		v.Set(at+"from", quantity.Exact(s.From, unit))
		v.Set(at+"to", quantity.Exact(s.To, unit))
		v.Set(at+"points", Number(s.Points))
	}
	if s.Back {
		v.Set(at+"back", "1")
	}
}

func stepValues(v url.Values, s *procedure.Step) {
	if s == nil {
		v.Set("step.pin", "")
		return
	}
	v.Set("step.pin", Number(s.Pin))
	v.Set("step.use", string(s.Use))
	v.Set("step.compliance", quantity.ExactOrEmpty(s.Compliance, s.Use.SensedUnit()))
	sweepValues(v, "step.sweep.", &s.Sweep, s.Use.ForcedUnit())
}

func holdValues(v url.Values, hold []procedure.Hold) {
	for i, h := range hold {
		at := holdName(i)
		v.Set(at+"pin", Number(h.Pin))
		v.Set(at+"use", string(h.Use))
		if h.Use.TakesChannel() || h.Level != 0 || h.Compliance != 0 {
			v.Set(at+"level", quantity.Exact(h.Level, h.Use.ForcedUnit()))
			v.Set(at+"compliance", quantity.ExactOrEmpty(h.Compliance, h.Use.SensedUnit()))
		}
		if h.Kelvin {
			v.Set(at+"kelvin", "1")
		}
	}
}

func holdName(i int) string { return fmt.Sprintf("hold[%d].", i) }

func settleValues(v url.Values, s procedure.Settle) {
	v.Set("settle.time", quantity.Exact(s.Time, quantity.Second))
	if s.UntilStable {
		v.Set("settle.untilStable", "1")
	}
	v.Set("settle.tolerance", quantity.ExactOrEmpty(s.Tolerance, quantity.One))
	v.Set("settle.within", quantity.ExactOrEmpty(s.Within, quantity.Second))
}

// TimesLeftOut tells which times were left empty in the form of a measurement.
func TimesLeftOut(f url.Values) procedure.LeftOut {
	empty := func(name string) bool { return strings.TrimSpace(f.Get(name)) == "" }
	aperture := "aperture.cycles"
	if f.Get("aperture") == "seconds" {
		aperture = "aperture.seconds"
	}
	return procedure.LeftOut{Settle: empty("settle.time"), Aperture: empty(aperture)}
}

func apertureValues(v url.Values, a procedure.Aperture) {
	v.Set("aperture", "cycles")
	if a.Cycles == 0 && a.Seconds != 0 {
		v.Set("aperture", "seconds")
	}
	v.Set("aperture.cycles", quantity.ExactOrEmpty(a.Cycles, quantity.One))
	v.Set("aperture.seconds", quantity.ExactOrEmpty(a.Seconds, quantity.Second))
}

func limitValues(v url.Values, m *procedure.Measurement, k procedure.Kind) {
	for _, o := range k.Outputs() {
		l := m.Limits[o.Key]
		for _, side := range []struct {
			name string
			v    *float64
		}{{"low", l.Low}, {"high", l.High}} {
			text := ""
			if side.v != nil {
				text = quantity.Exact(*side.v, m.OutputUnit(o))
			}
			v.Set("limits."+o.Key+"."+side.name, text)
		}
	}
}
