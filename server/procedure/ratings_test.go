package procedure

import (
	"math"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/dut"
)

// forcing is a measurement of a kind, valid on two inverters, that forces a level
// within a compliance on one pin.
func forcing(kind string, level, compliance float64) Measurement {
	m := base(kind)
	m.Pins, m.Level, m.Compliance = []int{1}, level, compliance
	switch kind {
	case "leakage":
		m.Powered = true
	case "output-level":
		m.Pins, m.Powered = []int{2}, true
	case "watch":
		m.Use, m.Duration, m.Interval, m.Powered = UseVoltage, 1, 0.1, true
	}
	return m
}

// A rating is kept to its last digit and refused just beyond it, with a message
// beside the field that names the pin. The pins bear −0.5 V to 7 V, 20 mA, and
// 0.5 V above VCC, which is at 5 V.
func TestRatingsAtTheirEnds(t *testing.T) {
	d := inverterDevice()
	for _, c := range []struct {
		name   string
		m      Measurement
		field  string
		says   string
		change func(m *Measurement, by float64) // by 0: at the rating, above 0: beyond it
	}{
		{"leakage to the clamp", forcing("leakage", 5.5, 1e-6), "level", "clamp supply 6 VCC", func(m *Measurement, by float64) { m.Level += by }},
		{"leakage compliance", forcing("leakage", 5, 20e-3), "compliance", "maximum of pin 1 1A", func(m *Measurement, by float64) { m.Compliance += by }},
		{"output current in", forcing("output-level", 20e-3, 6), "level", "maximum of pin 2 1Y", func(m *Measurement, by float64) { m.Level += by }},
		{"output current out", forcing("output-level", -20e-3, 0.5), "level", "maximum of pin 2 1Y", func(m *Measurement, by float64) { m.Level -= by }},
		{"output compliance", forcing("output-level", 1e-3, 7), "compliance", "rating of pin 2 1Y", func(m *Measurement, by float64) { m.Compliance += by }},
		{"contact current", forcing("contact", 20e-3, 2), "level", "maximum of pin 1 1A", func(m *Measurement, by float64) { m.Level += by }},
		{"watch below the rating", forcing("watch", -0.5, 1e-3), "level", "below the rating of pin 1 1A", func(m *Measurement, by float64) { m.Level -= by }},
		{"watch above the clamp", forcing("watch", 5.5, 1e-3), "level", "clamp supply", func(m *Measurement, by float64) { m.Level += by }},
	} {
		whole := c.m.Clone()
		c.change(&whole, 0)
		if ps := whole.Validate(d); slices.ContainsFunc(ps, func(p dut.Problem) bool { return p.Field == c.field }) {
			t.Errorf("%s: refused at the rating: %v", c.name, ps)
		}
		beyond := c.m.Clone()
		c.change(&beyond, 1e-3)
		ps := beyond.Validate(d)
		if !slices.ContainsFunc(ps, func(p dut.Problem) bool { return p.Field == c.field && strings.Contains(p.Message, c.says) }) {
			t.Errorf("%s: %q is not said beside %s: %v", c.name, c.says, c.field, ps)
		}
	}
}

// What is no number is refused wherever a level or a compliance stands.
func TestRatingsRefuseWhatIsNoNumber(t *testing.T) {
	d := inverterDevice()
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		for _, kind := range []string{"leakage", "output-level", "watch", "contact"} {
			for name, set := range map[string]func(m *Measurement){
				"level":      func(m *Measurement) { m.Level = bad },
				"compliance": func(m *Measurement) { m.Compliance = bad },
			} {
				m := forcing(kind, 1e-3, 1e-3)
				set(&m)
				if ps := m.Validate(d); !slices.ContainsFunc(ps, func(p dut.Problem) bool { return p.Field == name }) {
					t.Errorf("%s: a %s of %g is not refused: %v", kind, name, bad, ps)
				}
			}
		}
	}
}

