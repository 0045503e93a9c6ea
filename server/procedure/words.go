package procedure

import (
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// saidAt is the place of a field's phrase in a description. A field that does
// not say has its place between what is done to the pins and the timing.
type saidAt int

const (
	saidPins saidAt = iota - 8
	saidForce
	saidStep
	saidObserve
	saidPowered
	saidHold
	saidRest
	saidMethod
	saidOwn // 0
	saidTime
	saidReading
)

// wording is a measurement that is put into words.
type wording struct {
	m      *Measurement
	d      *dut.Device
	fields []Field
}

// Phrases says what a measurement does to which pins of the device, a phrase for
// each condition: "measure pin 2 1Y", "force 1 mA, compliance 2 V". It follows
// from the fields of the kind. The measurement needs not be valid.
func (m *Measurement) Phrases(d *dut.Device) []string {
	w := &wording{m, d, slices.Clone(fieldsFor(m))}
	slices.SortStableFunc(w.fields, func(a, b Field) int { return int(a.said - b.said) })
	var out []string
	for _, f := range w.fields {
		out = append(out, w.say(f)...)
	}
	return out
}

// say is what one field says.
func (w *wording) say(f Field) []string {
	switch {
	case f.phrase != nil:
		return f.phrase(w)
	case f.Words == "" || f.Empty(w.m):
		return nil
	case f.Type == FieldFlag:
		return []string{f.Words}
	}
	return []string{fmt.Sprintf(f.Words, w.value(f))}
}

// value is the value of a field that is one entry, as text.
func (w *wording) value(f Field) string {
	switch f.Type {
	case FieldQuantity:
		return quantity.Short(Get[float64](f, w.m), f.UnitFor(w.m.Use))
	case FieldPin:
		return pinName(w.d, Get[int](f, w.m))
	case FieldCount:
		return fmt.Sprint(Get[int](f, w.m))
	}
	return Get[string](f, w.m)
}

// unit is the unit of one of the kind's fields, false where it has no such field.
func (w *wording) unit(name string) (quantity.Unit, bool) {
	f, ok := fieldNamed(w.fields, name)
	return f.UnitFor(w.m.Use), ok
}

func sayPins(w *wording) []string {
	if len(w.m.Pins) == 0 {
		return nil
	}
	what := "measure " + PinWords(w.d, w.m.Pins)
	if _, has := fieldNamed(w.fields, "against"); has && w.m.Against != 0 {
		what += " against pin " + pinName(w.d, w.m.Against)
	}
	return []string{what}
}

// sayLevel says what is forced. A level that is left out comes from elsewhere,
// and there is nothing to say of it, unless a kind forces whatever it says.
func sayLevel(w *wording) []string {
	f, _ := fieldNamed(w.fields, "level")
	if w.m.Sweep != nil || !w.m.Use.TakesChannel() && (w.m.Level == 0 || f.Unit == "") {
		return nil
	}
	return []string{"force " + quantity.Short(w.m.Level, f.UnitFor(w.m.Use)) + w.atMost()}
}

func saySweep(w *wording) []string {
	if w.m.Sweep == nil {
		return nil
	}
	unit, _ := w.unit("sweep")
	return []string{"sweep " + quantityNoun(unit) + ", " + w.m.Sweep.words(unit) + w.atMost()}
}

// sayCompliance says a compliance that stands beside no level.
func sayCompliance(w *wording) []string {
	level, sweep := fieldPhrase(w, "level"), fieldPhrase(w, "sweep")
	if w.m.Compliance == 0 || len(level)+len(sweep) > 0 {
		return nil
	}
	return []string{strings.TrimPrefix(w.atMost(), ", ")}
}

// fieldPhrase is what a field of that name says, nothing where there is none.
func fieldPhrase(w *wording, name string) []string {
	if f, ok := fieldNamed(w.fields, name); ok {
		return w.say(f)
	}
	return nil
}

// atMost is the compliance behind a level.
func (w *wording) atMost() string {
	unit, has := w.unit("compliance")
	if !has {
		return ""
	}
	return complianceWords(w.m.Compliance, unit)
}

func complianceWords(v float64, unit quantity.Unit) string {
	if v == 0 {
		return ""
	}
	return ", compliance " + quantity.Short(v, unit)
}

func sayStep(w *wording) []string {
	s := w.m.Step
	if s == nil {
		return nil
	}
	return []string{fmt.Sprintf("a curve for each %s at pin %s: %s%s", s.Use.ForcedNoun(), pinName(w.d, s.Pin),
		s.Sweep.words(s.Use.ForcedUnit()), complianceWords(s.Compliance, s.Use.SensedUnit()))}
}

func sayHold(w *wording) []string {
	var out []string
	for _, h := range w.m.Hold {
		out = append(out, h.words(w.d))
	}
	return out
}

// words is what a pin is held at: "pin 1 1A at 2.5 V, compliance 1 mA".
func (h Hold) words(d *dut.Device) string {
	at := "pin " + pinName(d, h.Pin)
	switch {
	case h.Use == UseReturn:
		return at + " on the return"
	case !h.Use.TakesChannel():
		return at + " open"
	}
	s := at + " at " + quantity.Short(h.Level, h.Use.ForcedUnit()) + complianceWords(h.Compliance, h.Use.SensedUnit())
	if h.Kelvin {
		s += ", remote sense"
	}
	return s
}

// sayRest says what becomes of pins that nothing names.
func sayRest(pins string) func(w *wording) []string {
	return func(w *wording) []string {
		switch w.m.Rest {
		case UseReturn:
			return []string{pins + " on the return"}
		case UseOpen:
			return []string{pins + " open"}
		}
		return nil
	}
}

func sayDuration(w *wording) []string {
	if w.m.Duration <= 0 {
		return nil
	}
	s := "for " + quantity.Short(w.m.Duration, quantity.Second)
	if w.m.Interval > 0 {
		s += ", a reading every " + quantity.Short(w.m.Interval, quantity.Second)
	}
	return []string{s}
}

// saySettle says how the readings are taken: settle, aperture and repeats.
func saySettle(w *wording) []string {
	m := w.m
	s := "settle " + quantity.Short(m.Settle.Time, quantity.Second)
	if m.Settle.UntilStable {
		s += fmt.Sprintf(", then until stable to %s, at most %s more",
			quantity.Short(m.Settle.Tolerance*100, quantity.Percent), quantity.Short(m.Settle.Within, quantity.Second))
	}
	switch {
	case m.Aperture.Cycles == 1:
		s += "; read over 1 power-line cycle"
	case m.Aperture.Cycles > 0:
		s += fmt.Sprintf("; read over %g power-line cycles", m.Aperture.Cycles)
	default:
		s += "; read over " + quantity.Short(m.Aperture.Seconds, quantity.Second)
	}
	if m.Repeats > 1 {
		s += fmt.Sprintf(", %d readings a point", m.Repeats)
	}
	return []string{s}
}

// maxListed is how many levels of a list are said before they are counted, and
// maxNamed how many pins are named before their numbers are folded.
const (
	maxListed = 8
	maxNamed  = 6
)

// words is a sweep in words: "0 V to 5 V in 251 points, up and down".
func (s *Sweep) words(unit quantity.Unit) string {
	var w string
	switch s.Spacing {
	case List:
		parts := make([]string, 0, maxListed+1)
		for i, v := range s.List {
			if i == maxListed {
				parts = append(parts, fmt.Sprintf("… (%d levels)", len(s.List)))
				break
			}
			parts = append(parts, quantity.Short(v, unit))
		}
		w = strings.Join(parts, ", ")
	case Log:
		w = fmt.Sprintf("%s to %s in %d logarithmic points", quantity.Short(s.From, unit), quantity.Short(s.To, unit), s.Points)
	default:
		w = fmt.Sprintf("%s to %s in %d points", quantity.Short(s.From, unit), quantity.Short(s.To, unit), s.Points)
	}
	if s.Back {
		w += ", up and down"
	}
	return w
}

func quantityNoun(u quantity.Unit) string {
	if u == quantity.Ampere {
		return "current"
	}
	return "voltage"
}

// pinName names a pin by number and name, also one that the device lacks.
func pinName(d *dut.Device, n int) string {
	if p, ok := d.Pin(n); ok {
		return p.Label()
	}
	return fmt.Sprintf("pin %d", n)
}

// PinWords names pins, and folds long runs of them: "pins 1 1A, 2 1Y",
// "12 pins: 1–6, 8–13".
func PinWords(d *dut.Device, pins []int) string {
	if len(pins) == 0 {
		return "no pin"
	}
	if len(pins) > maxNamed {
		if len(pins) == len(d.Pins) {
			return "all pins"
		}
		return fmt.Sprintf("%d pins: %s", len(pins), numberRuns(pins))
	}
	parts := make([]string, len(pins))
	for i, n := range pins {
		parts[i] = pinName(d, n)
	}
	if len(parts) == 1 {
		return "pin " + parts[0]
	}
	return "pins " + strings.Join(parts, ", ")
}

// numberRuns writes 1, 2, 3, 5 as "1–3, 5".
func numberRuns(pins []int) string {
	sorted := slices.Sorted(slices.Values(pins))
	var parts []string
	for i := 0; i < len(sorted); {
		j := i
		for j+1 < len(sorted) && sorted[j+1] == sorted[j]+1 {
			j++
		}
		if j > i {
			parts = append(parts, fmt.Sprintf("%d–%d", sorted[i], sorted[j]))
		} else {
			parts = append(parts, fmt.Sprint(sorted[i]))
		}
		i = j + 1
	}
	return strings.Join(parts, ", ")
}
