package procedure

import (
	"math"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
)

// followingVoltage is the voltage of an output that follows its supply one to one,
// the supply being 5 mV above what was asked for; the points at which the supply
// is moved may be left out, or be marked, and then wrong by half a volt.
func followingVoltage(t *testing.T, moves bool, marked bench.Flags) Result {
	d := inverterDevice()
	m := base("voltage")
	m.Pins, m.Powered, m.Compliance = []int{2}, true, 6
	m.Settle.Time = 0.2
	m.Limits = map[string]Limit{"voltage": limits(4.99, 5.01)}
	step := planOf(t, d, checkBench(), m).Steps[0]
	der := Derive(step.Kind, step.Measurement, d, Rule{Guard: 1})
	seg := step.Segments[0]
	n := 0
	for pt := range step.Kind.Points(step.Measurement, d) {
		if n > 0 && !moves {
			break
		}
		var fl bench.Flags
		if pt.Auxiliary {
			fl = bench.Auxiliary | marked
		}
		supply := 0.0
		for _, h := range pt.Hold {
			if h.Pin == 6 {
				supply = h.Level
			}
		}
		emit := func(own bool) {
			for k, dr := range seg.Drives {
				if (dr.Pin == 2) != own || dr.Pin != 2 && dr.Pin != 6 {
					continue
				}
				level := supply
				comp := 20e-3
				if dr.Pin == 2 {
					level, comp = 0, 6
				}
				set := dr.Setup(level, comp, bench.Setup{})
				v := supply + 0.005
				if pt.Auxiliary && marked != 0 && dr.Pin == 2 {
					v += 0.5 // not settled: nowhere near
				}
				f := fl
				if dr.Pin != 2 {
					f |= bench.Auxiliary
				}
				der.Add(Observation{Sense: seg.Sense(k, set, 1), Reading: bench.Reading{Point: uint32(n), Pin: uint8(dr.Pin), Set: level, V: v, Flags: f, Channel: dr.Channel.ID}})
			}
		}
		emit(true)
		emit(false)
		n++
	}
	return find(t, der.Results(), "voltage", 2, "")
}

// Without the points that tell how a voltage follows its supply, or where those
// cannot be trusted, the whole difference of the supply counts: the interval is
// no narrower for it, and holds what the output has at 5 V.
func TestMissingCorrectionsWiden(t *testing.T) {
	whole := followingVoltage(t, true, 0)
	if math.Abs(whole.Value-5) > 1e-6 || whole.Outcome != derive.Pass {
		t.Errorf("%+v", whole)
	}
	for name, r := range map[string]Result{
		"not yet": followingVoltage(t, false, 0), "not settled": followingVoltage(t, true, bench.NotSettled),
		"over range": followingVoltage(t, true, bench.OverRange), "after a fault": followingVoltage(t, true, bench.AfterFault),
	} {
		if math.Abs(r.Value-5.005) > 1e-6 || r.U < whole.U || r.From > 5 || r.Outcome == derive.Pass || r.Outcome == derive.Fail {
			t.Errorf("%s: %g ± %g, %s; with the points ± %g", name, r.Value, r.U, r.Outcome, whole.U)
		}
		if r.Budget == nil || !slices.ContainsFunc(r.Budget.Lines, func(l Line) bool { return strings.Contains(l.Name, "was not moved") && l.Assumed }) {
			t.Errorf("%s: the budget does not say so: %+v", name, r.Budget)
		}
	}
}

// A level is not moved where a pin would then be held too far above the supply
// that it clamps to.
func TestMovedLevelsKeepClamps(t *testing.T) {
	in, _ := checked()
	in.Procedure.Measurements = in.Procedure.Measurements[1:2]
	w := base("watch")
	w.Pins, w.Use, w.Compliance, w.Powered, w.Settle, w.Duration, w.Interval = []int{2}, UseCurrent, 6, true, Settle{Time: 30e-3}, 1, 0.1
	for _, m := range []Measurement{in.Procedure.Measurements[0], w} {
		m.Hold = []Hold{{Pin: 1, Use: UseVoltage, Level: 5.5, Compliance: 1e-3}}
		in.Procedure.Measurements[0] = m
		for _, f := range PrePower(*in).Findings {
			if f.Severity == SeverityError {
				t.Errorf("%s: %s: %s", m.Kind, f.Name(), f.Message)
			}
		}
	}
}
