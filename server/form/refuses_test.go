package form

import (
	"net/url"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
)

// fieldsOf are the fields at fault, in their order.
func fieldsOf(ps dut.Problems) []string {
	var out []string
	for _, p := range ps {
		out = append(out, p.Field)
	}
	return out
}

// TestBenchRefuses: each field of the bench's form that cannot be read is named
// by its path, alone; one that can, and makes no sense, likewise.
func TestBenchRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		field string
		row   int
		text  string
		want  []string
	}{
		"contacts":       {"contacts", 0, "eight", []string{"contacts"}},
		"no contacts":    {"contacts", 0, "", []string{"contacts"}},
		"switch time":    {"switchTime", 0, "1 V", []string{"switchTime"}},
		"capacitance":    {"capacitance", 0, "1 s", []string{"capacitance"}},
		"mains":          {"lineHz", 0, "55", []string{"lineHz"}},
		"mains in words": {"lineHz", 0, "mains", []string{"lineHz"}},
		"timeout":        {"connTimeout", 0, "1 V", []string{"connections[0].timeout"}},
		"no timeout":     {"connTimeout", 0, "", []string{"connections[0].timeout"}},
		"watchdog":       {"connWatchdog", 0, "soon", []string{"connections[0].watchdog"}},
		"cards":          {"connCards", 0, "1, one", []string{"connections[0].cards"}},
		"channel id":     {"chanID", 0, "256", []string{"channels[0].id"}},
		"channel words":  {"chanID", 0, "first", []string{"channels[0].id"}},
		"card":           {"chanCard", 1, "", []string{"channels[1].card"}},
		"number":         {"chanNumber", 1, "1.5", []string{"channels[1].number"}},
		"source":         {"chanSourceR", 1, "5 V", []string{"channels[1].sourceR"}},
		"function":       {"rangeFunction", 0, "forceX", []string{"ranges[0].function"}},
		"full scale":     {"rangeScale", 0, "", []string{"ranges[0].fullScale"}},
		"scale's unit":   {"rangeScale", 0, "1 s", []string{"ranges[0].fullScale"}},
		"step":           {"rangeStep", 0, "sixteen bits", []string{"ranges[0].step"}},
		"gain":           {"rangeGain", 0, "5 V", []string{"ranges[0].gain"}},
		"offset":         {"rangeOffset", 0, "5 s", []string{"ranges[0].offset"}},
		"noise":          {"rangeNoise", 0, "loud", []string{"ranges[0].noise"}},
		"loop":           {"rangeLoop", 0, "5 V", []string{"ranges[0].loopTime"}},
		"of channels":    {"rangeOf", 0, "1A, 9Z", []string{"ranges[0].channels"}},
	} {
		d := deskBench()
		v := BenchValues(&d)
		if fine := CheckBench(v, &d); !fine.Sound() {
			t.Fatalf("the bench itself: %v %v", fine.Problems, fine.Paths.Notes)
		}
		v[c.field][c.row] = c.text
		got := CheckBench(v, &d)
		if diff := cmp.Diff(c.want, fieldsOf(got.Problems)); diff != "" || got.Sound() {
			t.Errorf("%s: %v %v\n%s", name, got.Problems, got.Paths.Notes, diff)
		}
	}
}

// TestBenchNewRows: a channel without a number gets the next that is free, and
// a connection keeps the texts of the one that it was.
func TestBenchNewRows(t *testing.T) {
	d := deskBench()
	d.Connections[0].Name, d.Connections[0].Commands.Safe = "Cards", "ABOR"
	v := BenchValues(&d)
	v["connName"][0] = "Renamed"
	ChannelColumns.Add(v, "", "1C", "1", "", "", "")
	got := readBench(v, &d).Def
	if c := got.Connections[0]; c.Name != "Renamed" || c.Commands.Safe != "ABOR" {
		t.Errorf("%+v", c)
	}
	if n := len(got.Channels); n != 3 || got.Channels[2].ID != 3 || v["chanID"][2] != "3" {
		t.Errorf("%d channels, the form %v", n, v["chanID"])
	}
}

