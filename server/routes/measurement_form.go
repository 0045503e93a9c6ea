package routes

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// A measurement's form has a field for each path of the measurement's JSON that
// its kind uses, named by that path: what Validate says of "sweep.to" stands
// beside the field "sweep.to" without a table in between.

// measurementValues is the form of a measurement as it stands.
func measurementValues(m *procedure.Measurement, k procedure.Kind) url.Values {
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
	set("retest", numberText(m.Retest))
	flag("stopOnFail", m.StopOnFail)
	flag("disabled", m.Disabled)
	for _, f := range k.Fields() {
		switch f.Type {
		case procedure.FieldPins:
			set(f.Name, pinsText(procedure.Get[[]int](f, m)))
		case procedure.FieldQuantity:
			set(f.Name, orEmpty(procedure.Get[float64](f, m), f.UnitFor(m.Use)))
		case procedure.FieldPin, procedure.FieldCount:
			set(f.Name, numberText(procedure.Get[int](f, m)))
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
			list[i] = web.Exact(x, unit)
		}
		v.Set(at+"list", strings.Join(list, "; "))
	} else {
		v.Set(at+"from", web.Exact(s.From, unit))
		v.Set(at+"to", web.Exact(s.To, unit))
		v.Set(at+"points", numberText(s.Points))
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
	v.Set("step.pin", numberText(s.Pin))
	v.Set("step.use", string(s.Use))
	v.Set("step.compliance", orEmpty(s.Compliance, s.Use.SensedUnit()))
	sweepValues(v, "step.sweep.", &s.Sweep, s.Use.ForcedUnit())
}

func holdValues(v url.Values, hold []procedure.Hold) {
	for i, h := range hold {
		at := holdName(i)
		v.Set(at+"pin", numberText(h.Pin))
		v.Set(at+"use", string(h.Use))
		if h.Use.TakesChannel() || h.Level != 0 || h.Compliance != 0 {
			v.Set(at+"level", web.Exact(h.Level, h.Use.ForcedUnit()))
			v.Set(at+"compliance", orEmpty(h.Compliance, h.Use.SensedUnit()))
		}
		if h.Kelvin {
			v.Set(at+"kelvin", "1")
		}
	}
}

func holdName(i int) string { return fmt.Sprintf("hold[%d].", i) }

func settleValues(v url.Values, s procedure.Settle) {
	v.Set("settle.time", web.Exact(s.Time, quantity.Second))
	if s.UntilStable {
		v.Set("settle.untilStable", "1")
	}
	v.Set("settle.tolerance", orEmpty(s.Tolerance, quantity.One))
	v.Set("settle.within", orEmpty(s.Within, quantity.Second))
}

func apertureValues(v url.Values, a procedure.Aperture) {
	v.Set("aperture", "cycles")
	if a.Cycles == 0 && a.Seconds != 0 {
		v.Set("aperture", "seconds")
	}
	v.Set("aperture.cycles", orEmpty(a.Cycles, quantity.One))
	v.Set("aperture.seconds", orEmpty(a.Seconds, quantity.Second))
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
				text = web.Exact(*side.v, m.OutputUnit(o))
			}
			v.Set("limits."+o.Key+"."+side.name, text)
		}
	}
}

// orEmpty leaves the field of a quantity that is not given empty.
func orEmpty(v float64, unit quantity.Unit) string {
	if v == 0 {
		return ""
	}
	return web.Exact(v, unit)
}

func numberText(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// pinsText writes pins in their order, runs of three and more as "1-6".
func pinsText(pins []int) string {
	var out []string
	for i := 0; i < len(pins); {
		j := i
		for j+1 < len(pins) && pins[j+1] == pins[j]+1 {
			j++
		}
		if j < i+2 {
			j = i
			out = append(out, strconv.Itoa(pins[i]))
		} else {
			out = append(out, strconv.Itoa(pins[i])+"-"+strconv.Itoa(pins[j]))
		}
		i = j + 1
	}
	return strings.Join(out, ", ")
}

// parsePins reads pins as "1-6, 8, VCC": numbers, runs of numbers, and names
// that only one pin has.
func parsePins(text string, d *dut.Device) ([]int, error) {
	var out []int
	if len(text) > maxPinsText {
		return nil, fmt.Errorf("is longer than %d characters", maxPinsText)
	}
	for _, part := range strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' || r == '\n' }) {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		run, err := parsePinPart(part, d)
		if err != nil {
			return nil, err
		}
		out = append(out, run...)
		if len(out) > dut.MaxPins {
			return nil, fmt.Errorf("name at most %d pins", dut.MaxPins)
		}
	}
	return out, nil
}

// maxPinsText bounds the field of pins, in bytes.
const maxPinsText = 1000

func parsePinPart(part string, d *dut.Device) ([]int, error) {
	if n, err := pinNumber(part, d); err == nil {
		return []int{n}, nil
	} else if _, number := strconv.Atoi(part); number == nil {
		return nil, err
	}
	for _, dash := range []string{"-", "–", "…", ".."} {
		from, to, ok := strings.Cut(part, dash)
		if !ok {
			continue
		}
		a, err := pinNumber(strings.TrimSpace(from), d)
		if err != nil {
			continue
		}
		b, err := pinNumber(strings.TrimSpace(to), d)
		if err != nil {
			return nil, err
		}
		return pinRun(a, b), nil
	}
	if words := strings.Fields(part); len(words) > 1 { // "1 2 5"
		var out []int
		for _, w := range words {
			n, err := pinNumber(w, d)
			if err != nil {
				return nil, err
			}
			out = append(out, n)
		}
		return out, nil
	}
	_, err := pinNumber(part, d)
	return nil, err
}

func pinRun(a, b int) []int {
	var out []int
	step := 1
	if b < a {
		step = -1
	}
	for n := a; n != b+step; n += step {
		out = append(out, n)
	}
	return out
}

// pinNumber finds a pin by its number, or by a name that only it has.
func pinNumber(text string, d *dut.Device) (int, error) {
	if n, err := strconv.Atoi(text); err == nil {
		if _, ok := d.Pin(n); !ok {
			return 0, fmt.Errorf("pin %d is not on the device, which has %d pins", n, len(d.Pins))
		}
		return n, nil
	}
	var found []int
	for _, p := range d.Pins {
		if strings.EqualFold(p.Name, text) {
			found = append(found, p.Number)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return 0, fmt.Errorf("%q is no pin of the device: write pins as 1-6, 8", dut.Excerpt(text))
	}
	slices.Sort(found)
	return 0, fmt.Errorf("%q is the name of pins %s: write their numbers", dut.Excerpt(text), pinsText(found))
}
