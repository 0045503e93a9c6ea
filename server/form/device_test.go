package form

import (
	"net/url"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
)

// TestDeviceFormIsExact: a device that is opened and saved without an edit is
// the same device.
func TestDeviceFormIsExact(t *testing.T) {
	for _, d := range demo.Scenario().Devices {
		d = d.SortPins()
		got, ps := CheckDevice(DeviceValues(&d))
		if diff := cmp.Diff(d, got); diff != "" || len(ps) > 0 {
			t.Errorf("%s: %v\n%s", d.Key, ps, diff)
		}
	}
}

func TestDeviceFormProblems(t *testing.T) {
	base := func(change func(url.Values)) url.Values {
		d := demo.Scenario().Devices[0]
		v := DeviceValues(&d)
		change(v)
		return v
	}
	for name, c := range map[string]struct {
		change func(url.Values)
		field  string
	}{
		"wrong unit":      {func(v url.Values) { v["maxV"][1] = "5 mA" }, "pins[1].maxV"},
		"not a number":    {func(v url.Values) { v["maxI"][0] = "NaN" }, "pins[0].maxI"},
		"huge":            {func(v url.Values) { v["maxV"][0] = "1e400" }, "pins[0].maxV"},
		"absurd":          {func(v url.Values) { v["maxV"][0] = "1e30 V" }, "pins[0].maxV"},
		"pin 0":           {func(v url.Values) { v["number"][2] = "0" }, "pins[2].number"},
		"pin 49":          {func(v url.Values) { v["number"][2] = "49" }, "pins[2].number"},
		"double":          {func(v url.Values) { v["number"][2] = v["number"][1] }, "pins[2].number"},
		"no number":       {func(v url.Values) { v["number"][2] = "" }, "pins[2].number"},
		"words":           {func(v url.Values) { v["number"][2] = "three" }, "pins[2].number"},
		"unknown clamp":   {func(v url.Values) { v["clamp"][0] = "VXX" }, "pins[0].clamp"},
		"unknown family":  {func(v url.Values) { v.Set("family", "round") }, "package.family"},
		"unknown pins":    {func(v url.Values) { v.Set("pins", "many") }, "package.pins"},
		"bad key":         {func(v url.Values) { v.Set("key", "Über Teil") }, "key"},
		"no name":         {func(v url.Values) { v.Set("name", " ") }, "name"},
		"step of nothing": {func(v url.Values) { v["stepPin"][0] = "QQ" }, "power[0].pin"},
	} {
		_, ps := CheckDevice(base(c.change))
		if !named(ps, c.field) {
			t.Errorf("%s: %v, want %s", name, ps, c.field)
		}
	}
	if d, _ := CheckDevice(base(func(v url.Values) { v.Set("description", "two\r\nlines") })); d.Description != "two\nlines" {
		t.Errorf("a description of two lines became %q", d.Description)
	}
	if _, ps := CheckDevice(url.Values{}); !named(ps, "package.pins") {
		t.Errorf("an empty form: %v", ps)
	}
}

func named(ps dut.Problems, field string) bool {
	for _, p := range ps {
		if p.Field == field {
			return true
		}
	}
	return false
}

// TestDeviceFormRows: rows in which nothing was typed are no pins; a clamp may be given by name.
func TestDeviceFormRows(t *testing.T) {
	d := demo.Scenario().Devices[0].SortPins()
	v := DeviceValues(&d)
	for _, c := range PinColumns {
		text := ""
		if c == "function" {
			text = string(dut.Input)
		}
		v[c] = append([]string{text}, v[c]...)
	}
	got, ps := CheckDevice(v)
	if diff := cmp.Diff(d, got); diff != "" || len(ps) > 0 {
		t.Fatalf("%v\n%s", ps, diff)
	}
	for i, p := range d.Pins {
		if p.Clamp != 0 {
			supply, _ := d.Pin(p.Clamp)
			v["clamp"][i] = supply.Name
		}
	}
	got, ps = CheckDevice(v)
	if diff := cmp.Diff(d, got); diff != "" || len(ps) > 0 {
		t.Errorf("clamps by name: %v\n%s", ps, diff)
	}
}

