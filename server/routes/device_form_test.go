package routes

import (
	"net/url"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
)

// A device that is opened and saved without an edit is the same device.
func TestDeviceFormIsExact(t *testing.T) {
	for _, d := range demo.Scenario().Devices {
		d = d.SortPins()
		got, ps := checkedDevice(deviceValues(&d))
		if diff := cmp.Diff(d, got); diff != "" || len(ps) > 0 {
			t.Errorf("%s: %v\n%s", d.Key, ps, diff)
		}
	}
}

func TestDeviceFormProblems(t *testing.T) {
	base := func(change func(url.Values)) url.Values {
		d := demo.Scenario().Devices[0]
		v := deviceValues(&d)
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
		_, ps := checkedDevice(base(c.change))
		if !named(ps, c.field) {
			t.Errorf("%s: %v, want %s", name, ps, c.field)
		}
	}
	if d, _ := checkedDevice(base(func(v url.Values) { v.Set("description", "two\r\nlines") })); d.Description != "two\nlines" {
		t.Errorf("a description of two lines became %q", d.Description)
	}
	if _, ps := checkedDevice(url.Values{}); !named(ps, "package.pins") {
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

// Rows in which nothing was typed are no pins; a clamp may be given by name.
func TestDeviceFormRows(t *testing.T) {
	d := demo.Scenario().Devices[0].SortPins()
	v := deviceValues(&d)
	for _, c := range pinColumns {
		text := ""
		if c == "function" {
			text = string(dut.Input)
		}
		v[c] = append([]string{text}, v[c]...)
	}
	got, ps := checkedDevice(v)
	if diff := cmp.Diff(d, got); diff != "" || len(ps) > 0 {
		t.Fatalf("%v\n%s", ps, diff)
	}
	for i, p := range d.Pins {
		if p.Clamp != 0 {
			supply, _ := d.Pin(p.Clamp)
			v["clamp"][i] = supply.Name
		}
	}
	got, ps = checkedDevice(v)
	if diff := cmp.Diff(d, got); diff != "" || len(ps) > 0 {
		t.Errorf("clamps by name: %v\n%s", ps, diff)
	}
}

func TestKeyFor(t *testing.T) {
	for name, want := range map[string]string{
		"Averlock 48": "averlock-48", "  Ünï  part / 5 ": "n-part-5", "<script>": "script", "": "", "---": "",
	} {
		if got := keyFor(name); got != want {
			t.Errorf("%q gives %q, want %q", name, got, want)
		}
	}
}