// TestDeviceRefuses: each column of the device's grids is read with its own
// unit and named by its own path.
func TestDeviceRefuses(t *testing.T) {
	for _, c := range []struct{ field, text, want string }{
		{"minV", "1 A", "pins[0].minV"}, {"maxV", "1 A", "pins[0].maxV"}, {"maxI", "1 V", "pins[0].maxI"}, {"clamp", "-1", "pins[0].clamp"},
		{"function", "lever", "pins[0].function"}, {"number", "1.5", "pins[0].number"}, {"stepPin", "none such", "power[0].pin"},
		{"level", "1 A", "power[0].level"}, {"limit", "1 V", "power[0].limit"}, {"ramp", "1 V", "power[0].ramp"}, {"delay", "later", "power[0].delay"},
	} {
		d := demo.Scenario().Devices[0].SortPins()
		v := DeviceValues(&d)
		v[c.field][0] = c.text
		if _, ps := CheckDevice(v); len(ps) == 0 || ps[0].Field != c.want {
			t.Errorf("%s %q: %v, want %s", c.field, c.text, ps, c.want)
		}
	}
}

// TestPinNames: a pin may be named where its name is its own; where several
// share it, or none has it, the field says so.
func TestPinNames(t *testing.T) {
	v := url.Values{"pinName": {"VCC", "A", "A", "B"}, "number": {"4", "1", "2", "x"}}
	for text, want := range map[string]struct {
		pin  int
		says string
	}{
		"": {0, ""}, "7": {7, ""}, "vcc": {4, ""}, "A": {0, `several pins are called "A": enter the number`},
		"B": {0, `there is no pin called "B": enter a pin's number or name`}, "-1": {0, `there is no pin called "-1": enter a pin's number or name`},
	} {
		r := NewReader(v)
		got := r.pinOfForm(Field{dut.At("clamp"), text})
		said := ""
		if len(r.Problems) > 0 {
			said = r.Problems[0].Message
		}
		if got != want.pin || said != want.says {
			t.Errorf("%q is pin %d, %q; want %d, %q", text, got, said, want.pin, want.says)
		}
	}
}

// TestDeviceAndPinMapMerge: what only one side touched is as that side has it.
func TestDeviceAndPinMapMerge(t *testing.T) {
	d := demo.Scenario().Devices[0].SortPins()
	was, theirs, mine := DeviceValues(&d), DeviceValues(&d), DeviceValues(&d)
	theirs.Set("name", "Theirs")
	theirs["maxV"][0] = "3 V"
	theirs["level"][0] = "2 V"
	mine.Set("description", "mine")
	mine["maxI"][0] = "1 mA"
	Edits{was, theirs, mine}.Device()
	if mine.Get("name") != "Theirs" || mine.Get("description") != "mine" || mine["maxV"][0] != "3 V" || mine["maxI"][0] != "1 mA" || mine["level"][0] != "2 V" {
		t.Errorf("merged to %v", mine)
	}
	state := func(contact, strap string) url.Values {
		return url.Values{"pin": {"1", "2"}, "contact": {contact, "2"}, "strapAt": {strap}, "strapKind": {"return"}, "strapTo": {""}, "strapOhms": {""}}
	}
	m := state("9", "40")
	Edits{state("1", "40"), state("1", "41"), m}.PinMap()
	if m["contact"][0] != "9" || m["strapAt"][0] != "41" {
		t.Errorf("merged to %v", m)
	}
}

// TestPathsLeakageHeading: the leakage of a table may be said as the resistance
// of an open switch, in the heading too.
func TestPathsLeakageHeading(t *testing.T) {
	got := readDesk("Line\tContact\tLeakage [GΩ]\n1A\t1\t100")
	if len(got.Notes) > 0 || len(got.Paths) != 1 || got.Paths[0].Leakage < 0.999e-11 || got.Paths[0].Leakage > 1.001e-11 {
		t.Errorf("%+v, %v", got.Paths, got.Notes)
	}
	if got := readDesk("Line\tContact\tLeakage [V]\n1A\t1\t100"); len(got.Notes) != 1 || got.Notes[0].Line != 1 {
		t.Errorf("%v", got.Notes)
	}
}
