package procedure

import (
	"math"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

const (
	testIs = 1e-14
	testVt = 0.02585199978643554 // kT/e at 300 K, SI Brochure, 9th ed.
)

func diodeV(i float64) float64 { return testVt * math.Log1p(i/testIs) }
func diodeI(v float64) float64 { return testIs * math.Expm1(v/testVt) }

// diodePair is a pin with a diode to each rail, both rails at 0 V.
var diodePair = oneTerminal(
	func(i float64) float64 { return math.Copysign(diodeV(math.Abs(i)), i) },
	func(v float64) float64 { return math.Copysign(diodeI(math.Abs(v)), v) })

var (
	open    = oneTerminal(func(i float64) float64 { return math.Inf(sign(i)) }, func(v float64) float64 { return 0 })
	shorted = resistor(1)
)

func TestContact(t *testing.T) {
	d := inverterDevice()
	m := contactKind.Default(d)
	for _, c := range []struct {
		name         string
		part         truth
		upper, lower float64
		outcome      derive.Outcome
		note         string
	}{
		{"both diodes", diodePair, diodeV(100e-6), -diodeV(100e-6), derive.Pass, ""},
		{"open", open, 2, -2, derive.Fail, "at the 2 V compliance: probably open"},
		{"shorted", shorted, 100e-6, -100e-6, derive.Fail, "nearly 0 V: probably shorted"},
		{"poor contact", func(h []Hold, pin int) (float64, float64, bench.Flags) {
			v, i, f := diodePair(h, pin)
			return v + 4e3*i, i, f
		}, diodeV(100e-6) + 0.4, -diodeV(100e-6) - 0.4, derive.Fail, "poor contact"},
	} {
		rs := feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 1e-9}, c.part)
		if len(rs) != 8 {
			t.Fatalf("%s: %d results", c.name, len(rs))
		}
		for _, pin := range m.Pins {
			for key, want := range map[string]float64{"upper": c.upper, "lower": c.lower} {
				r := find(t, rs, key, pin, "")
				near(t, c.name, r.Value, want, 1e-12)
				near(t, c.name+" U", r.U, k95*1e-3, 1e-9)
				if r.Outcome != c.outcome || !strings.Contains(r.Note, c.note) || (c.note == "") != (r.Note == "") {
					t.Errorf("%s: %+v", c.name, r)
				}
				if r.Flags.Has(bench.OutOfLimit) != (c.outcome == derive.Fail) {
					t.Errorf("%s: flags %v", c.name, r.Flags)
				}
			}
		}
	}
}

func TestComplianceRule(t *testing.T) {
	lo, hi := -1.0, 1.0
	for _, c := range []struct {
		name  string
		x     float64
		bound int
		low   *float64
		high  *float64
		flags bench.Flags
		want  derive.Outcome
	}{
		{"beyond high, truth further up", 2, 1, &lo, &hi, bench.InCompliance, derive.Fail},
		{"beyond high, truth back inside", 2, -1, &lo, &hi, bench.InCompliance, derive.Invalid},
		{"beyond high, nobody knows", 2, 0, &lo, &hi, bench.InCompliance, derive.Invalid},
		{"inside, truth further up", 0.5, 1, &lo, &hi, bench.InCompliance, derive.Invalid},
		{"beyond low, truth further down", -2, -1, &lo, &hi, bench.InCompliance, derive.Fail},
		{"beyond, no limit there", 2, 1, &lo, nil, bench.InCompliance, derive.Invalid},
		{"no limits at all", 2, 1, nil, nil, bench.InCompliance, derive.Untrusted},
		{"not settled", 0, 0, &lo, &hi, bench.NotSettled, derive.Invalid},
		{"over range and beyond", 2, 1, &lo, &hi, bench.OverRange | bench.InCompliance, derive.Invalid},
		{"after a fault", 0, 0, nil, nil, bench.AfterFault, derive.Untrusted},
		{"after a fault, held against limits", 0, 0, &lo, &hi, bench.AfterFault, derive.Invalid},
		{"clean", 0, 1, &lo, &hi, 0, derive.Pass},
		{"clean, no limits", 0, 0, nil, nil, 0, derive.NoLimits},
		{"inside by less than the guard", 0.95, 0, &lo, &hi, 0, derive.ConditionalPass},
		{"outside by less than the guard", 1.05, 0, &lo, &hi, 0, derive.ConditionalFail},
	} {
		m := base("voltage")
		m.Limits = map[string]Limit{"voltage": {c.low, c.high}}
		k := newKit(voltageKind.facts, &m, inverterDevice(), Rule{Guard: 1})
		r, ok := k.result(value{key: "voltage", of: guessed(c.x, 0.05), flags: c.flags, bound: c.bound})
		if !ok || r.Outcome != c.want {
			t.Errorf("%s: %s", c.name, r.Outcome)
		}
		if r.Flags.Has(bench.OutOfLimit) != (r.Outcome == derive.Fail || r.Outcome == derive.ConditionalFail) {
			t.Errorf("%s: flags %v", c.name, r.Flags)
		}
		if (r.Outcome == derive.Invalid || r.Outcome == derive.Untrusted) && r.Note == "" {
			t.Errorf("%s: invalid without a word why", c.name)
		}
	}
	k := newKit(voltageKind.facts, &Measurement{}, inverterDevice(), Rule{Guard: 0})
	if _, ok := k.result(value{key: "voltage", of: budget.Exact(math.NaN())}); ok {
		t.Error("a result that is no number")
	}
}

