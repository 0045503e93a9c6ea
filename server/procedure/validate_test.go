package procedure

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"ohmkeep/server/dut"
)

// procedureOf wraps measurements for the inverters.
func procedureOf(ms ...Measurement) Procedure {
	for i := range ms {
		ms[i].ID = fmt.Sprintf("m%d", i+1)
	}
	return Procedure{Key: "check", Name: "Check", Device: "two-inverters", Guard: 1, Measurements: ms}
}

// problems returns the problems of a procedure by field.
func problems(t *testing.T, p Procedure, d *dut.Device) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := p.Validate(d)
	if err == nil {
		return out
	}
	var ps dut.Problems
	if !errors.As(err, &ps) || len(ps) == 0 {
		t.Fatalf("%T: %v", err, err)
	}
	for _, q := range ps {
		out[q.Field] += q.Message + "\n"
	}
	return out
}

func TestDefaultsAreValid(t *testing.T) {
	inv := inverterDevice()
	var ms []Measurement
	for _, k := range Kinds() {
		m := k.Default(inv)
		if ps := k.Validate(&m, inv); len(ps) > 0 {
			t.Errorf("%s: %v", k.Key(), ps)
		}
		ms = append(ms, m)
	}
	if err := new(procedureOf(ms...)).Validate(inv); err != nil {
		t.Error(err)
	}
	net := networkDevice()
	for _, key := range []string{"resistance", "sweep", "shorts", "voltage", "watch"} {
		m := mustKind(t, key).Default(net)
		if ps := m.Validate(net); len(ps) > 0 {
			t.Errorf("%s: %v", key, ps)
		}
	}
}

