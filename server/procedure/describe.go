package procedure

import (
	"fmt"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// Preview is the levels of the sweep in the order they come, at most so many:
// both ends and others spread evenly between where there are more. It is nil
// for a sweep that has fewer than two points or is not valid.
func (s *Sweep) Preview(most int) []float64 {
	n := s.Len()
	var ps dut.Problems
	if most < 2 || n < 1 || !s.check(&ps, "", "") {
		return nil
	}
	shown := min(n, most)
	out := make([]float64, shown)
	for i := range out {
		at := 0
		if shown > 1 {
			at = int(int64(i) * int64(n-1) / int64(shown-1))
		}
		out[i] = s.At(at)
	}
	return out
}

// maxListed is how many pins a description names before it counts them.
const maxListed = 6

// Describe is the measurement in one sentence for the device: what is done to
// which pins. It needs not be valid.
func (m *Measurement) Describe(d *dut.Device) string {
	title := clip(m.Kind)
	if k, ok := KindByKey(m.Kind); ok {
		title = k.Title()
	}
	parts := []string{title + " of " + pinWords(d, m.Pins)}
	if m.Against != 0 {
		parts = append(parts, "against "+labelOf(d, m.Against))
	}
	if m.Method != "" {
		parts = append(parts, string(m.Method))
	}
	if m.Observe != 0 {
		parts = append(parts, "watching "+labelOf(d, m.Observe))
	}
	if w := m.forced(); w != "" {
		parts = append(parts, w)
	}
	if m.Step != nil {
		parts = append(parts, fmt.Sprintf("for each of %s on %s", m.Step.Sweep.words(unitForced(m.Step.Use)), labelOf(d, m.Step.Pin)))
	}
	if m.Repeats > 1 {
		parts = append(parts, fmt.Sprintf("%d readings a point", m.Repeats))
	}
	if w := conditionOf(m, d); w != "" {
		parts = append(parts, "at "+w)
	} else if m.Powered {
		parts = append(parts, "supplies up")
	}
	return strings.Join(parts, ", ")
}

// forced is what is forced, and its compliance.
func (m *Measurement) forced() string {
	unit := unitForced(m.Use)
	if m.Use == "" {
		if k, ok := KindByKey(m.Kind); ok {
			for _, f := range k.Fields() {
				if (f.Name == "level" || f.Name == "sweep") && f.Unit != "" {
					unit = f.Unit
				}
			}
		}
	}
	sensed := quantity.Ampere
	if unit == quantity.Ampere {
		sensed = quantity.Volt
	}
	var out string
	switch {
	case m.Sweep != nil:
		out = m.Sweep.words(unit)
	case m.Level != 0:
		out = say(m.Level, unit)
	}
	if m.Compliance != 0 {
		out = strings.TrimPrefix(out+", compliance "+say(m.Compliance, sensed), ", ")
	}
	return out
}

// words is a sweep in words: "0 V to 5 V in 251 points and back".
func (s *Sweep) words(unit quantity.Unit) string {
	var out string
	switch {
	case s.Spacing == List && len(s.List) == 0:
		return "no levels"
	case s.Spacing == List:
		low, high := s.Range()
		out = fmt.Sprintf("%d levels from %s to %s", len(s.List), say(low, unit), say(high, unit))
	default:
		out = fmt.Sprintf("%s to %s in %d points", say(s.From, unit), say(s.To, unit), s.Points)
		if s.Spacing == Log {
			out += ", logarithmic"
		}
	}
	if s.Back {
		out += " and back"
	}
	return out
}

// pinWords names pins, or counts them where they are many.
func pinWords(d *dut.Device, pins []int) string {
	switch n := len(pins); {
	case n == 0:
		return "no pin"
	case n > maxListed:
		return fmt.Sprintf("%d pins, %s to %s", n, labelOf(d, pins[0]), labelOf(d, pins[n-1]))
	}
	names := make([]string, len(pins))
	for i, n := range pins {
		names[i] = labelOf(d, n)
	}
	return strings.Join(names, ", ")
}