func TestShorts(t *testing.T) {
	d := inverterDevice()
	m := shortsKind.Default(d)
	joined := func(a, b int, r float64) truth { // a resistor between two pins
		return func(h []Hold, pin int) (float64, float64, bench.Flags) {
			other := a + b - pin
			if pin != a && pin != b || holdAt(h, other).Use != UseReturn {
				return holdAt(h, pin).Level, 1e-9, 0
			}
			return resistor(r)(h, pin)
		}
	}
	rs := feed(t, m, d, 1, accuracy{uv: 100e-6, ui: 1e-7}, joined(1, 2, 500))
	r := find(t, rs, "current", 1, "")
	near(t, "current", r.Value, 0.4e-3, 1e-15)
	if r.Outcome != derive.Fail || r.Note != "about 500 Ω, probably to 2 1Y" {
		t.Errorf("%+v", r)
	}
	near(t, "resistance", find(t, rs, "resistance", 2, "").Value, 500, 1e-9)
	if r := find(t, rs, "current", 4, ""); r.Outcome != derive.Pass || r.Note != "" {
		t.Errorf("%+v", r)
	}
	rs = feed(t, m, d, 1, accuracy{uv: 100e-6, ui: 1e-7}, joined(1, 3, 10)) // a ground
	if r := find(t, rs, "current", 1, ""); r.Outcome != derive.Fail || !strings.Contains(r.Note, "at the 1 mA compliance, at most 10 Ω, probably to a ground") {
		t.Errorf("%+v", r)
	}
	m.Method = EveryPair
	rs = feed(t, m, d, 1, accuracy{uv: 100e-6, ui: 1e-7}, joined(2, 4, 500))
	for _, r := range rs {
		if r.Key == "current" && (r.Outcome == derive.Fail) != (r.Group == "2 1Y to 4 2Y") {
			t.Errorf("%+v", r)
		}
	}
}

func TestLeakage(t *testing.T) {
	d := inverterDevice()
	m := leakageKind.Default(d)
	rs := feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 1e-9}, resistor(1e9))
	r := find(t, rs, "high", 1, "")
	near(t, "high", r.Value, 5e-9, 1e-20)
	if r.Outcome != derive.Pass || r.Condition != "VCC 5 V" {
		t.Errorf("%+v", r)
	}
	near(t, "low", find(t, rs, "low", 5, "").Value, 0, 0)
	r = find(t, feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 1e-9}, resistor(1e3)), "high", 1, "")
	if r.Outcome != derive.Fail || r.Value != 10e-6 || !strings.Contains(r.Note, "10 µA compliance") {
		t.Errorf("%+v", r)
	}
}

func TestSupplyCurrent(t *testing.T) {
	d := inverterDevice()
	m := supplyCurrentKind.Default(d)
	m.Limits = map[string]Limit{"current": limits(0, 2e-3)}
	r := find(t, feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 1e-6}, resistor(5e3)), "current", 6, "")
	near(t, "current", r.Value, 1e-3, 1e-18)
	if r.Outcome != derive.Pass {
		t.Errorf("%+v", r)
	}
	r = find(t, feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 1e-6}, resistor(10)), "current", 6, "")
	if r.Outcome != derive.Fail || r.Value != 20e-3 || !strings.Contains(r.Note, "20 mA compliance") {
		t.Errorf("%+v", r)
	}
}

