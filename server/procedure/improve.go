package procedure

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// Improvement is a change that would make a result's interval smaller.
type Improvement struct {
	What string  // "four wires instead of two"
	U    float64 // half-width that it would leave, in the unit of the result
}

// worthwhile is the part of U that a change must leave at most to be told of.
const worthwhile = 0.9

// mostImprovements is how many are told.
const mostImprovements = 5

// Improve lists what would make a result of a measurement that was carried out
// known better, the most effective first: changed settings by predicting again on
// the same bench, repeats and corrections by its own budget.
func Improve(in CheckInput, m *Measurement, r *Result) []Improvement {
	if r.Budget == nil || !(r.U > 0) {
		return nil
	}
	all := byBudget(m, r)
	one := alone(m, r)
	if now, ok := in.foresee(&one, r); ok {
		more := math.Sqrt(max(r.U*r.U-now*now, 0)) // beyond its own prediction: it stays
		all = slices.Concat(all, bySettings(in, &one, r, more), byCheck(in, &one, r, more))
	}
	all = slices.DeleteFunc(all, func(i Improvement) bool { return !(i.U < worthwhile*r.U) })
	slices.SortStableFunc(all, func(a, b Improvement) int {
		switch {
		case a.U < b.U:
			return -1
		case a.U > b.U:
			return 1
		}
		return 0
	})
	return all[:min(len(all), mostImprovements)]
}

// left is the part of an error that a correction or a measurement of it is taken
// to leave.
const left = 0.1

// byBudget are the changes that act on contributions: repeats on noise and
// scatter, and knowing better what the largest come from.
func byBudget(m *Measurement, r *Result) []Improvement {
	var out []Improvement
	if slices.ContainsFunc(fieldsFor(m), func(f Field) bool { return f.Name == fieldRepeats.Name }) {
		n := 10 * m.repeats()
		u := r.Budget.without(r.Value, func(l *Line) float64 {
			if l.Class == string(budget.Noise) || l.Class == string(budget.Scatter) {
				return 1 / math.Sqrt(10)
			}
			return 1
		})
		out = append(out, Improvement{fmt.Sprintf("%d repeats", n), u})
	}
	seen := map[string]bool{}
	for i := range r.Budget.Lines {
		l := &r.Budget.Lines[i]
		what, same := remedyOf(l)
		if what == "" || seen[what] || l.Share < 0.05 {
			continue
		}
		seen[what] = true
		u := r.Budget.without(r.Value, func(x *Line) float64 {
			if same(x) {
				return left
			}
			return 1
		})
		out = append(out, Improvement{fmt.Sprintf("%s (taken to leave a tenth)", what), u})
	}
	return out
}

// remedyOf is what would make a contribution smaller, and which others it would
// make smaller with it; "" where nobody can do anything about it.
func remedyOf(l *Line) (what string, same func(*Line) bool) {
	of := func(x *Line) string { _, s, _ := strings.Cut(x.Name, " of "); return s }
	alike := func(x *Line) bool { return x.Class == l.Class }
	switch budget.Class(l.Class) {
	case budget.Gain, budget.Offset:
		accuracy := []string{string(budget.Gain), string(budget.Offset)}
		return "a correction of " + of(l), func(x *Line) bool { return slices.Contains(accuracy, x.Class) && of(x) == of(l) }
	case budget.Correction:
		if what, is := strings.CutPrefix(l.Name, "change of the "); is {
			return "measuring the " + strings.TrimSuffix(what, " since it was measured") + " again", func(x *Line) bool { return x.Name == l.Name }
		}
	case budget.Leakage:
		return "a measured leakage of the open switches", alike
	case budget.Return:
		return "a known way back from the part's ground", alike
	}
	return "", nil
}

// without is the half-width of the interval with each contribution times a part.
func (b *Budget) without(x float64, part func(*Line) float64) float64 {
	v := budget.Exact(x)
	for i := range b.Lines {
		l := &b.Lines[i]
		p := part(l)
		s := l.source(p)
		if p < 1 && l.DF > 0 {
			s.Dist, s.DF = budget.Normal, math.Inf(1) // many more readings
		}
		v = v.With(s, 1)
	}
	return v.State(budget.Coverage).U
}

// checkLeaves is what the bench check leaves of a path's resistance at most, as a
// part of it: the accuracies of the two channels that measure it.
const checkLeaves = 0.002

