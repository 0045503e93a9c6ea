package procedure

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// checkBench is a bench of four channels that each reach eight contacts.
func checkBench() *bench.Definition {
	b := &bench.Definition{Key: "bench", Name: "Bench", Contacts: 8, LineHz: 50, SwitchTime: 1e-3, Capacitance: 150e-12}
	for id := bench.ChannelID(1); id <= 4; id++ {
		ch := bench.Channel{ID: id, Name: fmt.Sprint("C", id), SourceR: 0.5, RemoteSense: true}
		for _, fs := range []float64{2, 10} {
			r := bench.Range{FullScale: fs, Step: fs / 1e6, Gain: 3e-4, Offset: 5e-5 * fs, Noise: 2e-6 * fs}
			ch.ForceV, ch.SenseV = append(ch.ForceV, r), append(ch.SenseV, r)
		}
		for _, fs := range []float64{1e-6, 100e-6, 10e-3, 100e-3} {
			r := bench.Range{FullScale: fs, Step: fs / 1e6, Gain: 5e-4, Offset: 1e-4 * fs, Noise: 5e-6 * fs, LoopTime: 20e-6}
			if fs < 1e-5 {
				r.LoopTime = 2e-3
			}
			ch.ForceI, ch.SenseI = append(ch.ForceI, r), append(ch.SenseI, r)
		}
		b.Channels = append(b.Channels, ch)
	}
	for ch := bench.ChannelID(0); ch <= 4; ch++ {
		for contact := 1; contact <= 8; contact++ {
			mux := fmt.Sprint("M", ch)
			if ch == 0 {
				mux = fmt.Sprint("R", contact)
			}
			b.Paths = append(b.Paths, bench.Path{ID: bench.PathID(len(b.Paths) + 1), Channel: ch, Contact: contact, Mux: mux,
				Address: fmt.Sprintf("%d/%d", ch, contact), Resistance: 4, Leakage: 10e-12, Kelvin: true})
		}
	}
	return b
}

// checked is a case: two inverters on eight contacts, and a leakage measurement
// that nothing is to be said of.
func checked() (*CheckInput, *Measurement) {
	d := inverterDevice()
	d.Power[0].Limit = 19e-3
	pm := &bench.PinMap{Device: d.Key, Bench: "bench", Contacts: map[int]int{1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 6}}
	lo, hi := -100e-9, 100e-9
	m := base("leakage")
	m.Pins, m.Level, m.Compliance, m.Powered = []int{1, 5}, 5, 1e-6, true
	m.Settle = Settle{Time: 30e-3}
	m.Limits = map[string]Limit{"high": {&lo, &hi}}
	out := base("voltage")
	out.ID, out.Pins, out.Compliance, out.Powered, out.Settle = "out", []int{2, 4}, 6, true, Settle{Time: 30e-3}
	supply := base("supply-current")
	supply.ID, supply.Pins, supply.Powered, supply.Settle = "supply", []int{6}, true, Settle{Time: 30e-3}
	p := &Procedure{Key: "check", Name: "Check", Device: d.Key, Measurements: []Measurement{m, out, supply}}
	return &CheckInput{Device: d, Procedure: p, PinMap: pm, Bench: checkBench()}, &p.Measurements[0]
}

func TestNothingToSay(t *testing.T) {
	in, _ := checked()
	r := PrePower(*in)
	for _, f := range r.Findings {
		t.Errorf("%s %s: %s", f.Severity, f.Name(), f.Message)
	}
	if r.Total <= 0 || len(r.Measurements) != 3 || len(r.Measurements[0].Predictions) != 2 {
		t.Errorf("%+v", r)
	}
}

// strapped puts a resistor between the contacts of two pins.
func strapped(in *CheckInput, a, b int, ohms float64) {
	in.PinMap.Straps = []bench.Strap{{Contact: a, Kind: bench.StrapResistor, To: b, Resistance: ohms}}
}

