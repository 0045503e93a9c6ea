package procedure

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
)

// readImagined feeds a kind's deriver with the readings of a made-up part.
func readImagined(k Kind, m *Measurement, d *dut.Device, part Part, a accuracy) []Result {
	der, sense := k.Derive(m, d, Rule{Guard: 1}), a.sense()
	index := uint32(0)
	for pt := range k.Points(m, d) {
		var flags bench.Flags
		if pt.Auxiliary {
			flags = bench.Auxiliary
		}
		for range pt.Count {
			for _, pin := range pt.Read {
				h := holdAt(pt.Hold, pin)
				v, i := part(&pt, pin, bench.Setup{Mode: h.Use.Mode(), Level: h.Level, Compliance: h.Compliance})
				der.Add(Observation{Sense: sense, Reading: bench.Reading{
					T: int64(index+1) * 1e7, Point: index, Group: pt.Group, Pin: uint8(pin), Set: h.Level, V: v, I: i, Flags: flags}})
			}
		}
		index++
	}
	return der.Results()
}

// imaginable are measurements with a value for each of their results, such as a
// part may have.
func imaginable() []imaginedCase {
	inverters, network := inverterDevice(), networkDevice()
	of := func(k Kind, d *dut.Device, change func(m *Measurement), values map[string]float64) imaginedCase {
		m := k.Default(d)
		if change != nil {
			change(&m)
		}
		return imaginedCase{k, d, m, values}
	}
	voltage := func(m *Measurement) {
		m.Use, m.Compliance, m.Sweep = UseVoltage, 10e-3, &Sweep{Spacing: Linear, From: 0.1, To: 1, Points: 91}
	}
	return []imaginedCase{
		of(contactKind, inverters, nil, map[string]float64{"upper": 0.6, "lower": -0.6}),
		of(shortsKind, inverters, nil, map[string]float64{"current": 3e-6, "resistance": 470}),
		of(leakageKind, inverters, nil, map[string]float64{"high": 12e-9, "low": -3e-9}),
		of(supplyCurrentKind, inverters, nil, map[string]float64{"current": 1.7e-3}),
		of(outputLevelKind, inverters, nil, map[string]float64{"unloaded": 4.9, "loaded": 4.6, "output-resistance": 65}),
		of(thresholdKind, inverters, nil, map[string]float64{"rising": 2.71, "falling": 1.63, "hysteresis": 1.08}),
		of(resistanceKind, network, nil, map[string]float64{"resistance": 1234.5}),
		of(resistanceKind, network, func(m *Measurement) { m.Method = CurrentReversal }, map[string]float64{"resistance": 12.5, "offset": 40e-6}),
		of(resistanceKind, network, func(m *Measurement) { m.Use, m.Level, m.Compliance = UseVoltage, 0.5, 10e-3 }, map[string]float64{"resistance": 987}),
		of(voltageKind, inverters, nil, map[string]float64{"voltage": 3.21}),
		of(sweepKind, network, nil, map[string]float64{"resistance": 330, "resistance-origin": 330, "resistance-start": 330, "resistance-middle": 330,
			"resistance-end": 330, "conductance": 1e-3, "minimum": 0.4, "maximum": 0.4, "ideality": 1.3, "saturation-current": 3e-14, "series-resistance": 12}),
		of(sweepKind, network, voltage, map[string]float64{"resistance": 220, "conductance": 2e-3, "minimum": 5e-6, "maximum": 5e-6, "intercept": 1e-4}),
		of(watchKind, inverters, nil, map[string]float64{"mean": 4.7, "minimum": 4.7, "maximum": 4.7}),
		of(soakKind, inverters, nil, map[string]float64{"drawn": 2e-6}),
	}
}

type imaginedCase struct {
	kind   Kind
	d      *dut.Device
	m      Measurement
	values map[string]float64 // of each result
}

