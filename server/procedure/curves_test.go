package procedure

import (
	"math"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
)

func devices() []*dut.Device { return []*dut.Device{inverterDevice(), networkDevice()} }

// usable is a kind's default for a device, where the device lets it be valid.
func usable(k Kind, d *dut.Device) (Measurement, bool) {
	m := k.Default(d)
	return m, len(k.Validate(&m, d)) == 0
}

// schmitt is an inverter that switches at up while its input rises and at down
// while it falls.
func schmitt(up, down, high float64) truth {
	out := high
	return func(h []Hold, pin int) (float64, float64, bench.Flags) {
		if pin != 2 {
			in := holdAt(h, pin).Level
			if in >= up {
				out = 0
			} else if in <= down {
				out = high
			}
			return in, 0, 0
		}
		return out, 0, 0
	}
}

func thresholdMeasurement(points int) Measurement {
	m := base("threshold")
	m.Pins, m.Observe, m.Powered, m.Compliance = []int{1, 5}, 2, true, 1e-3
	m.Sweep = &Sweep{Spacing: Linear, From: 0, To: 5, Points: points, Back: true}
	return m
}

func TestThresholdHysteresis(t *testing.T) {
	d := inverterDevice()
	m := thresholdMeasurement(501) // 10 mV
	m.Limits = map[string]Limit{"hysteresis": limits(0.5, 1.5)}
	rs := feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 0}, schmitt(2.803, 1.702, 5))
	for _, pin := range m.Pins {
		rise, fall := find(t, rs, "rising", pin, ""), find(t, rs, "falling", pin, "")
		near(t, "rising", rise.Value, 2.805, 1e-12) // the middle of the step
		near(t, "falling", fall.Value, 1.705, 1e-12)
		// A box one step wide with a normal error of 1 mV: 97.5 % lie below U, in
		// closed form by the integral of the normal distribution function.
		const half, sigma = 10e-3 / 2, 1e-3
		integral := func(z float64) float64 {
			return z*(1+math.Erf(z/math.Sqrt2))/2 + math.Exp(-z*z/2)/math.Sqrt(2*math.Pi)
		}
		below := sigma / (2 * half) * (integral((rise.U+half)/sigma) - integral((rise.U-half)/sigma))
		near(t, "what lies below U", below, 0.975, 1e-4)
		if math.Abs(rise.Value-2.803) > rise.U || math.Abs(fall.Value-1.702) > fall.U {
			t.Error("the truth lies outside the interval")
		}
		hys := find(t, rs, "hysteresis", pin, "")
		near(t, "hysteresis", hys.Value, 1.1, 1e-12)
		if hys.Outcome != derive.Pass {
			t.Errorf("%+v", hys)
		}
	}
	m.Sweep.From, m.Sweep.To = 5, 0 // downwards first
	rs = feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 0}, schmitt(2.803, 1.702, 5))
	near(t, "rising", find(t, rs, "rising", 1, "").Value, 2.805, 1e-12)
	near(t, "hysteresis", find(t, rs, "hysteresis", 1, "").Value, 1.1, 1e-12)
}

// A smooth transfer curve, closed form: 2.5·(1 - tanh((x - 2.2)/w)), middle 2.2 V.
func TestThresholdSmooth(t *testing.T) {
	d := inverterDevice()
	m := thresholdMeasurement(101)
	part := func(h []Hold, pin int) (float64, float64, bench.Flags) {
		x := holdAt(h, m.Pins[0]).Level
		if holdAt(h, 5).Use == UseVoltage {
			x = holdAt(h, 5).Level
		}
		if pin != 2 {
			return x, 0, 0
		}
		return 2.5 * (1 - math.Tanh((x-2.2)/0.2)), 0, 0
	}
	rs := feed(t, m, d, 1, accuracy{}, part)
	near(t, "rising", find(t, rs, "rising", 1, "").Value, 2.2, 1e-6)
	near(t, "hysteresis", find(t, rs, "hysteresis", 5, "").Value, 0, 1e-9)
}

