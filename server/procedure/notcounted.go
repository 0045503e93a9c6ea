package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/budget"
)

// omitter is a kind that knows of something between its results and the truth that is
// in no budget, beside what holds for every kind.
type omitter interface{ omits(m *Measurement) []string }

// NotCounted says in words what may lie between a result and the truth, and is
// no contribution in its budget. lineHz is the power-line frequency, Hz.
func NotCounted(m *Measurement, b *Budget, lineHz float64) []string {
	if b == nil || len(b.Lines) == 0 {
		return nil
	}
	var out []string
	counted := func(c budget.Class) bool {
		return slices.ContainsFunc(b.Lines, func(l Line) bool { return l.Class == string(c) })
	}
	if !counted(budget.Settling) {
		out = append(out, "what is left of settling after the time given to it")
	}
	cycles := m.Aperture.ApertureSeconds(lineHz) * lineHz
	if !counted(budget.Hum) && (cycles < 0.5 || math.Abs(cycles-math.Round(cycles)) > 1e-6*cycles) {
		out = append(out, "hum, which an aperture of no whole number of power-line cycles lets through")
	}
	if !counted(budget.ThermalVoltage) && m.Method != CurrentReversal {
		out = append(out, "thermal voltages of contacts and switches")
	}
	if len(b.Held) > 0 {
		out = append(out, "what begins only above a level held beside it: levels are moved towards zero alone")
	}
	if hidesBends(m, b.Held) {
		out = append(out, "curves along which it follows several levels that undo each other where all are moved at once")
	}
	k, _ := KindByKey(m.Kind)
	if o, is := k.(omitter); is {
		out = append(out, o.omits(m)...)
	}
	if !counted(budget.Temperature) {
		out = append(out, "the temperature of the part: its own heating, and the room's")
	}
	return append(out, "drift of the bench since its accuracy was stated")
}

// Assumed names the contributions that rest on a stated default, not on the
// bench's definition, each once.
func (b *Budget) Assumed() []string {
	var out []string
	for _, l := range b.Lines {
		if l.Assumed && !slices.Contains(out, l.Name) {
			out = append(out, l.Name)
		}
	}
	return out
}
