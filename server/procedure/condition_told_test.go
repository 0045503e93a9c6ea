package procedure

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// steppedSupply sweeps input 1 while supply 6 is stepped through levels.
func steppedSupply(levels ...float64) Measurement {
	m := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0, To: 1, Points: 3}, 1e-3)
	m.Against, m.Powered = 0, true
	m.Step = &Step{Pin: 6, Use: UseVoltage, Compliance: 10e-3, Sweep: Sweep{Spacing: List, List: levels}}
	return m
}

// A supply that the measurement sweeps, steps, ties to the return or feeds by a
// current has no one level: its results do not claim that of its power step. The
// words of a supply at one level, whoever sets it, name that level.
func TestConditionNamesOnlyLevelsThatStand(t *testing.T) {
	d := inverterDevice()
	swept := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0, To: 3, Points: 4}, 10e-3)
	swept.Pins, swept.Against, swept.Powered = []int{6}, 0, true
	input := swept.Clone()
	input.Pins = []int{1}
	against := input.Clone()
	against.Against, against.Sweep = 6, &Sweep{Spacing: Linear, From: 0, To: 0.4, Points: 3}
	watched := base("watch")
	watched.Pins, watched.Use, watched.Level, watched.Compliance = []int{6}, UseVoltage, 4, 10e-3
	watched.Duration, watched.Interval, watched.Powered = 1, 0.1, true
	fed := watched.Clone()
	fed.Use, fed.Level, fed.Compliance = UseCurrent, 1e-3, 5
	warm := 85.0
	warmed := swept.Clone()
	warmed.At = &Condition{Temperature: &warm}
	down := input.Clone()
	down.Powered = false
	down.Sweep = &Sweep{Spacing: Linear, From: 0, To: 0.4, Points: 3}
	for name, c := range map[string]struct {
		m    Measurement
		want string
	}{
		"an input is swept":        {input, "VCC 5 V"},
		"the supply is swept":      {swept, ""},
		"and is warm":              {warmed, "85 °C"},
		"the supply is stepped":    {steppedSupply(3, 5), ""},
		"it has one step":          {steppedSupply(3), "VCC 3 V"},
		"it is the other terminal": {against, ""},
		"it is watched at 4 V":     {watched, "VCC 4 V"},
		"it is fed by a current":   {fed, ""},
		"the supplies are down":    {down, ""},
	} {
		t.Run(name, func(t *testing.T) {
			if ps := c.m.Validate(d); len(ps) > 0 {
				t.Fatalf("not valid: %v", ps)
			}
			if got := conditionOf(&c.m, d); got != c.want {
				t.Errorf("told %q, want %q", got, c.want)
			}
			for _, r := range feed(t, c.m, d, 0, accuracy{uv: 1e-6, ui: 1e-9}, resistor(1e3)) {
				if r.Condition != c.want {
					t.Fatalf("%s is told at %q, want %q", r.Key, r.Condition, c.want)
				}
			}
		})
	}
}

// A condition on a supply that the measurement sweeps or steps itself would only
// repeat the same readings under another name.
func TestConditionOfASweptSupplyChangesNothing(t *testing.T) {
	d := inverterDevice()
	swept := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0, To: 3, Points: 4}, 10e-3)
	swept.Pins, swept.Against, swept.Powered = []int{6}, 0, true
	for name, m := range map[string]Measurement{"swept": swept, "stepped": steppedSupply(3, 5)} {
		p := procedureOf(m)
		p.Device, p.Conditions = d.Key, []Condition{at(4.5), at(5.5)}
		if q := Expand(p, d); len(q.Measurements) != 1 || q.Measurements[0].At != nil {
			t.Errorf("%s: comes to %d measurements, the first under %+v", name, len(q.Measurements), q.Measurements[0].At)
		}
		p.Conditions[1] = hot(85, at(5.5))
		q := Expand(p, d)
		if len(q.Measurements) != 1 || q.Measurements[0].At == nil || len(q.Measurements[0].At.Supplies) > 0 ||
			!strings.HasSuffix(q.Measurements[0].Name, ", 85 °C") {
			t.Errorf("%s: a temperature besides: %+v", name, q.Measurements)
		}
	}
}

// Every level that results carry is forced on its supply at every point, for any
// valid measurement of any kind.
func TestConditionHoldsAtEveryPoint(t *testing.T) {
	for _, k := range Kinds() {
		t.Run(k.Key(), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				d := anyDevice(t)
				m := anyMeasurement(t, k, d)
				if len(k.Validate(&m, d)) > 0 {
					return
				}
				levels := m.suppliedAt(d)
				for p := range k.Points(&m, d) {
					if p.Auxiliary {
						continue // beside the condition, for a correction
					}
					for _, s := range levels {
						h := holdAt(p.Hold, s.Pin)
						if h.Use != UseVoltage || h.Level != s.Level {
							t.Fatalf("told that pin %d is at %g V, held at %+v", s.Pin, s.Level, h)
						}
					}
				}
			})
		})
	}
}
