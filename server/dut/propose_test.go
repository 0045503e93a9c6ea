package dut

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestPropose(t *testing.T) {
	table := ParsePinTable("Pin\tName\tType\tVmax (V)\tLogic\n1\tA\tI\t\t3v3-lvttl\n2\tY\tO\t4\t\n3\tGND\tG\t\t\n5\tVCC\tP\t4.6\t\n6\tB\tI\t\t\n")
	d, said := Propose("gate", "Gate", table)
	if err := d.Validate(); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range d.Pins {
		got = append(got, brief(p))
	}
	want := []string{"1 A input >5 -0.3..4.9 +0.3 0.01A 3v3-lvttl", "2 Y output >5 -0.3..4 +0.3 0.01A", "3 GND ground 0.05A", "4 NC no connect", "5 VCC supply -0.3..4.6 0.05A", "6 B input >5 -0.3..4.9 +0.3 0.01A"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]PowerStep{{Pin: 5, Level: 3.3, Limit: 0.05, Ramp: assumedRamp, Delay: assumedDelay}}, d.Power); diff != "" {
		t.Error(diff)
	}
	if d.Package != (Package{Family: DualRow, Pins: 6}) {
		t.Errorf("%+v", d.Package)
	}
	words := ""
	for _, a := range said {
		words += a.Field + ": " + a.Words + "\n"
	}
	contains(t, "assumption", words, []string{"package.family: the package is taken as dual row from its 6 pins", "pin 4 is in no row",
		"pins[0].clamp: pin 1 A: clamped to 5 VCC, the only supply", "pins[0].maxV: pin 1 A: rated −300 mV to 4.9 V", "pins[1].maxI: pin 2 Y: at most 10 mA",
		"power[0].level: supply 5 VCC comes up to 3.3 V, at most 50 mA"})
	// What the table gave in full is not called an assumption.
	full := ParsePinTable("Pin\tName\tType\tVmin\tVmax\tAbove supply\tImax\tSupply\n1\tA\tI\t-0.5 V\t6 V\t0.5 V\t10 mA\tVCC\n2\tGND\tG\t\t\t\t50 mA\t\n3\tVCC\tP\t-0.5 V\t6 V\t\t50 mA\t\n")
	_, said = Propose("full", "Full", full)
	for _, a := range said {
		if strings.HasPrefix(a.Field, "pins") {
			t.Errorf("assumed %+v", a)
		}
	}
}

func TestProposeSupplies(t *testing.T) {
	for _, c := range []struct {
		text  string
		power []PowerStep
		clamp int
	}{
		{"Pin\tName\n1\tVCC\n2\tGND\n3\tA", []PowerStep{{Pin: 1, Level: 2.5}}, 1},
		{"Pin\tName\tVmin\tVmax\n1\tV+\t\t18 V\n2\tV-\t-18 V\t\n3\tA", []PowerStep{{Pin: 1, Level: 15}, {Pin: 2, Level: -15}}, 1},
		{"Pin\tName\tVmax\n1\tVDDA\t6 V\n2\tVDDB\t4.6 V\n3\tA", []PowerStep{{Pin: 1, Level: 5}, {Pin: 2, Level: 3.3}}, 0},
		{"Pin\tName\tVmax\n1\tVCC\t0.5 V\n2\tGND\t\n3\tA", nil, 1},
		{"Pin\tName\tType\n1\tX\tA\n2\tY\tA\n3\tA\tA", nil, 0},
	} {
		d, _ := Propose("p", "P", ParsePinTable(c.text))
		if err := d.Validate(); err != nil {
			t.Error(err)
		}
		var got []PowerStep
		for _, s := range d.Power {
			got = append(got, PowerStep{Pin: s.Pin, Level: s.Level})
		}
		if diff := cmp.Diff(c.power, got); diff != "" {
			t.Errorf("%q: %s", c.text, diff)
		}
		if p, _ := d.Pin(3); p.Clamp != c.clamp && p.Function != NoConnect {
			t.Errorf("%q: %+v", c.text, p)
		}
	}
}

