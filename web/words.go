package web

import (
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// Conditions says what a measurement does, a phrase for each condition.
func Conditions(m procedure.Measurement, d *dut.Device) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if len(m.Pins) > 0 {
		what := "measure " + pinList(m.Pins, d)
		if m.Against != 0 {
			what += " against pin " + pinLabel(m.Against, d)
		}
		add("%s", what)
	}
	if use := forcedUse(&m); use.TakesChannel() && m.Sweep == nil {
		add("force %s%s", forced(use, m.Level), atMost(use, m.Compliance))
	}
	if m.Sweep != nil {
		add("sweep %s, %s%s", quantityNoun(m.Use), sweepWords(*m.Sweep, unitOf(m.Use)), atMost(m.Use, m.Compliance))
	}
	if m.Step != nil {
		add("a curve for each %s at pin %s: %s%s", quantityNoun(m.Step.Use), pinLabel(m.Step.Pin, d),
			sweepWords(m.Step.Sweep, unitOf(m.Step.Use)), atMost(m.Step.Use, m.Step.Compliance))
	}
	if m.Observe != 0 {
		add("watch the voltage at pin %s", pinLabel(m.Observe, d))
	}
	if m.Powered {
		add("supplies up in the device's power order")
	}
	for _, h := range m.Hold {
		add("%s", holdWords(h, d))
	}
	switch m.Rest {
	case procedure.UseReturn:
		add("other inputs on the return")
	case procedure.UseOpen:
		add("other inputs open")
	}
	if m.Method != "" {
		add("%s", string(m.Method))
	}
	return append(out, timing(m)...)
}

// forcedUse is what the measured pins are forced with: what the measurement
// says, or else what its kind always does. Where the kind takes the level from
// elsewhere there is nothing to say here.
func forcedUse(m *procedure.Measurement) procedure.Use {
	kind, known := procedure.KindByKey(m.Kind)
	if m.Use != "" || m.Level == 0 || !known {
		return m.Use
	}
	for _, f := range kind.Fields() {
		switch {
		case f.Name != "level":
		case f.Unit == quantity.Volt:
			return procedure.UseVoltage
		case f.Unit == quantity.Ampere:
			return procedure.UseCurrent
		}
	}
	return m.Use
}

// timing says how the readings are taken.
func timing(m procedure.Measurement) []string {
	var out []string
	if m.Duration > 0 {
		s := "for " + short(m.Duration, quantity.Second)
		if m.Interval > 0 {
			s += ", a reading every " + short(m.Interval, quantity.Second)
		}
		out = append(out, s)
	}
	s := "settle " + short(m.Settle.Time, quantity.Second)
	if m.Settle.UntilStable {
		s += fmt.Sprintf(", then until stable to %s, at most %s more",
			short(m.Settle.Tolerance*100, quantity.Percent), short(m.Settle.Within, quantity.Second))
	}
	if m.Aperture.Cycles > 0 {
		s += fmt.Sprintf("; read over %g power-line cycles", m.Aperture.Cycles)
		if m.Aperture.Cycles == 1 {
			s = strings.TrimSuffix(s, "s")
		}
	} else {
		s += "; read over " + short(m.Aperture.Seconds, quantity.Second)
	}
	if m.Repeats > 1 {
		s += fmt.Sprintf(", %d readings a point", m.Repeats)
	}
	return append(out, s)
}

func holdWords(h procedure.Hold, d *dut.Device) string {
	at := "pin " + pinLabel(h.Pin, d)
	switch {
	case h.Use == procedure.UseReturn:
		return at + " on the return"
	case !h.Use.TakesChannel():
		return at + " open"
	}
	s := at + " at " + forced(h.Use, h.Level) + atMost(h.Use, h.Compliance)
	if h.Kelvin {
		s += ", remote sense"
	}
	return s
}