func TestOutputLevel(t *testing.T) {
	d := inverterDevice()
	m := outputLevelKind.Default(d)
	m.Limits = map[string]Limit{"loaded": limits(4.4, 5)}
	stiff := func(r float64) truth {
		return func(h []Hold, pin int) (float64, float64, bench.Flags) {
			i := holdAt(h, pin).Level
			return 5 + r*i, i, 0
		}
	}
	rs := feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 1e-6}, stiff(50))
	near(t, "unloaded", find(t, rs, "unloaded", 2, "").Value, 5, 0)
	near(t, "loaded", find(t, rs, "loaded", 2, "").Value, 4.8, 1e-12)
	r := find(t, rs, "output-resistance", 4, "")
	near(t, "resistance", r.Value, 50, 1e-9)
	// u(ΔV) = √2 mV over 4 mA, u(ΔI): 0 A and -4 mA, √2 µA of 4 mA; GUM 5.1.
	want := k95 * 50 * math.Hypot(math.Sqrt2*1e-3/0.2, math.Sqrt2*1e-6/4e-3)
	near(t, "its U", r.U, want, 1e-9)
}

func TestVoltage(t *testing.T) {
	d := inverterDevice()
	m := voltageKind.Default(d)
	m.Repeats, m.Limits = 4, map[string]Limit{"voltage": limits(3.2, 3.4)}
	n := 0
	part := func(h []Hold, pin int) (float64, float64, bench.Flags) {
		n++
		return 3.3 + 1e-3*float64(n%4), 0, 0 // scatter of 0, 1, 2, 3 mV
	}
	r := find(t, feed(t, m, d, 1, accuracy{uv: 2e-3, steady: true}, part), "voltage", 2, "")
	near(t, "mean", r.Value, 3.3015, 1e-12)
	sd := math.Sqrt(5.0/3) * 1e-3
	near(t, "U", r.U, math.Hypot(k95*2e-3, 3.182*sd/2), 0.1e-3) // the accuracy is not divided by √n; t of 3 degrees of freedom (Table G.2)
	if r.Outcome != derive.Pass {
		t.Errorf("%+v", r)
	}
}

func TestResistance(t *testing.T) {
	d := networkDevice()
	for _, c := range []struct {
		method Method
		use    Use
		level  float64
	}{{TwoWire, UseVoltage, 1}, {TwoWire, UseCurrent, 1e-3}, {FourWire, UseCurrent, 1e-3}, {CurrentReversal, UseCurrent, 1e-3}} {
		m := base("resistance")
		m.Pins, m.Against, m.Method, m.Use, m.Level = []int{1, 2}, 4, c.method, c.use, c.level
		m.Compliance, m.Limits = 5, map[string]Limit{"resistance": limits(990, 1010)}
		if c.use == UseVoltage {
			m.Compliance = 10e-3
		}
		r := find(t, feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 1e-6}, resistor(1e3)), "resistance", 2, "")
		near(t, string(c.method), r.Value, 1e3, 1e-9)
		factor := 1.0
		if c.method == CurrentReversal {
			factor = math.Sqrt(1.5) / 2 // of the difference: forward twice and reversed, over twice the value
		}
		near(t, string(c.method)+" U", r.U, factor*k95*1e3*math.Hypot(1e-3, 1e-3), 1e-6)
		if r.Outcome != derive.Pass {
			t.Errorf("%s: %+v", c.method, r)
		}
		r = find(t, feed(t, m, d, 1, accuracy{uv: 1e-3, ui: 1e-9}, open), "resistance", 1, "")
		if r.Outcome != derive.Fail || !strings.Contains(r.Note, "probably open") {
			t.Errorf("%s, open: %+v", c.method, r)
		}
		r = find(t, feed(t, m, d, 1, accuracy{uv: 1e-9, ui: 1e-9}, shorted), "resistance", 1, "")
		if r.Outcome != derive.Fail {
			t.Errorf("%s, shorted: %+v", c.method, r)
		}
	}
}

func TestPartialResults(t *testing.T) {
	for _, k := range Kinds() {
		for _, d := range devices() {
			m, ok := usable(k, d)
			if !ok {
				continue
			}
			if rs := k.Derive(&m, d, Rule{Guard: 1}).Results(); len(rs) != 0 {
				t.Errorf("%s: results before the first reading: %+v", k.Key(), rs)
			}
		}
	}
}