// TestRules: each rule speaks of a procedure with one fault, by its code, of its
// pin and field, and is silent when the fault is mended.
func TestRules(t *testing.T) {
	hold := func(m *Measurement, h Hold) { m.Hold = append(m.Hold, h) }
	for _, tc := range []struct {
		code     string
		severity Severity
		pin      int
		field    string // one of them
		bad      func(in *CheckInput, m *Measurement)
		mended   func(in *CheckInput, m *Measurement)
	}{
		{CodeNotValid, SeverityError, 0, "measurements[0].pins[0]",
			func(_ *CheckInput, m *Measurement) { m.Pins = []int{9} }, func(_ *CheckInput, m *Measurement) { m.Pins = []int{1} }},
		{CodeNoCompliance, SeverityError, 0, "measurements[0].compliance",
			func(_ *CheckInput, m *Measurement) { m.Compliance = 0 }, func(_ *CheckInput, m *Measurement) { m.Compliance = 1e-6 }},
		{CodeAboveRating, SeverityError, 1, "measurements[0].level",
			func(_ *CheckInput, m *Measurement) { m.Level = 7.5 }, func(_ *CheckInput, m *Measurement) { m.Level = 5 }},
		{CodeAboveRating, SeverityError, 5, "measurements[0].hold[0].level",
			func(_ *CheckInput, m *Measurement) {
				m.Pins = []int{1}
				hold(m, Hold{5, UseVoltage, -0.6, 1e-3, false})
			},
			func(_ *CheckInput, m *Measurement) {
				m.Pins = []int{1}
				hold(m, Hold{5, UseVoltage, -0.5, 1e-3, false})
			}},
		{CodeAboveRating, SeverityError, 6, "device.power[0].level",
			func(in *CheckInput, _ *Measurement) { in.Device.Power[0].Level = 7.2 }, func(in *CheckInput, _ *Measurement) { in.Device.Power[0].Level = 5 }},
		{CodeCurrentRating, SeverityError, 1, "measurements[0].compliance",
			func(_ *CheckInput, m *Measurement) { m.Compliance = 21e-3 }, func(_ *CheckInput, m *Measurement) { m.Compliance = 100e-6 }},
		{CodeCurrentRating, SeverityError, 6, "device.power[0].limit",
			func(in *CheckInput, _ *Measurement) { in.Device.Power[0].Limit = 51e-3 }, func(in *CheckInput, _ *Measurement) { in.Device.Power[0].Limit = 19e-3 }},
		{CodeNoRating, SeverityError, 1, "measurements[0].compliance",
			func(in *CheckInput, _ *Measurement) { pinOf(in, 1).MaxI = 0 }, func(in *CheckInput, _ *Measurement) { pinOf(in, 1).MaxI = 20e-3 + 1e-6 }},
		{CodeComplianceV, SeverityError, 2, "measurements[1].compliance",
			func(in *CheckInput, _ *Measurement) { in.Procedure.Measurements[1].Compliance = 7.1 },
			func(in *CheckInput, _ *Measurement) { in.Procedure.Measurements[1].Compliance = 7 }},
		{CodeAboveClamp, SeverityError, 1, "measurements[0].level",
			func(_ *CheckInput, m *Measurement) { m.Level = 5.6 }, func(_ *CheckInput, m *Measurement) { m.Level = 5.5 }},
		{CodeUnpowered, SeverityWarning, 1, "measurements[0].level",
			func(_ *CheckInput, m *Measurement) { hold(m, Hold{Pin: 6, Use: UseOpen}) }, func(*CheckInput, *Measurement) {}},
		{CodeSupplyHigh, SeverityError, 2, "device.power[0].level",
			func(in *CheckInput, _ *Measurement) { pinOf(in, 2).MaxV = 4.9 }, func(*CheckInput, *Measurement) {}},
		{CodeSupplyHigh, SeverityError, 4, "device.power[0].level",
			func(in *CheckInput, _ *Measurement) { pushing(in); in.Device.Power[0].Limit = 5e-3 },
			func(in *CheckInput, _ *Measurement) { pushing(in) }},
		{CodePowerOrder, SeverityError, 6, "device.power",
			func(in *CheckInput, m *Measurement) {
				secondSupply(in)
				in.Device.Power[0], in.Device.Power[1] = in.Device.Power[1], in.Device.Power[0]
			},
			func(in *CheckInput, m *Measurement) { secondSupply(in) }},
		{CodePowerStep, SeverityWarning, 4, "measurements[0].powered",
			func(in *CheckInput, _ *Measurement) { pinOf(in, 4).Function = dut.Supply; onlyFirst(in) },
			func(in *CheckInput, m *Measurement) {
				pinOf(in, 4).Function = dut.Supply
				onlyFirst(in)
				hold(m, Hold{Pin: 4, Use: UseVoltage, Level: 5, Compliance: 1e-4})
			}},
		{CodeReturnCurrent, SeverityWarning, 5, "measurements[0].hold",
			func(in *CheckInput, _ *Measurement) { pinOf(in, 5).MaxI = 10e-3 }, func(in *CheckInput, _ *Measurement) { pinOf(in, 5).MaxI = 21e-3 }},
		{CodeReturnCurrent, SeverityError, 4, "measurements[0].hold",
			func(in *CheckInput, m *Measurement) { pinOf(in, 4).MaxI = 10e-3; hold(m, Hold{Pin: 4, Use: UseReturn}) },
			func(in *CheckInput, m *Measurement) { pinOf(in, 4).MaxI = 10e-3 }},
		{CodeNoReturn, SeverityError, 1, "measurements[0].against", floating(0), floating(2)},
		{CodeThrough, SeverityWarning, 3, "measurements[0].hold", through(4), through(6)},
		{CodeOverpowered, SeverityError, 2, "measurements[1].compliance",
			func(in *CheckInput, _ *Measurement) {
				pinOf(in, 2).MaxI = 1e-3
				in.Procedure.Measurements[1].Compliance = 4
			},
			func(in *CheckInput, _ *Measurement) { pinOf(in, 2).MaxI = 1e-3 }},
		{CodeStrapVoltage, SeverityError, 4, "pinMap.straps[0].resistance",
			func(in *CheckInput, _ *Measurement) {
				pinOf(in, 4).MaxV = 4.9
				pinOf(in, 4).Clamp = 0
				strapped(in, 1, 4, 1e6)
			},
			func(in *CheckInput, _ *Measurement) { strapped(in, 1, 4, 1e6) }},
		{CodeStrapCurrent, SeverityError, 4, "pinMap.straps[0].resistance",
			func(in *CheckInput, _ *Measurement) { pinOf(in, 4).MaxI = 1e-3; strapped(in, 4, 0, 1e3) },
			func(in *CheckInput, _ *Measurement) { pinOf(in, 4).MaxI = 1e-3; strapped(in, 4, 0, 10e3) }},
		{CodeStrapPower, SeverityWarning, 6, "pinMap.straps[0].resistance",
			func(in *CheckInput, _ *Measurement) { bigSupply(in); strapped(in, 6, 0, 90) },
			func(in *CheckInput, _ *Measurement) { bigSupply(in); strapped(in, 6, 0, 1e3) }},
		{CodePathCurrent, SeverityError, 6, "measurements[0].compliance",
			func(in *CheckInput, _ *Measurement) { fuse(in, 10e-3) }, func(in *CheckInput, _ *Measurement) { fuse(in, 25e-3) }},
		{CodePartPower, SeverityWarning, 0, "measurements[0].compliance",
			func(in *CheckInput, _ *Measurement) {
				bigSupply(in)
				in.Device.Power[0].Limit = 110e-3
				pinOf(in, 6).MaxI = 0.2
				wider(in)
			},
			func(in *CheckInput, _ *Measurement) { bigSupply(in); wider(in) }},
		{CodePinMap, SeverityError, 0, "pinMap.contacts",
			func(in *CheckInput, _ *Measurement) { in.PinMap = nil }, func(*CheckInput, *Measurement) {}},
		{CodeClash, SeverityError, 1, "measurements[0].pins",
			func(in *CheckInput, m *Measurement) { m.Pins = []int{1}; crowd(m, 2, 4, 5) },
			func(in *CheckInput, m *Measurement) { m.Pins = []int{1}; crowd(m, 2, 4) }},
		{CodeNoPath, SeverityError, 1, "measurements[0].pins",
			func(in *CheckInput, _ *Measurement) {
				in.PinMap.Straps = []bench.Strap{{Contact: 1, Kind: bench.StrapReturn}}
			}, func(*CheckInput, *Measurement) {}},
		{CodeSettle, SeverityWarning, 1, "measurements[0].settle.time",
			func(_ *CheckInput, m *Measurement) { m.Settle.Time = 10e-3 }, func(_ *CheckInput, m *Measurement) { m.Settle.Time = 15e-3 }},
		{CodePrecision, SeverityWarning, 1, "measurements[0].limits.high", limited(1e-9), limited(40e-9)},
		{CodePrecision, SeverityError, 1, "measurements[0].limits.high", limited(0.2e-9), limited(40e-9)},
		{CodeUntouched, SeverityNote, 5, "measurements",
			func(_ *CheckInput, m *Measurement) { m.Pins = []int{1} }, func(*CheckInput, *Measurement) {}},
		{CodeDuplicate, SeverityNote, 0, "measurements[3].id", repeated(5), repeated(4)},
		{CodeNothingEnabled, SeverityError, 0, "measurements",
			func(in *CheckInput, _ *Measurement) {
				for i := range in.Procedure.Measurements {
					in.Procedure.Measurements[i].Disabled = true
				}
			}, func(*CheckInput, *Measurement) {}},
	} {
		t.Run(tc.code+"/"+string(tc.severity)+"/"+tc.field, func(t *testing.T) {
			in, m := checked()
			tc.bad(in, m)
			r := PrePower(*in)
			i := slices.IndexFunc(r.Findings, func(f Finding) bool {
				return f.Code == tc.code && f.Severity == tc.severity && slices.Contains(f.Fields, tc.field) &&
					(tc.pin == 0 || slices.Contains(f.Pins, tc.pin))
			})
			if i < 0 {
				t.Fatalf("not found in %s", list(r))
			}
			if f := r.Findings[i]; tc.pin > 0 && !strings.Contains(f.Message, fmt.Sprint(tc.pin)) {
				t.Errorf("%q does not name pin %d", f.Message, tc.pin)
			}
			in, m = checked()
			tc.mended(in, m)
			r = PrePower(*in)
			if slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Code == tc.code && f.Severity == tc.severity }) {
				t.Errorf("mended: %s", list(r))
			}
		})
	}
}