func TestMeasurementProblems(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name, kind string
		set        func(*Measurement)
		field      string
		words      []string
	}{
		{"unknown kind", "contact", func(m *Measurement) { m.Kind = "telepathy" }, "kind", []string{"telepathy", "contact", "watch"}},
		{"empty id", "contact", func(m *Measurement) { m.ID = "" }, "id", []string{"empty"}},
		{"empty name", "contact", func(m *Measurement) { m.Name = " " }, "name", []string{"empty"}},
		{"long name", "contact", func(m *Measurement) { m.Name = strings.Repeat("x", 121) }, "name", []string{"121", "120"}},
		{"broken text", "contact", func(m *Measurement) { m.Note = "\xff" }, "note", []string{"UTF-8"}},
		{"no pins", "contact", func(m *Measurement) { m.Pins = nil }, "pins", []string{"at least one"}},
		{"pin not there", "contact", func(m *Measurement) { m.Pins[0] = 9 }, "pins[0]", []string{"pin 9", "6 pins"}},
		{"pin twice", "contact", func(m *Measurement) { m.Pins[1] = m.Pins[0] }, "pins[1]", []string{"1 1A", "twice"}},
		{"ground measured", "contact", func(m *Measurement) { m.Pins[0] = 3 }, "pins[0]", []string{"3 GND", "return"}},
		{"field of another kind", "contact", func(m *Measurement) { m.Observe = 2 }, "observe", []string{"not used by Contact"}},
		{"no compliance", "contact", func(m *Measurement) { m.Compliance = 0 }, "compliance", []string{"missing", "pin 1 1A"}},
		{"NaN compliance", "contact", func(m *Measurement) { m.Compliance = nan }, "compliance", []string{"missing"}},
		{"compliance beyond the rating", "contact", func(m *Measurement) { m.Compliance = 8 }, "compliance", []string{"8 V", "pin 1 1A", "−500 mV to 7 V", "at or below 7 V"}},
		{"current beyond the rating", "contact", func(m *Measurement) { m.Level = 0.03 }, "level", []string{"30 mA", "pin 1 1A", "20 mA"}},
		{"negative contact current", "contact", func(m *Measurement) { m.Level = -1e-4 }, "level", []string{"above 0 A"}},
		{"infinite level", "contact", func(m *Measurement) { m.Level = inf }, "level", []string{"finite"}},
		{"negative settle", "contact", func(m *Measurement) { m.Settle.Time = -1 }, "settle.time", []string{"0 s"}},
		{"NaN settle", "contact", func(m *Measurement) { m.Settle.Time = nan }, "settle.time", []string{"NaN"}},
		{"absurd settle", "contact", func(m *Measurement) { m.Settle.Time = 1e9 }, "settle.time", []string{"3.6 ks"}},
		{"tolerance without until stable", "contact", func(m *Measurement) { m.Settle.Tolerance = 0.1 }, "settle.untilStable", []string{"turn it on"}},
		{"until stable without a tolerance", "contact", func(m *Measurement) { m.Settle.UntilStable, m.Settle.Within = true, 1 }, "settle.tolerance", []string{"must be"}},
		{"no aperture", "contact", func(m *Measurement) { m.Aperture = Aperture{} }, "aperture", []string{"missing"}},
		{"two apertures", "contact", func(m *Measurement) { m.Aperture.Seconds = 1 }, "aperture.seconds", []string{"not both"}},
		{"absurd aperture", "contact", func(m *Measurement) { m.Aperture.Cycles = inf }, "aperture.cycles", []string{"must be"}},
		{"negative repeats", "contact", func(m *Measurement) { m.Repeats = -1 }, "repeats", []string{"-1"}},
		{"limit of no result", "contact", func(m *Measurement) { m.Limits = map[string]Limit{"speed": {}} }, "limits.speed", []string{"upper, lower"}},
		{"limits crossed", "contact", func(m *Measurement) { m.Limits["upper"] = limits(2, 1) }, "limits.upper.low", []string{"2", "above", "1"}},
		{"limit no number", "contact", func(m *Measurement) { m.Limits["upper"] = limits(nan, 1) }, "limits.upper.low", []string{"finite"}},

		{"shorts above a diode's voltage", "shorts", func(m *Measurement) { m.Level = 0.6 }, "level", []string{"300"}},
		{"shorts, no method", "shorts", func(m *Measurement) { m.Method = TwoWire }, "method", []string{"every pair"}},
		{"leakage not powered", "leakage", func(m *Measurement) { m.Powered = false }, "powered", []string{"turn it on"}},
		{"leakage above the supply", "leakage", func(m *Measurement) { m.Level = 6 }, "level", []string{"6 V", "pin 1 1A", "6 VCC", "at or below 5.5 V"}},
		{"leakage above the rating", "leakage", func(m *Measurement) { m.Level = 8 }, "level", []string{"8 V", "pin 1 1A", "7 V"}},
		{"leakage below the rating", "leakage", func(m *Measurement) { m.Level = -1 }, "level", []string{"−1 V", "−500 mV"}},
		{"supply current of an output", "supply-current", func(m *Measurement) { m.Pins = []int{2} }, "pins[0]", []string{"2 1Y", "power step"}},
		{"supply compliance beyond the rating", "supply-current", func(m *Measurement) { m.Compliance = 0.1 }, "compliance", []string{"100 mA", "6 VCC", "50 mA"}},
		{"supply level beyond the rating", "supply-current", func(m *Measurement) { m.Level = 8 }, "level", []string{"8 V", "6 VCC", "7 V"}},
		{"held above a lowered supply", "supply-current", func(m *Measurement) {
			m.Level, m.Hold = 2, []Hold{{Pin: 1, Use: UseVoltage, Level: 5, Compliance: 1e-3}}
		}, "hold[0].level", []string{"5 V", "1 1A", "2 V", "2.5 V"}},
		{"held above a swept supply", "sweep", func(m *Measurement) {
			m.Pins, m.Use, m.Compliance = []int{6}, UseVoltage, 10e-3
			m.Sweep = &Sweep{Spacing: Linear, From: 5, To: 1, Points: 5}
			m.Hold = []Hold{{Pin: 1, Use: UseVoltage, Level: 5, Compliance: 1e-3}}
		}, "hold[0].level", []string{"5 V", "1 1A", "1 V", "1.5 V"}},
		{"swept above a stepped supply", "sweep", func(m *Measurement) {
			m.Use, m.Compliance = UseVoltage, 10e-3
			m.Sweep = &Sweep{Spacing: Linear, From: 0, To: 5, Points: 5}
			m.Step = &Step{Pin: 6, Use: UseVoltage, Compliance: 10e-3, Sweep: Sweep{Spacing: List, List: []float64{5, 3}}}
		}, "sweep.to", []string{"5 V", "1 1A", "3 V", "3.5 V"}},
		{"output without a load", "output-level", func(m *Measurement) { m.Level = 0 }, "level", []string{"load current"}},
		{"threshold without an output", "threshold", func(m *Measurement) { m.Observe = 0 }, "observe", []string{"name the output"}},
		{"threshold that watches its input", "threshold", func(m *Measurement) { m.Observe = 1 }, "observe", []string{"1 1A"}},
		{"threshold without a sweep", "threshold", func(m *Measurement) { m.Sweep = nil }, "sweep", []string{"missing"}},
		{"threshold beyond the rating", "threshold", func(m *Measurement) { m.Sweep.To = 9 }, "sweep.to", []string{"9 V", "7 V"}},
		{"threshold that turns back", "threshold", func(m *Measurement) { m.Sweep = &Sweep{Spacing: List, List: []float64{0, 2, 1}} }, "sweep.list", []string{"level 3"}},
		{"resistance, no method", "resistance", func(m *Measurement) { m.Method = "" }, "method", []string{"four-wire"}},
		{"resistance, four-wire without a second terminal", "resistance", func(m *Measurement) { m.Method = FourWire }, "against", []string{"second terminal"}},
		{"resistance against itself", "resistance", func(m *Measurement) { m.Against = 2 }, "against", []string{"2 1Y"}},
		{"resistance without a level", "resistance", func(m *Measurement) { m.Level = 0 }, "level", []string{"must not be 0"}},
		{"voltage with a pin held", "voltage", func(m *Measurement) { m.Hold = []Hold{{Pin: 2, Use: UseReturn}} }, "hold[0].pin", []string{"2 1Y", "by the measurement itself"}},
		{"pin held twice", "voltage", func(m *Measurement) { m.Hold = []Hold{{Pin: 1, Use: UseReturn}, {Pin: 1, Use: UseOpen}} }, "hold[1].pin", []string{"1 1A", "twice"}},
		{"held pin not there", "voltage", func(m *Measurement) { m.Hold = []Hold{{Pin: 0, Use: UseReturn}} }, "hold[0].pin", []string{"pin 0"}},
		{"ground held at a voltage", "voltage", func(m *Measurement) { m.Hold = []Hold{{Pin: 3, Use: UseVoltage, Level: 1, Compliance: 1}} }, "hold[0].pin", []string{"3 GND"}},
		{"held beyond the rating", "voltage", func(m *Measurement) { m.Hold = []Hold{{Pin: 6, Use: UseVoltage, Level: 7.5, Compliance: 0.01}} }, "hold[0].level", []string{"7.5 V", "6 VCC", "7 V"}},
		{"held without compliance", "voltage", func(m *Measurement) { m.Hold = []Hold{{Pin: 6, Use: UseVoltage, Level: 5}} }, "hold[0].compliance", []string{"6 VCC"}},
		{"held above its clamp supply", "voltage", func(m *Measurement) {
			m.Hold = []Hold{{Pin: 6, Use: UseVoltage, Level: 2, Compliance: 0.01}, {Pin: 1, Use: UseVoltage, Level: 3, Compliance: 1e-3}}
		}, "hold[1].level", []string{"3 V", "1 1A", "6 VCC", "2 V", "2.5 V"}},
		{"held in no known way", "voltage", func(m *Measurement) { m.Hold = []Hold{{Pin: 1, Use: "glue"}} }, "hold[0].use", []string{"glue"}},
		{"return with a level", "voltage", func(m *Measurement) { m.Hold = []Hold{{Pin: 1, Use: UseReturn, Level: 1}} }, "hold[0].level", []string{"no level"}},
		{"rest in no known way", "voltage", func(m *Measurement) { m.Rest = UseVoltage }, "rest", []string{"return, open"}},
		{"sweep without use", "sweep", func(m *Measurement) { m.Use = "" }, "use", []string{"voltage, current"}},
		{"sweep of no spacing", "sweep", func(m *Measurement) { m.Sweep.Spacing = "cubic" }, "sweep.spacing", []string{"cubic"}},
		{"log sweep from zero", "sweep", func(m *Measurement) { m.Sweep.From = 0 }, "sweep.from", []string{"0 A", "log"}},
		{"log sweep through zero", "sweep", func(m *Measurement) { m.Sweep.From = -1e-6 }, "sweep.to", []string{"same sign"}},
		{"sweep to NaN", "sweep", func(m *Measurement) { m.Sweep.To = nan }, "sweep.to", []string{"finite"}},
		{"sweep of one level", "sweep", func(m *Measurement) { m.Sweep.To = m.Sweep.From }, "sweep.to", []string{"two different"}},
		{"sweep of a point", "sweep", func(m *Measurement) { m.Sweep.Points = 1 }, "sweep.points", []string{"2 to 1000000"}},
		{"sweep too long", "sweep", func(m *Measurement) { m.Sweep.Points = 1_000_001 }, "sweep.points", []string{"1000001"}},
		{"sweep too long with the way back", "sweep", func(m *Measurement) { m.Sweep.Points, m.Sweep.Back = 600_000, true }, "sweep", []string{"1200000"}},
		{"sweep with a stray list", "sweep", func(m *Measurement) { m.Sweep.List = []float64{1} }, "sweep.list", []string{"remove"}},
		{"empty list", "sweep", func(m *Measurement) { m.Sweep = &Sweep{Spacing: List} }, "sweep.list", []string{"1 to"}},
		{"list with NaN", "sweep", func(m *Measurement) { m.Sweep = &Sweep{Spacing: List, List: []float64{1e-3, nan}} }, "sweep.list", []string{"level 2"}},
		{"swept beyond the rating", "sweep", func(m *Measurement) { m.Sweep.To = 30e-3 }, "sweep.to", []string{"30 mA", "pin 1 1A", "20 mA"}},
		{"stepped pin swept", "sweep", func(m *Measurement) {
			m.Step = &Step{Pin: 1, Use: UseVoltage, Compliance: 1e-3, Sweep: Sweep{Spacing: List, List: []float64{1}}}
		}, "step.pin", []string{"1 1A"}},
		{"stepped beyond the rating", "sweep", func(m *Measurement) {
			m.Step = &Step{Pin: 6, Use: UseVoltage, Compliance: 1e-3, Sweep: Sweep{Spacing: List, List: []float64{9}}}
		}, "step.sweep.list", []string{"9 V", "6 VCC"}},
		{"stepped without compliance", "sweep", func(m *Measurement) {
			m.Step = &Step{Pin: 6, Use: UseVoltage, Sweep: Sweep{Spacing: List, List: []float64{3}}}
		}, "step.compliance", []string{"6 VCC"}},
		{"endless watch", "watch", func(m *Measurement) { m.Duration = inf }, "duration", []string{"must be"}},
		{"watch too long", "watch", func(m *Measurement) { m.Duration, m.Interval = 86400*29, 0.1 }, "duration", []string{"at most 10000000"}},
		{"interval above the duration", "watch", func(m *Measurement) { m.Interval = 100 }, "interval", []string{"longer"}},
		{"interval below the aperture", "watch", func(m *Measurement) { m.Interval = 1e-3 }, "interval", []string{"20 ms"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := inverterDevice()
			m := mustKind(t, c.kind).Default(d)
			p := procedureOf(voltageKind.Default(d), m)
			c.set(&p.Measurements[1])
			got := problems(t, p, d)
			msg, ok := got["measurements[1]."+c.field]
			if !ok {
				t.Fatalf("nothing at %s: %v", c.field, got)
			}
			for _, w := range c.words {
				if !strings.Contains(msg, w) {
					t.Errorf("%q does not mention %q", msg, w)
				}
			}
			for f := range got {
				if !strings.HasPrefix(f, "measurements[1].") {
					t.Errorf("a problem elsewhere, at %s: %s", f, got[f])
				}
			}
		})
	}
}