// byCheck is what corrections of all paths from a check of the bench would leave,
// predicted with the stated resistances as if they had been measured.
func byCheck(in CheckInput, m *Measurement, r *Result, more float64) []Improvement {
	if in.Bench == nil || in.Bench.Corrections != nil && len(in.Bench.Corrections.Paths) > 0 {
		return nil
	}
	c := &bench.Corrections{}
	for i := range in.Bench.Paths {
		p := &in.Bench.Paths[i]
		ohms := p.Resistance
		if ch, ok := in.Bench.ChannelByID(p.Channel); ok {
			ohms += ch.SourceR
		}
		if ohms > 0 {
			c.Paths = append(c.Paths, bench.PathCorrection{Path: p.ID, Ohms: ohms, U: checkLeaves * ohms})
		}
	}
	with := in
	with.Bench = in.Bench.Corrected(c, time.Time{})
	u, ok := with.foresee(m, r)
	if !ok {
		return nil
	}
	return []Improvement{{"the paths' resistances, measured by the bench check and taken over", math.Hypot(u, more)}}
}

// alone is the measurement with the result's pin only, where its pins do not depend
// on each other.
func alone(m *Measurement, r *Result) Measurement {
	one := *m
	one.Pins = slices.Clone(m.Pins)
	if k, ok := KindByKey(m.Kind); ok && !k.Together() && slices.Contains(m.Pins, r.Pin) {
		one.Pins = []int{r.Pin}
	}
	return one
}

// bySettings are other settings of the measurement, each predicted on the same
// bench. More is what the present U has beyond its own prediction, which stays.
func bySettings(in CheckInput, m *Measurement, r *Result, more float64) []Improvement {
	var out []Improvement
	for _, change := range changesOf(&in, m, r) {
		if u, ok := in.foresee(&change.to, r); ok {
			out = append(out, Improvement{change.what, math.Hypot(u, more)})
		}
	}
	return out
}

// settingChange is a measurement with one setting changed.
type settingChange struct {
	what string
	to   Measurement
}

// changer is a kind that has settings of its own which make its results better known.
type changer interface {
	changes(m *Measurement, add func(what string, set func(*Measurement)))
}

// changesOf are the settings that may make a result better known.
func changesOf(in *CheckInput, m *Measurement, r *Result) []settingChange {
	var out []settingChange
	add := func(what string, set func(*Measurement)) {
		to := *m
		set(&to)
		out = append(out, settingChange{what, to})
	}
	switch m.Method {
	case TwoWire:
		add("four wires instead of two", func(m *Measurement) { m.Method = FourWire })
		add("current reversal over four wires", func(m *Measurement) { m.Method = CurrentReversal })
	case FourWire:
		add("current reversal", func(m *Measurement) { m.Method = CurrentReversal })
	}
	if k, ok := KindByKey(m.Kind); ok {
		if c, has := k.(changer); has {
			c.changes(m, add)
		}
	}
	at := Limit{Low: &r.Value}
	for _, full := range (&preCheck{CheckInput: *in}).smallerRanges(m, &Prediction{Result: *r}, at) {
		add("a smaller range, by a compliance of "+say(full, unitOfCompliance(m)), func(m *Measurement) { m.Compliance = full })
	}
	for _, cycles := range []float64{1, 10} {
		if cycles > 1.01*m.Aperture.ApertureSeconds(in.Bench.LineHz)*in.Bench.LineHz {
			words := " power-line cycles"
			if cycles == 1 {
				words = " power-line cycle"
			}
			add("an aperture of "+say(cycles, "")+words, func(m *Measurement) { m.Aperture = Aperture{Cycles: cycles} })
		}
	}
	return out
}

// mostForeseen bounds the readings that are made up for one improvement.
const mostForeseen = 20_000

// foresee predicts the half-width of a result of a measurement near its value.
func (in *CheckInput) foresee(m *Measurement, r *Result) (float64, bool) {
	kind, ok := KindByKey(m.Kind)
	if !ok || in.PinMap == nil || len(kind.Validate(m, in.Device)) > 0 {
		return 0, false
	}
	step, err := NewPlanner(in.Device, in.PinMap, in.Bench).Step(0, m, kind, nil)
	if err != nil {
		return 0, false
	}
	short := *step.Measurement
	kind.Shorten(&short)
	short.Repeats = min(short.Repeats, 10)
	if step.Points*short.repeats() > mostForeseen {
		return 0, false
	}
	part := kind.Imagine(&short, in.Device, r.Key, r.Value).Part
	if part == nil {
		return 0, false
	}
	x := &imaginer{in: in, step: step, der: kind.Derive(&short, in.Device, in.Procedure.Rule()), part: part}
	for pt := range kind.Points(&short, in.Device) {
		x.point(&pt)
	}
	for _, f := range x.der.Results() {
		if f.Key == r.Key && f.Pin == r.Pin && f.Group == r.Group && f.U > 0 {
			return f.U, true
		}
	}
	return 0, false
}
