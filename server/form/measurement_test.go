package form

import (
	"fmt"
	"net/url"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// A form that is saved untouched changes nothing: for each measurement of the
// demonstration lab, each draft and each kind's beginning.
func TestMeasurementFormRoundTrip(t *testing.T) {
	docs := demo.Scenario()
	devices := map[string]*dut.Device{}
	for i := range docs.Devices {
		devices[docs.Devices[i].Key] = &docs.Devices[i]
	}
	check := func(m procedure.Measurement, d *dut.Device) {
		t.Helper()
		k, _ := procedure.KindByKey(m.Kind)
		f := MeasurementValues(&m, k)
		got, ps := CheckMeasurement(f, procedure.Measurement{ID: m.ID, Kind: m.Kind, At: m.At}, k, d)
		if len(ps) > 0 && len(k.Validate(&m, d)) == 0 {
			t.Errorf("%s %s: %v", d.Key, m.ID, ps)
		}
		one, two := procedure.Procedure{Measurements: []procedure.Measurement{m}}, procedure.Procedure{Measurements: []procedure.Measurement{got}}
		a, _ := one.Canonical()
		b, _ := two.Canonical()
		if string(a) != string(b) {
			t.Errorf("%s %s came back as\n%s\nnot\n%s", d.Key, m.ID, b, a)
		}
	}
	n := 0
	for _, p := range docs.Procedures {
		for _, m := range p.Measurements {
			check(m, devices[p.Device])
			n++
		}
	}
	for _, d := range devices {
		draft, _ := procedure.Draft(d, nil, nil)
		for _, m := range draft.Measurements {
			check(m, d)
		}
		for _, k := range procedure.Kinds() {
			check(k.Default(d), d)
		}
	}
	if n < 30 {
		t.Fatalf("only %d measurements", n)
	}
}

// Any value of a field comes back to the last digit.
func TestMeasurementFormValues(t *testing.T) {
	d := demo.Scenario().Devices[0]
	k, _ := procedure.KindByKey("sweep")
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(-10, 10)
		low, high := value.Draw(t, "low"), value.Draw(t, "high")
		m := procedure.Measurement{ID: "x", Name: "X", Kind: "sweep", Pins: rapid.SliceOfNDistinct(rapid.IntRange(1, 14), 1, 8, rapid.ID).Draw(t, "pins"),
			Use:        rapid.SampledFrom([]procedure.Use{procedure.UseVoltage, procedure.UseCurrent}).Draw(t, "use"),
			Compliance: rapid.Float64Range(1e-9, 10).Draw(t, "compliance"), Powered: rapid.Bool().Draw(t, "powered"),
			Sweep:    &procedure.Sweep{Spacing: procedure.Linear, From: value.Draw(t, "from"), To: value.Draw(t, "to"), Points: rapid.IntRange(2, 999).Draw(t, "points"), Back: rapid.Bool().Draw(t, "back")},
			Hold:     []procedure.Hold{{Pin: 3, Use: procedure.UseCurrent, Level: value.Draw(t, "hold"), Compliance: 1.5, Kelvin: true}, {Pin: 4, Use: procedure.UseReturn}},
			Settle:   procedure.Settle{Time: rapid.Float64Range(0, 60).Draw(t, "settle"), UntilStable: true, Tolerance: 1e-3, Within: 2},
			Aperture: procedure.Aperture{Seconds: rapid.Float64Range(1e-6, 1).Draw(t, "aperture")},
			Limits:   map[string]procedure.Limit{"minimum": {Low: &low}, "resistance": {High: &high}},
		}
		got, _ := CheckMeasurement(MeasurementValues(&m, k), procedure.Measurement{ID: "x", Kind: "sweep"}, k, &d)
		if !reflect.DeepEqual(got, m) {
			t.Fatalf("%+v came back as %+v", m, got)
		}
	})
}

// What a person types, how it is understood, and where the message stands.
func TestMeasurementFormBad(t *testing.T) {
	d := demo.Scenario().Devices[0] // six inverters, 14 pins
	k, _ := procedure.KindByKey("leakage")
	m := k.Default(&d)
	for _, c := range []struct{ field, text, says string }{
		{"pins", "1-6, 99", "pin 99 is not on the device"},
		{"pins", "1-x", "no pin"},
		{"pins", "1, 1", "twice"},
		{"pins", "", "at least one"},
		{"pins", "GND", "ground"},
		{"compliance", "10 V", "voltage"},
		{"compliance", "1e400", "large"},
		{"compliance", "NaN", "not a finite number"},
		{"level", "5 mA", "current"},
		{"level", "99 V", "rating"},
		{"settle.time", "-1 s", "must be"},
		{"aperture.cycles", "one", "not a number"},
		{"limits.high.high", "1 kV", "voltage"},
		{"repeats", "three", "whole number"},
		{"retest", "x", "whole number"},
		{"name", " ", "empty"},
		{"rest", "nowhere", "not one of"},
	} {
		t.Run(c.field+" "+c.text, func(t *testing.T) {
			f := MeasurementValues(&m, k)
			f.Set(c.field, c.text)
			_, ps := CheckMeasurement(f, m, k, &d)
			said := ""
			for _, p := range ps {
				if p.Field == c.field {
					said += p.Message + "; "
				}
			}
			if !strings.Contains(said, c.says) {
				t.Errorf("beside %s stands %q, not %q; all: %v", c.field, said, c.says, ps)
			}
		})
	}
}