func list(r CheckReport) string {
	var out strings.Builder
	for _, f := range r.Findings {
		fmt.Fprintf(&out, "\n%s %s pins %v fields %v: %s", f.Severity, f.Name(), f.Pins, f.Fields, f.Message)
	}
	return out.String()
}

func pinOf(in *CheckInput, n int) *dut.Pin {
	return &in.Device.Pins[slices.IndexFunc(in.Device.Pins, func(p dut.Pin) bool { return p.Number == n })]
}

func onlyFirst(in *CheckInput) { in.Procedure.Measurements = in.Procedure.Measurements[:1] }

// pushing forces 10 mA into an output, beside one that is rated to 6 V.
func pushing(in *CheckInput) {
	m := base("output-level")
	m.Pins, m.Level, m.Compliance, m.Powered, m.Settle = []int{2}, 10e-3, 6.5, true, Settle{Time: 30e-3}
	pinOf(in, 4).MaxV = 6
	in.Procedure.Measurements = []Measurement{m}
}

// secondSupply makes pin 2 a supply that pin 6 may not rise above.
func secondSupply(in *CheckInput) {
	*pinOf(in, 2) = dut.Pin{Number: 2, Name: "VDD", Function: dut.Supply, MinV: -0.5, MaxV: 7, MaxI: 50e-3}
	pinOf(in, 6).Clamp, pinOf(in, 6).AboveClamp = 2, 0.3
	in.Device.Power = []dut.PowerStep{{Pin: 2, Level: 5, Limit: 5e-3}, {Pin: 6, Level: 5, Limit: 5e-3}}
	onlyFirst(in)
}