func TestProcedureProblems(t *testing.T) {
	d := inverterDevice()
	for _, c := range []struct {
		name  string
		set   func(*Procedure)
		field string
	}{
		{"key", func(p *Procedure) { p.Key = "Not a key" }, "key"},
		{"device", func(p *Procedure) { p.Device = "other" }, "device"},
		{"name", func(p *Procedure) { p.Name = "" }, "name"},
		{"notes", func(p *Procedure) { p.Notes = strings.Repeat("x", 4001) }, "notes"},
		{"guard", func(p *Procedure) { p.Guard = math.NaN() }, "guard"},
		{"risk of a half", func(p *Procedure) { p.Guard, p.Risk = 0, 0.5 }, "risk"},
		{"risk below zero", func(p *Procedure) { p.Guard, p.Risk = 0, -0.1 }, "risk"},
		{"risk of no number", func(p *Procedure) { p.Guard, p.Risk = 0, math.NaN() }, "risk"},
		{"two rules", func(p *Procedure) { p.Risk = 0.1 }, "risk"},
		{"duplicate id", func(p *Procedure) { p.Measurements = append(p.Measurements, p.Measurements[0]) }, "measurements[1].id"},
		{"too many", func(p *Procedure) { p.Measurements = make([]Measurement, 1001) }, "measurements"},
		{"too many readings", func(p *Procedure) {
			p.Measurements = nil
			for i := range 6 {
				m := watchKind.Default(d)
				m.ID, m.Duration, m.Interval = fmt.Sprint(i), 900_000, 0.1
				p.Measurements = append(p.Measurements, m)
			}
		}, "measurements"},
	} {
		p := procedureOf(voltageKind.Default(d))
		if err := p.Validate(d); err != nil {
			t.Fatal(err)
		}
		c.set(&p)
		if got := problems(t, p, d); got[c.field] == "" {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A pin without a current rating takes no channel.
func TestNoCurrentRating(t *testing.T) {
	d := inverterDevice()
	d.Pins[0].MaxI = 0
	m := contactKind.Default(d)
	if ps := m.Validate(d); len(ps) == 0 || !strings.Contains(ps[0].Message, "no current rating") {
		t.Errorf("%v", ps)
	}
}

// A pin that no diode protects, such as a gate: the compliance itself must stay
// within the rating, in the direction that the current drives it.
func TestUnprotectedPin(t *testing.T) {
	d := networkDevice()
	d.Pins[0].MinV, d.Pins[0].MaxV = -5, 10
	m := base("sweep")
	m.Pins, m.Against, m.Use, m.Compliance = []int{1}, 4, UseCurrent, 8
	m.Sweep = &Sweep{Spacing: Linear, From: 0, To: 1e-3, Points: 3}
	if ps := m.Validate(d); len(ps) > 0 {
		t.Errorf("%v", ps)
	}
	m.Sweep.From = -1e-3
	if ps := m.Validate(d); len(ps) != 1 || !strings.Contains(ps[0].Message, "−8 V") {
		t.Errorf("%v", ps)
	}
	d.Pins[0].MinV, d.Pins[0].MaxV = -10, 5
	if ps := m.Validate(d); len(ps) != 1 || !strings.Contains(ps[0].Message, "above its rating of 5 V") {
		t.Errorf("%v", ps)
	}
}