func TestThresholdStuckOutput(t *testing.T) {
	d := inverterDevice()
	m := thresholdMeasurement(51)
	m.Limits = map[string]Limit{"rising": limits(1, 4)}
	rs := feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 0}, func(h []Hold, pin int) (float64, float64, bench.Flags) {
		return holdAt(h, pin).Level, 0, 0 // the output stays at 0 V
	})
	r := find(t, rs, "rising", 1, "")
	if r.Outcome != derive.Fail || r.Note != "2 1Y did not switch between 0 V and 5 V" {
		t.Errorf("%+v", r)
	}
	if hasResult(rs, "hysteresis") {
		t.Error("a hysteresis without thresholds")
	}
}

func sweepMeasurement(use Use, s Sweep, compliance float64) Measurement {
	m := base("sweep")
	m.Pins, m.Against, m.Use, m.Compliance, m.Sweep = []int{1}, 4, use, compliance, &s
	return m
}

func TestSweepResistor(t *testing.T) {
	d := networkDevice()
	for _, m := range []Measurement{
		sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: -1, To: 1, Points: 201}, 10e-3),
		sweepMeasurement(UseCurrent, Sweep{Spacing: Linear, From: -1e-3, To: 1e-3, Points: 201}, 5),
	} {
		rs := feed(t, m, d, 1, accuracy{uv: 1e-6, ui: 1e-9}, resistor(1e3))
		for _, key := range []string{"resistance", "resistance-origin", "resistance-start", "resistance-middle", "resistance-end"} {
			near(t, key, find(t, rs, key, 1, "").Value, 1e3, 1e-7)
		}
		near(t, "conductance", find(t, rs, "conductance", 1, "").Value, 1e-3, 1e-13)
		near(t, "hits", find(t, rs, "compliance-hits", 1, "").Value, 0, 0)
		// By closed form: each point has the noise of both readings, √2·1 µV, and
		// Σx² of 201 levels 10 µA apart is h²·n·(n²-1)/12.
		noise, scale := k95*math.Sqrt2*1e-6, 1.0
		if m.Use == UseVoltage {
			scale = 1e-3 // the intercept is a current
		}
		near(t, "U", find(t, rs, "resistance", 1, "").U, noise/math.Sqrt(1e-10*201*(201*201-1)/12), 1e-9)
		near(t, "U of the intercept", find(t, rs, "intercept", 1, "").U, scale*noise/math.Sqrt(201), 1e-12)
		// One offset for all readings of a range moves the line and leaves its slope.
		rs = feed(t, m, d, 1, accuracy{uv: 1e-6, ui: 1e-9, steady: true}, resistor(1e3))
		near(t, "U by offsets", find(t, rs, "resistance", 1, "").U, 0, 1e-9)
		near(t, "U of the intercept by offsets", find(t, rs, "intercept", 1, "").U, scale*noise, 1e-12)
		if hasResult(rs, "ideality") {
			t.Error("a resistor taken for a diode")
		}
		if r := find(t, rs, "maximum", 1, ""); r.Unit != m.Use.SensedUnit() {
			t.Errorf("%+v", r)
		}
	}
}

func TestSweepDiode(t *testing.T) {
	d := networkDevice()
	m := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: -0.5, To: 0.9, Points: 281, Back: true}, 10e-3)
	at := 300 - zeroCelsius
	m.At = &Condition{Temperature: &at}
	part := oneTerminal(diodeV, diodeI)
	rs := feed(t, m, d, 1, accuracy{uv: 10e-6, ui: 1e-15}, part)
	for _, group := range []string{"out", "back"} {
		near(t, "n", find(t, rs, "ideality", 1, group).Value, 1, 1e-6)
		near(t, "Is", find(t, rs, "saturation-current", 1, group).Value, testIs, 1e-6*testIs)
		hits := find(t, rs, "compliance-hits", 1, group)
		most := find(t, rs, "maximum", 1, group)
		if hits.Value < 10 || most.Value >= 10e-3 || most.Outcome != derive.NoLimits || !strings.Contains(most.Note, "left out") {
			t.Errorf("%+v, %+v", hits, most)
		}
	}
	m.Limits = map[string]Limit{"maximum": limits(0, 5e-3)} // broken already at the compliance
	if r := find(t, feed(t, m, d, 1, accuracy{uv: 10e-6, ui: 1e-15}, part), "maximum", 1, "out"); r.Outcome != derive.Fail {
		t.Errorf("%+v", r)
	}
	m.Limits = map[string]Limit{"maximum": limits(0, 20e-3)} // what would flow nobody knows
	if r := find(t, feed(t, m, d, 1, accuracy{uv: 10e-6, ui: 1e-15}, part), "maximum", 1, "out"); r.Outcome != derive.Invalid {
		t.Errorf("%+v", r)
	}
}

