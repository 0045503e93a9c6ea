package dut

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func amplifier() Device {
	return Device{
		Key: "amplifier", Name: "Amplifier", Package: Package{Family: SingleRow, Pins: 4},
		Pins: []Pin{
			{Number: 1, Name: "VP", Function: Supply, MinV: -0.3, MaxV: 12, MaxI: 0.1},
			{Number: 2, Name: "IN", Function: Input, Clamp: 1, MinV: -0.3, MaxV: 12, AboveClamp: 0.3, MaxI: 0.01},
			{Number: 3, Name: "GND", Function: Ground, MaxI: 0.1},
			{Number: 4, Name: "OUT", Function: Output, MinV: -0.3, MaxV: 12, MaxI: 0.02},
		},
		Power: []PowerStep{{Pin: 1, Level: 5, Limit: 0.05, Ramp: 0.01, Delay: 0.02}},
	}
}

func TestValidate(t *testing.T) {
	good := amplifier()
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name, field string
		set         func(*Device)
	}{
		{"key with a space", "key", func(d *Device) { d.Key = "an amplifier" }},
		{"key too long", "key", func(d *Device) { d.Key = strings.Repeat("a", 65) }},
		{"no name", "name", func(d *Device) { d.Name = "  " }},
		{"name too long", "name", func(d *Device) { d.Name = strings.Repeat("é", 121) }},
		{"description not text", "description", func(d *Device) { d.Description = "\xff" }},
		{"no such family", "package.family", func(d *Device) { d.Package.Family = "round" }},
		{"too many pins", "package.pins", func(d *Device) { d.Package.Pins = 49 }},
		{"odd dual row", "package.pins", func(d *Device) { d.Package = Package{Family: DualRow, Pins: 7} }},
		{"quad not of four", "package.pins", func(d *Device) { d.Package = Package{Family: Quad, Pins: 6} }},
		{"pin missing", "pins", func(d *Device) { d.Pins = d.Pins[:3] }},
		{"pin number outside", "pins[3].number", func(d *Device) { d.Pins[3].Number = 5 }},
		{"pin twice", "pins[3].number", func(d *Device) { d.Pins[3].Number = 2 }},
		{"pin without a name", "pins[1].name", func(d *Device) { d.Pins[1].Name = "" }},
		{"no such function", "pins[1].function", func(d *Device) { d.Pins[1].Function = "radio" }},
		{"clamp to no supply", "pins[1].clamp", func(d *Device) { d.Pins[1].Clamp = 4 }},
		{"clamp to itself", "pins[0].clamp", func(d *Device) { d.Pins[0].Clamp = 1 }},
		{"below its clamp", "pins[1].aboveClamp", func(d *Device) { d.Pins[1].AboveClamp = -0.1 }},
		{"no such logic family", "pins[1].logic", func(d *Device) { d.Pins[1].Logic = "steam" }},
		{"more columns than pins", "package.columns", func(d *Device) { d.Package = Package{Family: Grid, Pins: 4, Columns: 5} }},
		{"rating NaN", "pins[1].minV", func(d *Device) { d.Pins[1].MinV = nan }},
		{"rating above the bench", "pins[1].maxV", func(d *Device) { d.Pins[1].MaxV = 61 }},
		{"ratings crossed", "pins[1].minV", func(d *Device) { d.Pins[1].MinV = 13 }},
		{"current NaN", "pins[1].maxI", func(d *Device) { d.Pins[1].MaxI = nan }},
		{"power to no supply", "power[0].pin", func(d *Device) { d.Power[0].Pin = 2 }},
		{"power twice", "power[1].pin", func(d *Device) { d.Power = append(d.Power, d.Power[0]) }},
		{"level above the rating", "power[0].level", func(d *Device) { d.Power[0].Level = 13 }},
		{"level NaN", "power[0].level", func(d *Device) { d.Power[0].Level = nan }},
		{"no limit", "power[0].limit", func(d *Device) { d.Power[0].Limit = 0 }},
		{"endless ramp", "power[0].ramp", func(d *Device) { d.Power[0].Ramp = inf }},
		{"negative delay", "power[0].delay", func(d *Device) { d.Power[0].Delay = -1 }},
	} {
		d := amplifier()
		c.set(&d)
		var ps Problems
		if err := d.Validate(); !errors.As(err, &ps) {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		found := false
		for _, p := range ps {
			found = found || p.Field == c.field && p.Message != ""
		}
		if !found {
			t.Errorf("%s: nothing at %s: %v", c.name, c.field, ps)
		}
	}
}

func TestPins(t *testing.T) {
	d := amplifier()
	if p, ok := d.Pin(3); !ok || p.Label() != "3 GND" {
		t.Errorf("%+v", p)
	}
	if _, ok := d.Pin(9); ok {
		t.Error("pin 9 of 4")
	}
	if diff := cmp.Diff([]int{1, 3}, d.PinsOf(Ground, Supply)); diff != "" {
		t.Error(diff)
	}
}

func TestParseDevice(t *testing.T) {
	d := amplifier()
	a, err := d.Canonical()
	if err != nil {
		t.Fatal(err)
	}
	e, err := ParseDevice(a)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(d, e); diff != "" {
		t.Error(diff)
	}
	for name, text := range map[string]string{
		"empty": ``, "broken": `{`, "unknown field": `{"pins":[{"numbre":1}]}`, "more after it": `{}{}`,
		"huge number": `{"pins":[{"maxV":1e400}]}`, "not UTF-8": "{\"key\":\"\xff\"}",
		"too large": `{"key":"` + strings.Repeat("a", MaxJSON) + `"}`,
	} {
		if _, err := ParseDevice([]byte(text)); err == nil {
			t.Errorf("%s was read", name)
		}
	}
	d.Pins[0].MaxV = math.NaN()
	if _, err := d.Canonical(); err == nil {
		t.Error("NaN was written")
	}
}

func FuzzParseDevice(f *testing.F) {
	d := amplifier()
	seed, _ := d.Canonical()
	f.Add(seed)
	f.Add([]byte(`{"package":{"family":"quad","pins":-4},"pins":[{"number":-1}],"power":[{"pin":3,"level":-1e300}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := ParseDevice(data)
		if err != nil {
			return
		}
		a, err := d.Canonical()
		if err != nil {
			t.Fatalf("read but not written: %v", err)
		}
		e, err := ParseDevice(a)
		if err != nil {
			t.Fatalf("written but not read: %v", err)
		}
		if b, _ := e.Canonical(); string(a) != string(b) {
			t.Fatalf("not canonical:\n%s\n%s", a, b)
		}
		_ = d.Validate() // says what is wrong, never panics
	})
}
