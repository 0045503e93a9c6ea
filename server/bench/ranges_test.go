package bench

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestRangeFor(t *testing.T) {
	for _, tc := range []struct {
		value, want float64
		ok          bool
	}{
		{0, 2, true}, {2, 2, true}, {-2, 2, true}, {2.0000001, 20, true}, {-20, 20, true},
		{20.1, 0, false}, {math.NaN(), 0, false}, {math.Inf(1), 0, false},
		{0.2 * 10, 2, true},
	} {
		r, ok := RangeFor(volts, tc.value)
		if ok != tc.ok || r.FullScale != tc.want {
			t.Errorf("%g: range %g %v, want %g %v", tc.value, r.FullScale, ok, tc.want, tc.ok)
		}
	}
}

func TestRangesFor(t *testing.T) {
	c := plainChannel(1)
	for _, tc := range []struct {
		s                     Setup
		force, senseV, senseI float64
		ok                    bool
	}{
		{Setup{Mode: ForceVoltage, Level: 1, Compliance: 1e-4}, 2, 2, 1e-3, true},
		{Setup{Mode: ForceVoltage, Level: 1, Range: 20, Compliance: 1e-4, SenseRange: 0.1}, 20, 20, 0.1, true},
		{Setup{Mode: ForceCurrent, Level: -1e-4, Compliance: 3}, 1e-3, 20, 1e-3, true},
		{Setup{Mode: ForceVoltage, Level: 3, Range: 2, Compliance: 1e-4}, 0, 0, 0, false},
		{Setup{Mode: ForceVoltage, Level: 1, Compliance: 1}, 0, 0, 0, false},
		{Setup{Mode: ForceVoltage, Level: 1}, 0, 0, 0, false},
		{Setup{Mode: ForceVoltage, Level: math.NaN(), Compliance: 1e-4}, 0, 0, 0, false},
	} {
		f, v, i, ok := c.RangesFor(tc.s)
		if ok != tc.ok || ok && (f.FullScale != tc.force || v.FullScale != tc.senseV || i.FullScale != tc.senseI) {
			t.Errorf("%+v: %g %g %g %v", tc.s, f.FullScale, v.FullScale, i.FullScale, ok)
		}
	}
}

// Where a channel says that it keeps its ranges, they are the same at any level.
func TestKeptRangesAreTheSameAtEveryLevel(t *testing.T) {
	kept, moved := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		c := plainChannel(1)
		for _, ranges := range []*[]Range{&c.ForceV, &c.ForceI, &c.SenseV, &c.SenseI} {
			*ranges = nil
			full := 0.0
			for range rapid.IntRange(1, 4).Draw(t, "ranges") {
				full += rapid.Float64Range(0.01, 5).Draw(t, "wider by")
				*ranges = append(*ranges, Range{FullScale: full, Gain: full})
			}
		}
		s := Setup{Mode: rapid.SampledFrom([]Mode{ForceVoltage, ForceCurrent}).Draw(t, "mode"),
			Compliance: rapid.Float64Range(0, 6).Draw(t, "compliance"), SenseRange: rapid.SampledFrom([]float64{0, 1, 4}).Draw(t, "sense range"),
			Range: rapid.SampledFrom([]float64{0, 0.5, 3, 9}).Draw(t, "range"), Level: rapid.Float64Range(-10, 10).Draw(t, "level")}
		other := s
		other.Level = rapid.Float64Range(-10, 10).Draw(t, "other level")
		f1, v1, i1, _ := c.RangesFor(s)
		f2, v2, i2, _ := c.RangesFor(other)
		same := f1 == f2 && v1 == v2 && i1 == i2
		if c.KeepsRanges(s) {
			kept++
			if !same {
				t.Fatalf("%+v: %+v %+v %+v, at %g %+v %+v %+v", s, f1, v1, i1, other.Level, f2, v2, i2)
			}
		} else if !same {
			moved++
		}
	})
	if !testing.Short() && (kept == 0 || moved == 0) { // of the few short draws there may be none
		t.Errorf("%d kept, %d moved: the test shows nothing", kept, moved)
	}
}