func TestProposePackage(t *testing.T) {
	for _, c := range []struct {
		table PinTable
		want  Package
	}{
		{PinTable{Rows: usedRows(14)}, Package{Family: DualRow, Pins: 14}},
		{PinTable{Rows: usedRows(40)}, Package{Family: DualRow, Pins: 40}},
		{PinTable{Rows: usedRows(48)}, Package{Family: Quad, Pins: 48}},
		{PinTable{Rows: usedRows(16), ThermalPad: true}, Package{Family: Quad, Pins: 16, ThermalPad: true}},
		{PinTable{Rows: usedRows(5)}, Package{Family: DualRow, Pins: 5}},
		{PinTable{Rows: usedRows(7)}, Package{Family: SingleRow, Pins: 7}},
		{PinTable{Rows: usedRows(9), GridColumns: 5}, Package{Family: Grid, Pins: 10, Columns: 5}},
		{PinTable{Rows: usedRows(3), GridColumns: 90}, Package{Family: Grid, Pins: 48, Columns: 48}},
	} {
		d, _ := Propose("p", "P", c.table)
		if err := d.Validate(); d.Package != c.want || err != nil {
			t.Errorf("%+v, want %+v: %v", d.Package, c.want, err)
		}
	}
}

func usedRows(n int) []TableRow {
	out := make([]TableRow, n)
	for i := range out {
		out[i] = TableRow{Line: i + 2, Pin: Pin{Number: i + 1, Name: "A" + itoa(i), Function: Input}, Used: true}
	}
	return out
}

func TestWarnings(t *testing.T) {
	d := amplifier()
	d.Pins[1].Logic, d.Pins[3].Logic = "5v-ttl", "5v-ttl"
	d.Pins[3].Clamp, d.Pins[3].AboveClamp = 1, 0.3
	if ps := d.Warnings(); len(ps) != 0 {
		t.Fatalf("a sound device: %v", ps)
	}
	for _, c := range []struct {
		field, words string
		set          func(*Device)
	}{
		{"pins", "no pin is ground", func(d *Device) { d.Pins[2].Function = Analog }},
		{"power", "1 VP is in no power step", func(d *Device) { d.Power = nil }},
		{"power[0].level", "leaves the supply off", func(d *Device) { d.Power[0].Level = 0 }},
		{"power[0].limit", "above the rating of pin 1 VP", func(d *Device) { d.Power[0].Limit = 0.2 }},
		{"pins[1].clamp", "names no supply", func(d *Device) { d.Pins[1].Clamp, d.Pins[1].AboveClamp = 0, 0 }},
		{"pins[1].aboveClamp", "none is named", func(d *Device) { d.Pins[1].Clamp = 0 }},
		{"pins[1].aboveClamp", "may not rise above", func(d *Device) { d.Pins[1].AboveClamp = 0 }},
		{"pins[1].aboveClamp", "is unusual", func(d *Device) { d.Pins[1].AboveClamp = 7 }},
		{"pins[1].maxV", "rated for 0 V only", func(d *Device) { d.Pins[1].MinV, d.Pins[1].MaxV = 0, 0 }},
		{"pins[1].minV", "leaves out 0 V", func(d *Device) { d.Pins[1].MinV = 1 }},
		{"pins[1].maxI", "no current", func(d *Device) { d.Pins[1].MaxI = 0 }},
		{"pins[3].maxV", "below its supply at 5 V", func(d *Device) { d.Pins[3].MaxV = 3.6 }},
		{"pins[1].logic", "no logic family", func(d *Device) { d.Pins[1].Logic = "" }},
		{"pins[0].logic", "no digital pin", func(d *Device) { d.Pins[0].Logic = "5v-ttl" }},
		{"pins[1].logic", "stated for supplies of 3 V to 3.6 V, not 5 V", func(d *Device) { d.Pins[1].Logic = "3v3-lvttl" }},
		{"pins[3].name", "both called IN", func(d *Device) { d.Pins[3].Name = "IN" }},
	} {
		e := d.Clone()
		c.set(&e)
		ps := e.Warnings()
		if !slices.ContainsFunc(ps, func(p Problem) bool { return p.Field == c.field && strings.Contains(p.Message, c.words) }) {
			t.Errorf("%s %q: %v", c.field, c.words, ps)
		}
		if err := e.Validate(); err != nil {
			t.Errorf("%s: blocked: %v", c.words, err)
		}
	}
	two := d.Clone()
	two.Pins[3] = Pin{Number: 4, Name: "GND", Function: Ground, MaxI: 0.1}
	if ps := two.Warnings(); len(ps) != 0 || two.Validate() != nil {
		t.Errorf("two grounds: %v %v", ps, two.Validate())
	}
}