// A time that is left empty is that of the measurement that the form is laid over,
// and is named as left out; one of nothing is a time.
func TestTimesLeftEmpty(t *testing.T) {
	d := demo.Scenario().Devices[0]
	k, _ := procedure.KindByKey("leakage")
	m := k.Default(&d)
	m.Settle = procedure.Settle{Time: 0.123, UntilStable: true, Tolerance: 1e-3, Within: 2}
	m.Aperture = procedure.Aperture{Cycles: 5}
	for _, c := range []struct {
		set    map[string]string
		settle float64
		of     procedure.Aperture
		left   procedure.LeftOut
	}{
		{map[string]string{"settle.time": "0 s"}, 0, m.Aperture, procedure.LeftOut{}},
		{map[string]string{"settle.time": " "}, 0.123, m.Aperture, procedure.LeftOut{Settle: true}},
		{map[string]string{"aperture.cycles": ""}, 0.123, m.Aperture, procedure.LeftOut{Aperture: true}},
		{map[string]string{"aperture": "seconds"}, 0.123, m.Aperture, procedure.LeftOut{Aperture: true}},
		{map[string]string{"aperture": "seconds", "aperture.seconds": "2 ms"}, 0.123, procedure.Aperture{Seconds: 2e-3}, procedure.LeftOut{}},
	} {
		f := MeasurementValues(&m, k)
		for name, v := range c.set {
			f.Set(name, v)
		}
		got, ps := CheckMeasurement(f, m, k, &d)
		if len(ps) > 0 {
			t.Errorf("%v: %v", c.set, ps)
		}
		want := m.Settle
		want.Time = c.settle
		if got.Settle != want || got.Aperture != c.of || TimesLeftOut(f) != c.left {
			t.Errorf("%v: %+v, %+v, left out %+v", c.set, got.Settle, got.Aperture, TimesLeftOut(f))
		}
	}
}

// Rows of conditions may be left empty anywhere: those that are filled move
// together, so that the message of one stands beside it.
func TestHoldRows(t *testing.T) {
	d := demo.Scenario().Devices[0]
	k, _ := procedure.KindByKey("leakage")
	m := k.Default(&d)
	m.Pins = []int{1}
	f := MeasurementValues(&m, k)
	f.Set("hold[1].pin", "3")
	f.Set("hold[1].use", "voltage")
	f.Set("hold[1].level", "1 V")
	f.Set("hold[1].compliance", "1 mA")
	f.Set("hold[5].pin", "5")
	f.Set("hold[5].use", "voltage")
	f.Set("hold[5].level", "lots")
	got, ps := CheckMeasurement(f, m, k, &d)
	if len(got.Hold) != 2 || got.Hold[0].Level != 1 || got.Hold[1].Pin != 5 {
		t.Fatalf("read %+v", got.Hold)
	}
	if len(ps) == 0 || ps[0].Field != "hold[1].level" || f.Get("hold[1].level") != "lots" || f.Has("hold[5].pin") {
		t.Errorf("problems %v with the form %v", ps, f)
	}
}

func TestPinsText(t *testing.T) {
	d := demo.Scenario().Devices[0]
	for text, want := range map[string]string{
		"1-6, 8": "1-6, 8", "6-1": "6, 5, 4, 3, 2, 1", "1 2 3": "1-3", "vcc": "14", "1;2\n3": "1-3", "8–10": "8-10", " ": "",
	} {
		got, err := ParsePins(text, &d)
		if err != nil || PinsText(got) != want {
			t.Errorf("%q is %q, %v; want %q", text, PinsText(got), err, want)
		}
	}
}

// FuzzParsePins: whatever is typed, the pins are on the device, and writing them
// gives the same pins again.
func FuzzParsePins(f *testing.F) {
	for _, s := range []string{"1-6, 8", "VCC", "1..3", "9-", "-", "1-99999999999", "1,,,2", "\x00", "6–2 4"} {
		f.Add(s)
	}
	d := demo.Scenario().Devices[0]
	f.Fuzz(func(t *testing.T, text string) {
		pins, err := ParsePins(text, &d)
		if err != nil {
			return
		}
		for _, n := range pins {
			if _, ok := d.Pin(n); !ok {
				t.Fatalf("%q names pin %d", text, n)
			}
		}
		again, err := ParsePins(PinsText(pins), &d)
		if err != nil || fmt.Sprint(again) != fmt.Sprint(pins) {
			t.Fatalf("%v is written %q and read %v, %v", pins, PinsText(pins), again, err)
		}
	})
}

// FuzzMeasurementForm: no form makes the reader fail, and what it accepts is
// valid and comes back from its own form.
func FuzzMeasurementForm(f *testing.F) {
	f.Add("sweep", "use=voltage&sweep.spacing=log&sweep.from=1&sweep.to=2&sweep.points=3&pins=1&compliance=1m&settle.time=1&aperture.cycles=1&name=x")
	f.Add("contact", "pins=1-3&level=100u&compliance=2&aperture=seconds&aperture.seconds=1m&name=x&hold[47].pin=1")
	f.Add("watch", "hold[0].pin=&hold[1].pin=2&limits.mean.low=1e999")
	d := demo.Scenario().Devices[0]
	f.Fuzz(func(t *testing.T, kind, body string) {
		k, ok := procedure.KindByKey(kind)
		values, err := url.ParseQuery(body)
		if !ok || err != nil {
			return
		}
		m, ps := CheckMeasurement(values, procedure.Measurement{ID: "x", Kind: kind}, k, &d)
		if len(ps) > 0 {
			return
		}
		again, ps := CheckMeasurement(MeasurementValues(&m, k), procedure.Measurement{ID: "x", Kind: kind}, k, &d)
		if len(ps) > 0 || !reflect.DeepEqual(again, m) {
			t.Fatalf("%+v came back as %+v, %v", m, again, ps)
		}
	})
}