// A pin's clamp supply counts at the lowest level that it has in the course of
// the measurement: its power step, what a hold says, what a condition says, what
// the measurement itself steps or sweeps.
func TestClampSupplyIsWhereItIs(t *testing.T) {
	d := inverterDevice()
	clamped := func(m Measurement) bool {
		return slices.ContainsFunc(m.Validate(d), func(p dut.Problem) bool { return strings.Contains(p.Message, "clamp supply") })
	}
	for name, c := range map[string]struct {
		change  func(m *Measurement)
		refused bool
	}{
		"at its power step":     {func(m *Measurement) {}, false},
		"down":                  {func(m *Measurement) { m.Powered = false }, true},
		"held lower":            {func(m *Measurement) { m.Hold = []Hold{{6, UseVoltage, 3, 1e-3, false}} }, true},
		"held higher":           {func(m *Measurement) { m.Level, m.Hold = 6.4, []Hold{{6, UseVoltage, 6, 1e-3, false}} }, false},
		"at the return":         {func(m *Measurement) { m.Hold = []Hold{{Pin: 6, Use: UseReturn}} }, true},
		"lower by a condition":  {func(m *Measurement) { m.At = &Condition{Supplies: []SupplyLevel{{6, 3}}} }, true},
		"higher by a condition": {func(m *Measurement) { m.Level, m.At = 6.4, &Condition{Supplies: []SupplyLevel{{6, 6}}} }, false},
		"open, not known":       {func(m *Measurement) { m.Hold = []Hold{{Pin: 6, Use: UseOpen}} }, false},
		"by a current":          {func(m *Measurement) { m.Hold = []Hold{{6, UseCurrent, 1e-3, 5, false}} }, false},
	} {
		m := forcing("watch", 5, 1e-3)
		c.change(&m)
		if clamped(m) != c.refused {
			t.Errorf("%s: refused %v: %v", name, !c.refused, m.Validate(d))
		}
	}
	sweep := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0, To: 3, Points: 4}, 1e-3)
	sweep.Against = 0
	for name, c := range map[string]struct {
		levels  Sweep
		refused bool
	}{
		"stepped from 5 V":   {Sweep{Spacing: List, List: []float64{5, 6}}, false},
		"stepped from 2.5 V": {Sweep{Spacing: List, List: []float64{5, 2.5}}, false},
		"stepped from 2 V":   {Sweep{Spacing: List, List: []float64{5, 2}}, true},
	} {
		m := sweep.Clone()
		m.Step = &Step{Pin: 6, Use: UseVoltage, Compliance: 10e-3, Sweep: c.levels}
		if clamped(m) != c.refused {
			t.Errorf("%s: refused %v: %v", name, !c.refused, m.Validate(d))
		}
	}
}

// A supply that a measurement sets itself is told at that level, also under a
// condition, which then changes nothing.
func TestOwnSupplyLevel(t *testing.T) {
	d := inverterDevice()
	m := base("supply-current")
	m.Pins, m.Powered = []int{6}, true
	of := func(m Measurement) string { return conditionOf(&m, d) }
	if got := of(m); got != "VCC 5 V" {
		t.Errorf("%q", got)
	}
	own := m
	own.Level, own.Compliance = 3.3, 10e-3
	if got := of(own); got != "VCC 3.3 V" {
		t.Errorf("%q", got)
	}
	low := Condition{Supplies: []SupplyLevel{{6, 4.5}}}
	if at, changes := low.on(&m, d); !changes || len(at.Supplies) != 1 {
		t.Errorf("a supply at its power step: %+v, %v", at, changes)
	}
	if _, changes := low.on(&own, d); changes {
		t.Error("a condition changes a supply that the measurement sets itself")
	}
	under := m
	under.At = &low
	if got := of(under); got != "VCC 4.5 V" {
		t.Errorf("%q", got)
	}
	if own := under.drives(d, 6); !own.Known || own.Low != 4.5 || !own.Follows {
		t.Errorf("%+v", own)
	}
	if own := under.drives(d, 1); own.Known {
		t.Errorf("of a pin that it does not measure: %+v", own)
	}
}