func TestKeyFor(t *testing.T) {
	for name, want := range map[string]string{
		"Averlock 48": "averlock-48", "  Ünï  part / 5 ": "n-part-5", "<script>": "script", "": "", "---": "",
	} {
		if got := KeyFor(name); got != want {
			t.Errorf("%q gives %q, want %q", name, got, want)
		}
	}
}

// drawDevice draws a device that Validate accepts.
func drawDevice(t *rapid.T) dut.Device {
	quantityOf := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	n := 2 * rapid.IntRange(1, 8).Draw(t, "pairs")
	d := dut.Device{
		Key: KeyFor(rapid.StringMatching(`[a-z][a-z0-9]{0,10}`).Draw(t, "key")), Name: rapid.StringMatching(`[A-Za-z0-9ä/]{1,20}`).Draw(t, "name"),
		Description: rapid.StringMatching(`([a-z%&=;+]{1,9}\n)?[a-z]{1,9}`).Draw(t, "description"),
		Package:     dut.Package{Family: dut.DualRow, Pins: n, ThermalPad: rapid.Bool().Draw(t, "pad")},
	}
	if rapid.Bool().Draw(t, "grid") {
		d.Package.Family, d.Package.Columns = dut.Grid, rapid.IntRange(0, n).Draw(t, "columns")
	}
	for i := 1; i <= n; i++ {
		p := dut.NewPin(i)
		p.Name = rapid.StringMatching(`[A-Z][A-Z0-9_/+-]{0,6}`).Draw(t, "pin name")
		if i == 1 {
			p.Function = dut.Supply
		} else {
			p.Function = rapid.SampledFrom([]dut.Function{dut.Input, dut.Output, dut.Bidirectional, dut.Analog}).Draw(t, "function")
		}
		p.MinV, p.MaxV, p.MaxI = quantityOf("minV", -5, 0), quantityOf("maxV", 0.1, 20), quantityOf("maxI", 1e-6, 0.5)
		if i > 1 && rapid.Bool().Draw(t, "clamped") {
			p.Clamp, p.AboveClamp = 1, quantityOf("above", 0, 1)
		}
		d.Pins = append(d.Pins, p)
	}
	if rapid.Bool().Draw(t, "powered") {
		d.Power = []dut.PowerStep{{Pin: 1, Level: d.Pins[0].MaxV / 2, Limit: d.Pins[0].MaxI / 2, Ramp: quantityOf("ramp", 0, 1), Delay: quantityOf("delay", 0, 1)}}
	}
	return d
}

// TestDeviceRoundTrip: document to form to document is the identity.
func TestDeviceRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDevice(t)
		if err := d.Validate(); err != nil {
			t.Fatalf("drew no device: %v", err)
		}
		sent, err := url.ParseQuery(DeviceValues(&d).Encode()) // as a browser has it
		if err != nil {
			t.Fatal(err)
		}
		got, ps := CheckDevice(sent)
		if diff := cmp.Diff(d, got); diff != "" || len(ps) > 0 {
			t.Fatalf("%v\n%s", ps, diff)
		}
	})
}

// FuzzDevice: whatever a form holds is read without harm; what passes as a
// device is one, and is read back as the same.
func FuzzDevice(f *testing.F) {
	for _, d := range demo.Scenario().Devices {
		f.Add(DeviceValues(&d).Encode())
	}
	f.Add("number=1&number=2&pinName=A&function=&pins=48&family=grid&columns=-7")
	f.Add("number=-9999&number=9999&clamp=x&pinName=x&pins=9999")
	f.Add("stepPin=1&level=5V&number=&number=")
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		d, ps := CheckDevice(v)
		for _, p := range ps {
			if _, err := dut.ParsePath(p.Field); err != nil {
				t.Fatalf("%q: %v", p.Field, err)
			}
		}
		if len(ps) > 0 {
			return
		}
		if err := d.Validate(); err != nil {
			t.Fatalf("passed, and is none: %v", err)
		}
		d = d.SortPins()
		again, ps := CheckDevice(DeviceValues(&d))
		if diff := cmp.Diff(d, again, cmpopts.EquateEmpty()); len(ps) > 0 || diff != "" {
			t.Fatalf("read back differently: %v\n%s", ps, diff)
		}
	})
}