// A made-up part gives the result that it was made up for: a prediction is of
// the result that the limits are about, and of no other.
func TestImaginedPartsHaveTheirValue(t *testing.T) {
	table(t, soakKind)
	told := map[string]bool{}
	for _, c := range imaginable() {
		for key, x := range c.values {
			m := c.m.Clone()
			m.Limits = map[string]Limit{key: limits(x-math.Abs(x)/10, x+math.Abs(x)/10)}
			if ps := c.kind.Validate(&m, c.d); len(ps) > 0 {
				t.Fatalf("%s: %v", c.kind.Key(), ps)
			}
			part := c.kind.Imagine(&m, c.d, key, m.Limits[key].middle())
			if part.Part == nil {
				t.Errorf("%s, %s: no part: %s", c.kind.Key(), key, part.Why)
				continue
			}
			n := 0
			for _, r := range readImagined(c.kind, &m, c.d, part.Part, accuracy{uv: 1e-7, ui: 1e-13}) {
				if r.Key != key {
					continue
				}
				n++
				told[c.kind.Key()+" "+key] = true
				// A threshold is found between two levels, a diode by a fit.
				tol := 1e-6
				if c.kind == Kind(thresholdKind) || slices.Contains([]string{"ideality", "saturation-current", "series-resistance"}, key) {
					tol = 1e-2
				}
				if math.Abs(r.Value-x) > tol*math.Abs(x) {
					t.Errorf("%s: %s is %g, made up as %g", c.kind.Key(), key, r.Value, x)
				}
			}
			if n == 0 {
				t.Errorf("%s: the part made up for %s gives no such result", c.kind.Key(), key)
			}
		}
	}
	for _, k := range Kinds() {
		for _, o := range k.Outputs() {
			m := k.Default(inverterDevice())
			m.Limits = map[string]Limit{o.Key: limits(0.4, 0.6)}
			if m.Sweep == nil && k == Kind(sweepKind) {
				t.Fatal("a sweep without levels")
			}
			if x := k.Imagine(&m, inverterDevice(), o.Key, 0.5); x.Part != nil && !told[k.Key()+" "+o.Key] {
				t.Errorf("%s: %s is imagined, and this test holds no value for it", k.Key(), o.Key)
			}
		}
	}
}

// A resistor made up for any value obeys Ohm's law at any level, whichever
// quantity is forced.
func TestOhmicPart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, off := rapid.Float64Range(1e-3, 1e9).Draw(t, "r"), rapid.Float64Range(-1, 1).Draw(t, "offset")
		level := rapid.Float64Range(-10, 10).Draw(t, "level")
		part := ohmic(r, off)
		for _, mode := range []bench.Mode{bench.ForceCurrent, bench.ForceVoltage} {
			v, i := part(nil, 1, bench.Setup{Mode: mode, Level: level})
			forced := i
			if mode == bench.ForceVoltage {
				forced = v
			}
			if forced != level || math.Abs(v-(r*i+off)) > 1e-9*(math.Abs(v)+math.Abs(off)) {
				t.Fatalf("%g Ω and %g V at %g: %g V, %g A", r, off, level, v, i)
			}
		}
	})
	if v, i := ohmic(0, 0)(nil, 1, bench.Setup{Mode: bench.ForceVoltage, Level: 1}); v != 1 || i != 0 {
		t.Errorf("no resistance at all gives %g V, %g A", v, i)
	}
}