// floating forces 0 A on a pin of a part without a ground, against another or none.
func floating(against int) func(*CheckInput, *Measurement) {
	return func(in *CheckInput, _ *Measurement) {
		in.Device = networkDevice()
		m := base("voltage")
		m.Pins, m.Compliance, m.Settle = []int{1}, 2, Settle{Time: 30e-3}
		if against > 0 {
			m.Hold = []Hold{{Pin: against, Use: UseReturn}}
		}
		in.Procedure = &Procedure{Key: "check", Name: "Check", Device: "network", Measurements: []Measurement{m}}
		in.PinMap.Contacts = map[int]int{1: 1, 2: 2, 3: 3, 4: 4}
	}
}

// through forces 5 V beside an open pin of the given rating.
func through(rating float64) func(*CheckInput, *Measurement) {
	return func(in *CheckInput, m *Measurement) {
		floating(2)(in, m)
		pinOf(in, 3).MaxV = rating
		n := base("sweep")
		n.Pins, n.Against, n.Use, n.Compliance = []int{1}, 2, UseVoltage, 1e-3
		n.Sweep = &Sweep{Spacing: Linear, From: 0, To: 5, Points: 3}
		in.Procedure.Measurements = []Measurement{n}
	}
}

func bigSupply(in *CheckInput) {
	in.Device.Power[0].Limit = 60e-3
	for i := range in.Device.Pins {
		in.Device.Pins[i].MaxI = 0.2
	}
}