func sweepWords(s procedure.Sweep, unit quantity.Unit) string {
	var w string
	switch s.Spacing {
	case procedure.List:
		parts := make([]string, 0, len(s.List))
		for i, v := range s.List {
			if i == 8 {
				parts = append(parts, fmt.Sprintf("… (%d levels)", len(s.List)))
				break
			}
			parts = append(parts, short(v, unit))
		}
		w = strings.Join(parts, ", ")
	case procedure.Log:
		w = fmt.Sprintf("%s to %s in %d logarithmic points", short(s.From, unit), short(s.To, unit), s.Points)
	default:
		w = fmt.Sprintf("%s to %s in %d points", short(s.From, unit), short(s.To, unit), s.Points)
	}
	if s.Back {
		w += ", up and down"
	}
	return w
}

func unitOf(u procedure.Use) quantity.Unit {
	if u == procedure.UseCurrent {
		return quantity.Ampere
	}
	return quantity.Volt
}

// otherUnit is that of the quantity that is not forced.
func otherUnit(u procedure.Use) quantity.Unit {
	if u == procedure.UseCurrent {
		return quantity.Volt
	}
	return quantity.Ampere
}

func quantityNoun(u procedure.Use) string {
	if u == procedure.UseCurrent {
		return "current"
	}
	return "voltage"
}

func forced(u procedure.Use, level float64) string { return short(level, unitOf(u)) }

func atMost(u procedure.Use, compliance float64) string {
	if compliance == 0 {
		return ""
	}
	return ", compliance " + short(compliance, otherUnit(u))
}

// short prints a set value: as many digits as it was set with, at most six.
func short(v float64, unit quantity.Unit) string {
	for digits := 1; digits < 6; digits++ {
		s := quantity.Format(v, unit, digits)
		if back, err := quantity.Parse(s, unit); err == nil && near(back, v) {
			return s
		}
	}
	return quantity.Format(v, unit, 6)
}

func near(a, b float64) bool {
	d := a - b
	if d < 0 {
		d = -d
	}
	if b < 0 {
		b = -b
	}
	return d <= 1e-9*b
}

func pinLabel(n int, d *dut.Device) string {
	if p, ok := d.Pin(n); ok {
		return p.Label()
	}
	return fmt.Sprintf("pin %d", n)
}

// pinList names pins, folding long runs of them.
func pinList(pins []int, d *dut.Device) string {
	if len(pins) > 6 {
		if len(pins) == len(d.Pins) {
			return "all pins"
		}
		return fmt.Sprintf("%d pins: %s", len(pins), numberRuns(pins))
	}
	parts := make([]string, len(pins))
	for i, n := range pins {
		parts[i] = pinLabel(n, d)
	}
	if len(parts) == 1 {
		return "pin " + parts[0]
	}
	return "pins " + strings.Join(parts, ", ")
}

// numberRuns writes 1, 2, 3, 5 as "1–3, 5".
func numberRuns(pins []int) string {
	sorted := slices.Clone(pins)
	slices.Sort(sorted)
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

// limitWords writes the limits of a result: "0.2 V to 0.9 V", "at most 1 µA".
func limitWords(low, high *float64, unit quantity.Unit) string {
	switch {
	case low != nil && high != nil:
		return short(*low, unit) + " to " + short(*high, unit)
	case low != nil:
		return "at least " + short(*low, unit)
	case high != nil:
		return "at most " + short(*high, unit)
	}
	return ""
}

// Limit is one line of a measurement's limits.
type Limit struct{ Name, Words string }

// Limits lists the limits of a measurement in the order its kind derives them.
func Limits(m procedure.Measurement) []Limit {
	var out []Limit
	kind, known := procedure.KindByKey(m.Kind)
	if !known {
		return nil
	}
	for _, o := range kind.Outputs() {
		if l, ok := m.Limits[o.Key]; ok {
			if w := limitWords(l.Low, l.High, m.OutputUnit(o)); w != "" {
				out = append(out, Limit{o.Name, w})
			}
		}
	}
	return out
}

func kindTitle(key string) string {
	if kind, ok := procedure.KindByKey(key); ok {
		return kind.Title()
	}
	return key
}