// The diode of the prediction against voltages worked out with many digits:
// testdata of derive, forced-current-voltage.csv (Shockley with series resistance,
// solved by Lambert's W; 300 K rows).
func TestImaginedDiodeReference(t *testing.T) {
	file, err := os.Open("../derive/testdata/diode/forced-current-voltage.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	tried := 0
	for _, row := range rows[1:] {
		is, n, rs, kelvin, i, v := num(row[0]), num(row[1]), num(row[2]), num(row[3]), num(row[4]), num(row[5])
		if kelvin != diodeKelvin || i < 1e-9 {
			continue
		}
		tried++
		m := Measurement{Limits: map[string]Limit{"ideality": limits(n, n), "series-resistance": limits(rs, rs)}}
		part := imagineDiode(&m, "saturation-current", is).Part
		got, _ := part(nil, 1, bench.Setup{Mode: bench.ForceCurrent, Level: i})
		near(t, fmt.Sprintf("V at %g A", i), got, v, 1e-9*v)
		_, back := part(nil, 1, bench.Setup{Mode: bench.ForceVoltage, Level: v})
		near(t, fmt.Sprintf("I at %g V", v), back, i, 1e-7*i)
		turned, _ := part(nil, 1, bench.Setup{Mode: bench.ForceCurrent, Level: -i})
		near(t, "the other way round", turned, -got, 0)
	}
	if tried < 5 {
		t.Fatalf("only %d rows tried", tried)
	}
	for _, m := range []Measurement{{Limits: map[string]Limit{"ideality": limits(-2, -1)}}, {Limits: map[string]Limit{"series-resistance": limits(-2, -1)}}} {
		if x := imagineDiode(&m, "saturation-current", 1e-14); x.Part != nil || x.Why == "" {
			t.Errorf("a diode that cannot be was made up: %+v", m.Limits)
		}
	}
}

// The uncertainty that is predicted is the one that a run on such a part would
// state: with the accuracy of the ranges in use and nothing else.
func TestPredictionIsWhatARunWouldState(t *testing.T) {
	in, m := checked()
	one := PrePower(*in).Measurements[0].Predictions[0]
	ch := in.Bench.Channels[0]
	kind := mustKind(t, m.Kind)
	step, err := NewPlanner(in.Device, in.PinMap, in.Bench).Step(0, m, kind, nil)
	if err != nil {
		t.Fatal(err)
	}
	seg := step.Segments[0]
	i := slices.IndexFunc(seg.Conns, func(c *Conn) bool { return c.Pin == 1 })
	drive := seg.Drives[seg.Conns[i].Drive]
	senseV, _ := bench.RangeFor(ch.SenseV, 5)
	senseI, _ := bench.RangeFor(ch.SenseI, 1e-6)
	_, _ = senseV, drive
	// Half-widths of the offset and of the step, and the noise: Monte Carlo of the
	// three alone gives the interval that leakage and the levels can only widen.
	ui := senseI.StandardUncertainty(0, 1)
	if one.U < 1.6*ui || one.U > 8*ui {
		t.Errorf("U of a leakage in the middle of ±100 nA is %g, by the range alone the standard uncertainty is %g", one.U, ui)
	}
	near(t, "ratio", one.Ratio, 200e-9/(2*one.U), 1e-9)
	if one.Outcome != derive.Pass || math.Abs(one.Value) > 1e-15 {
		t.Errorf("%+v", one)
	}
}

// A limited result that cannot be predicted is named with the reason, and one
// that can is not.
func TestUnpredictedIsSaid(t *testing.T) {
	note := func(change func(m *Measurement)) string {
		in, _ := checked()
		w := base("watch")
		w.Pins, w.Use, w.Level, w.Compliance, w.Powered = []int{2}, UseCurrent, 0, 6, true
		w.Duration, w.Interval, w.Settle = 10, 0.1, Settle{Time: 30e-3}
		change(&w)
		in.Procedure.Measurements = append(in.Procedure.Measurements, w)
		w.ID = "w"
		in.Procedure.Measurements[3].ID = "w"
		var said []string
		for _, f := range PrePower(*in).Findings {
			if f.Code == CodeUnpredicted {
				said = append(said, f.Message)
			}
		}
		return strings.Join(said, "; ")
	}
	for _, c := range []struct {
		says   string
		change func(m *Measurement)
	}{
		{"", func(m *Measurement) { m.Limits = map[string]Limit{"mean": limits(4, 6)} }},
		{"how well Drift per hour will be known cannot be said beforehand: " + whyScatter, func(m *Measurement) { m.Limits = map[string]Limit{"drift": limits(-1, 1)} }},
		{"how well Standard deviation will", func(m *Measurement) { high := 1e-3; m.Limits = map[string]Limit{"sd": {High: &high}} }},
		{"", func(m *Measurement) {}},
	} {
		if got := note(c.change); c.says == "" && got != "" || !strings.Contains(got, c.says) {
			t.Errorf("said %q, want %q", got, c.says)
		}
	}
	in, m := checked()
	m.Repeats = maxRepeats
	if r := PrePower(*in); !strings.Contains(list(r), CodeUnpredicted) && len(r.Measurements[0].Predictions) == 0 {
		t.Errorf("many readings, no prediction, and nothing said: %s", list(r))
	}
}

// Whatever a kind says of its own levels holds for all of its points, for any
// valid measurement.
func TestDrivesHoldsForAnyMeasurement(t *testing.T) {
	for _, k := range []Kind{supplyCurrentKind, sweepKind, watchKind, leakageKind, soakKind} {
		t.Run(k.Key(), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				d := anyDevice(t)
				m := anyMeasurement(t, k, d)
				if len(k.Validate(&m, d)) > 0 {
					return
				}
				for p := range k.Points(&m, d) {
					for _, pin := range p.Read {
						own, h := k.Drives(&m, d, pin), holdAt(p.Hold, pin)
						if !own.allows(&p, h) {
							t.Fatalf("%+v of pin %d, held at %+v", own, pin, h)
						}
					}
				}
			})
		})
	}
}