// TestStandardUncertainty: a rectangular distribution of half-width a has
// u = a/√3 (GUM 4.3.7); one step wide, s/√12 (the same with a = s/2, GUM
// F.2.2.1, whose example is the resolution of an indicating device: 0.29 s).
func TestStandardUncertainty(t *testing.T) {
	near := func(got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-12*math.Max(1, want) {
			t.Errorf("got %.12g, want %.12g", got, want)
		}
	}
	near(Range{Gain: 0.001, Offset: 0.002}.StandardUncertainty(-4, 1), math.Hypot(0.004, 0.002)/math.Sqrt(3))
	if u := (Range{Step: 1}).StandardUncertainty(3, 1); math.Abs(u-0.29) > 0.002 {
		t.Errorf("a step of 1 gives %g, the guide has 0.29", u)
	}
	near(Range{Noise: 3}.StandardUncertainty(0, 9), 1)
	near(Range{Noise: 3}.StandardUncertainty(0, 0), 3)
	near(Range{Offset: 3 * math.Sqrt(3), Noise: 4}.StandardUncertainty(9, 1), 5)
}

func TestValidate(t *testing.T) {
	good, pm := grid(2, 4)
	pins := []int{1, 2, 3, 4}
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	if err := pm.Validate(good, pins); err != nil {
		t.Fatal(err)
	}
	for field, spoil := range map[string]func(*Definition){
		"key":                    func(d *Definition) { d.Key = "A b" },
		"contacts":               func(d *Definition) { d.Contacts = 49 },
		"lineHz":                 func(d *Definition) { d.LineHz = 55 },
		"switchTime":             func(d *Definition) { d.SwitchTime = math.NaN() },
		"channels[1].id":         func(d *Definition) { d.Channels[1].ID = 1 },
		"channels[0].forceV[1].": func(d *Definition) { d.Channels[0].ForceV = []Range{{FullScale: 2}, {FullScale: 1}} },
		"channels[0].senseI":     func(d *Definition) { d.Channels[0].SenseI = nil },
		"forceV[0].fullScale":    func(d *Definition) { d.Channels[0].ForceV = []Range{{FullScale: 100}} },
		"paths[0].channel":       func(d *Definition) { d.Paths[0].Channel = 9 },
		"paths[1].id":            func(d *Definition) { d.Paths[1].ID = 1 },
		"paths[2].contact":       func(d *Definition) { d.Paths[2].Contact = 5 },
		"paths[1].kelvin":        func(d *Definition) { d.Channels[0].RemoteSense = false },
		"paths[0].resistance":    func(d *Definition) { d.Paths[0].Resistance = -1 },
	} {
		d, _ := grid(2, 4)
		spoil(d)
		if err := d.Validate(); err == nil || !strings.Contains(err.Error(), field) {
			t.Errorf("%s: got %v", field, err)
		}
	}
	for field, spoil := range map[string]func(*PinMap){
		"contacts[3]":          func(m *PinMap) { delete(m.Contacts, 3) },
		"contacts[9]":          func(m *PinMap) { m.Contacts[9] = 1 },
		"contacts[-1]":         func(m *PinMap) { m.Contacts[-1] = 1 },
		"contacts[4]":          func(m *PinMap) { m.Contacts[4] = 3 },
		"contacts[2]":          func(m *PinMap) { m.Contacts[2] = 48 },
		"straps[0].kind":       func(m *PinMap) { m.Straps = []Strap{{Contact: 1, Kind: "glue"}} },
		"straps[0].channel":    func(m *PinMap) { m.Straps = []Strap{{Contact: 1, Kind: StrapChannel, Channel: 7}} },
		"straps[0].resistance": func(m *PinMap) { m.Straps = []Strap{{Contact: 1, Kind: StrapResistor}} },
		"straps[1].contact": func(m *PinMap) {
			m.Straps = []Strap{{Contact: 1, Kind: StrapReturn}, {Contact: 1, Kind: StrapChannel, Channel: 1}}
		},
	} {
		_, m := grid(2, 4)
		spoil(m)
		if err := m.Validate(good, pins); err == nil || !strings.Contains(err.Error(), field) {
			t.Errorf("%s: got %v", field, err)
		}
	}
}

func FuzzParseDefinition(f *testing.F) {
	d, _ := grid(1, 2)
	seed, err := json.Marshal(d)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(seed)
	f.Add([]byte(`{}`))
	f.Add([]byte(`{"contacts":1e400}`))
	f.Add(append(seed, '{'))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := ParseDefinition(data)
		if (d == nil) == (err == nil) {
			t.Fatalf("definition %v with error %v", d, err)
		}
		if err != nil {
			return
		}
		again, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseDefinition(again); err != nil {
			t.Fatalf("not read back: %v", err)
		}
	})
}