func TestSweepFamily(t *testing.T) {
	d := networkDevice()
	m := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0, To: 1, Points: 11}, 10e-3)
	m.Pins = []int{1, 3}
	m.Step = &Step{Pin: 2, Use: UseVoltage, Compliance: 1e-3, Sweep: Sweep{Spacing: List, List: []float64{1, 2}}}
	part := func(h []Hold, pin int) (float64, float64, bench.Flags) { // R falls with the stepped voltage
		return resistor(1e3/holdAt(h, 2).Level)(h, pin)
	}
	rs := feed(t, m, d, 1, accuracy{uv: 1e-6, ui: 1e-9}, part)
	for _, pin := range m.Pins {
		near(t, "at 1 V", find(t, rs, "resistance", pin, "2 T2 1 V").Value, 1000, 1e-8)
		near(t, "at 2 V", find(t, rs, "resistance", pin, "2 T2 2 V").Value, 500, 1e-8)
	}
	if g := sweepKind.Shape(&m, d).Groups; strings.Join(g, "|") != "1 T1, 2 T2 1 V|1 T1, 2 T2 2 V|3 T3, 2 T2 1 V|3 T3, 2 T2 2 V" {
		t.Errorf("%q", g)
	}
}

// A stepped level that comes again, or prints like another, is a curve of its own.
func TestSweepRepeatedStep(t *testing.T) {
	d := networkDevice()
	m := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0, To: 1, Points: 3}, 10e-3)
	m.Step = &Step{Pin: 2, Use: UseVoltage, Compliance: 1e-3, Sweep: Sweep{Spacing: List, List: []float64{1, 1.000001}, Back: true}}
	ids := map[ResultID]bool{}
	for _, r := range feed(t, m, d, 1, accuracy{uv: 1e-6, ui: 1e-9}, resistor(1e3)) {
		if ids[r.ID()] {
			t.Fatalf("twice: %+v", r)
		}
		ids[r.ID()] = true
	}
	if g := sweepKind.Shape(&m, d).Groups; g[3] != "2 T2 1 V (4)" {
		t.Errorf("%q", g)
	}
}

// All readings at the compliance: the extremes are not to be trusted, and nothing
// is fitted.
func TestSweepAllClamped(t *testing.T) {
	d := networkDevice()
	m := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0.5, To: 1, Points: 11}, 1e-3)
	rs := feed(t, m, d, 1, accuracy{uv: 1e-6, ui: 1e-9}, resistor(1))
	if r := find(t, rs, "maximum", 1, ""); r.Outcome != derive.Untrusted || !r.Flags.Has(bench.InCompliance) {
		t.Errorf("%+v", r)
	}
	if hasResult(rs, "resistance") || hasResult(rs, "ideality") {
		t.Errorf("%+v", rs)
	}
}

func TestWatchAtCompliance(t *testing.T) {
	d := inverterDevice()
	m := watchKind.Default(d)
	m.Limits = map[string]Limit{"mean": limits(0, 5)}
	r := find(t, feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 0}, func(h []Hold, pin int) (float64, float64, bench.Flags) {
		return 7, 0, bench.InCompliance
	}), "mean", 2, "")
	if r.Outcome != derive.Fail || !strings.Contains(r.Note, "101 of 101") {
		t.Errorf("%+v", r)
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range Kinds() {
		for _, d := range devices() {
			m, ok := usable(k, d)
			if !ok {
				continue
			}
			seen[k.Key()] = true
			obs := observations(t, m, d, accuracy{uv: 1e-3, ui: 1e-9}, resistor(1e3))
			der := k.Derive(&m, d, Rule{Guard: 1})
			der.Add(obs[0])
			if n := testing.AllocsPerRun(10, func() {
				for _, o := range obs {
					o.Group = 0
					der.Add(o)
				}
			}); n != 0 {
				t.Errorf("%s: %g allocations for %d readings", k.Key(), n, len(obs))
			}
		}
	}
	if len(seen) != len(Kinds()) {
		t.Errorf("only %v tried", seen)
	}
}