// wider gives the bench a range for the large supply.
func wider(in *CheckInput) {
	for i := range in.Bench.Channels {
		ch := &in.Bench.Channels[i]
		r := bench.Range{FullScale: 1, Step: 1e-6, LoopTime: 20e-6}
		ch.ForceI, ch.SenseI = append(ch.ForceI, r), append(ch.SenseI, r)
	}
}

func fuse(in *CheckInput, amps float64) {
	for i := range in.Bench.Paths {
		in.Bench.Paths[i].MaxCurrent = amps
	}
}

// crowd holds pins at voltages, one channel each.
func crowd(m *Measurement, pins ...int) {
	for i, n := range pins {
		m.Hold = append(m.Hold, Hold{Pin: n, Use: UseVoltage, Level: float64(i), Compliance: 1e-4})
	}
}

func limited(bound float64) func(*CheckInput, *Measurement) {
	return func(_ *CheckInput, m *Measurement) {
		low := -bound
		m.Limits = map[string]Limit{"high": {&low, &bound}}
	}
}

// repeated appends the first measurement again, at a level of its own.
func repeated(level float64) func(*CheckInput, *Measurement) {
	return func(in *CheckInput, m *Measurement) {
		again := *m
		again.ID, again.Name, again.Level = "again", "Again", level
		in.Procedure.Measurements = append(in.Procedure.Measurements, again)
	}
}

// TestPredictedUncertainty: a prediction is what a run would state, and
// the contributions of its budget in quadrature, times its factor, are its U (GUM
// 4.3.7 and 5.1.2). Range and switches make the most of it.
func TestPredictedUncertainty(t *testing.T) {
	in, _ := checked()
	r := PrePower(*in)
	sense := in.Bench.Channels[0].SenseI[0]
	uc := math.Sqrt(math.Pow(sense.Offset, 2)/3 + math.Pow(sense.Step, 2)/12 + math.Pow(sense.Noise, 2))
	got := r.Measurements[0].Predictions[0]
	if got.U < 1.645*uc || got.U > 8*uc {
		t.Errorf("U %g, by the range alone the standard uncertainty is %g", got.U, uc)
	}
	var sum float64
	for _, l := range got.Budget.Lines {
		sum += l.Contribution * l.Contribution
	}
	want := got.K * math.Sqrt(sum)
	if math.Abs(got.U-want) > 1e-9*want {
		t.Errorf("U %g, of its budget %g", got.U, want)
	}
	if ratio := 200e-9 / (2 * want); math.Abs(got.Ratio-ratio) > 1e-9*ratio {
		t.Errorf("ratio %g, by hand %g", got.Ratio, ratio)
	}
}

// TestReachIsVerified: what is said to reach four to one does.
func TestReachIsVerified(t *testing.T) {
	in, m := checked()
	m.Compliance = 10e-3 // a range far too coarse for 100 nA
	found := PrePower(*in)
	f := found.Errors()
	if len(f) == 0 || !strings.Contains(f[0].Message, "a compliance of 100 µA") {
		t.Fatalf("%+v", f)
	}
	m.Compliance = 100e-6
	if r := PrePower(*in); len(r.Errors())+len(r.Warnings()) > 0 {
		t.Errorf("%s", list(r))
	}
}

// TestConditionsAreChecked: a supply level of a condition is held against the
// ratings as its power step would be.
func TestConditionsAreChecked(t *testing.T) {
	in, _ := checked()
	in.Procedure.Conditions = []Condition{{Supplies: []SupplyLevel{{Pin: 6, Level: 5}}}, {Supplies: []SupplyLevel{{Pin: 6, Level: 4}}}}
	r := PrePower(*in)
	i := slices.IndexFunc(r.Findings, func(f Finding) bool { return f.Code == CodeAboveClamp })
	if i < 0 || r.Findings[i].Measurement != 0 || r.Findings[i].ID == "m1" {
		t.Errorf("5 V on an input at 4 V: %s", list(r))
	}
}

// TestSettleRule: seven time constants leave less than a part in a thousand
// (exp(-7), the table of settling errors); three leave a twentieth.
func TestSettleRule(t *testing.T) {
	for _, tc := range []struct{ constants, left float64 }{{settleConstants, 9.118819656e-4}, {sideConstants, 4.978706837e-2}} {
		if got := math.Exp(-tc.constants); math.Abs(got-tc.left) > 1e-9*tc.left*10 {
			t.Errorf("%g constants leave %g, the table says %g", tc.constants, got, tc.left)
		}
	}
}
