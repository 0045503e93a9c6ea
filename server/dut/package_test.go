package dut

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// faultsAt are the messages of a device's faults at a field.
func faultsAt(d *Device, field string) (out []string) {
	ps, _ := d.Validate().(Problems)
	for _, p := range ps {
		if p.Field == field {
			out = append(out, p.Message)
		}
	}
	return out
}

// of is a device in a package, nothing of whose pins is known.
func of(p Package) Device {
	d := Device{Key: "d", Name: "D", Package: p}
	for n := 1; n <= p.Pins; n++ {
		d.Pins = append(d.Pins, NewPin(n))
	}
	return d
}

// TestEveryPackage: of every family and number of pins, what a package may be,
// counted out: dual rows of up to five or of an even number, quads of fours,
// single rows and grids of any number.
func TestEveryPackage(t *testing.T) {
	for _, family := range Families() {
		for n := -1; n <= MaxPins+2; n++ {
			want := n >= 1 && n <= MaxPins
			switch family {
			case DualRow:
				want = want && (n <= 5 || n%2 == 0)
			case Quad:
				want = want && n%4 == 0
			}
			d := of(Package{Family: family, Pins: n})
			err := d.Validate()
			if (err == nil) != want {
				t.Errorf("%s of %d pins: %v", family, n, err)
			}
			if !want && len(faultsAt(&d, "package.pins")) != 1 {
				t.Errorf("%s of %d pins: %v, nothing of package.pins", family, n, err)
			}
			start := of(Package{Family: SingleRow, Pins: 4})
			changed, err := start.SetPackage(d.Package)
			if (err == nil) != want || want && changed.Validate() != nil || !want && !cmp.Equal(start, changed) {
				t.Errorf("changed to %s of %d pins: %v, %+v", family, n, err, changed.Package)
			}
		}
	}
}

// TestEveryGrid: a grid has no more columns than pins, others' columns are not
// looked at.
func TestEveryGrid(t *testing.T) {
	for n := 1; n <= 9; n++ {
		for columns := -1; columns <= 11; columns++ {
			d := of(Package{Family: Grid, Pins: n, Columns: columns})
			if got := len(faultsAt(&d, "package.columns")) == 0; got != (columns >= 0 && columns <= n) {
				t.Errorf("%d pins in %d columns: %v", n, columns, d.Validate())
			}
		}
	}
}

// TestValidateAtItsBounds: what lies at a bound is allowed, just beyond it is
// one fault of that field alone, which names the bound.
func TestValidateAtItsBounds(t *testing.T) {
	for field, c := range map[string]struct {
		at, beyond func(*Device)
		says       string
	}{
		"key":              {func(d *Device) { d.Key = strings.Repeat("k", 64) }, func(d *Device) { d.Key = strings.Repeat("k", 65) }, "at most 64"},
		"name":             {func(d *Device) { d.Name = strings.Repeat("é", 120) }, func(d *Device) { d.Name = strings.Repeat("é", 121) }, "has 121 characters; at most 120 fit"},
		"description":      {func(d *Device) { d.Description = strings.Repeat("ü", 4000) }, func(d *Device) { d.Description = strings.Repeat("ü", 4001) }, "at most 4000 fit"},
		"pins[1].name":     {func(d *Device) { d.Pins[1].Name = strings.Repeat("µ", 32) }, func(d *Device) { d.Pins[1].Name = strings.Repeat("µ", 33) }, "at most 32 fit"},
		"pins[1].minV":     {func(d *Device) { d.Pins[1].MinV = 12 }, func(d *Device) { d.Pins[1].MinV = 12.01 }, "12.01 V is above the highest 12 V"},
		"pins[3].maxI":     {func(d *Device) { d.Pins[3].MaxI = 10 }, func(d *Device) { d.Pins[3].MaxI = 10.01 }, "between 0 and 10 A"},
		"pins[3].maxV":     {func(d *Device) { d.Pins[3].MaxV = 60 }, func(d *Device) { d.Pins[3].MaxV = 60.01 }, "within ±60 V"},
		"power[0].level":   {func(d *Device) { d.Power[0].Level = -0.3 }, func(d *Device) { d.Power[0].Level = -0.31 }, "outside the rating of pin 1 VP, -0.3 to 12 V"},
		"power[0].limit":   {func(d *Device) { d.Power[0].Limit = 10 }, func(d *Device) { d.Power[0].Limit = 10.01 }, "at most 10 A"},
		"power[0].ramp":    {func(d *Device) { d.Power[0].Ramp = 60 }, func(d *Device) { d.Power[0].Ramp = 60.01 }, "0 to 60 s"},
		"power[0].delay":   {func(d *Device) { d.Power[0].Delay = 0 }, func(d *Device) { d.Power[0].Delay = -1e-9 }, "0 to 60 s"},
		"pins[1].clamp":    {func(d *Device) { d.Pins[1].Clamp = 1 }, func(d *Device) { d.Pins[1].Clamp = 3 }, "pin 3 is not a supply pin"},
		"pins[1].function": {func(d *Device) { d.Pins[1].Function = Bidirectional }, func(d *Device) { d.Pins[1].Function = "Input" }, `"Input" is not a pin function`},
	} {
		d, e := amplifier(), amplifier()
		if c.at(&d); d.Validate() != nil {
			t.Errorf("%s at its bound: %v", field, d.Validate())
		}
		c.beyond(&e)
		if got := faultsAt(&e, field); len(got) != 1 || !strings.Contains(got[0], c.says) || len(e.Validate().(Problems)) != 1 {
			t.Errorf("%s beyond: %v", field, e.Validate())
		}
	}
}

// TestFaultsAddUp: every fault of a device is reported, whatever others it has.
func TestFaultsAddUp(t *testing.T) {
	faults := map[string]func(*Device){
		"key": func(d *Device) { d.Key = "" }, "name": func(d *Device) { d.Name = "" }, "description": func(d *Device) { d.Description = "\xff" },
		"pins[0].maxI": func(d *Device) { d.Pins[0].MaxI = -1 }, "pins[1].logic": func(d *Device) { d.Pins[1].Logic = "steam" },
		"pins[2].name": func(d *Device) { d.Pins[2].Name = "" }, "pins[3].function": func(d *Device) { d.Pins[3].Function = "" },
		"power[0].limit": func(d *Device) { d.Power[0].Limit = 0 }, "power[0].ramp": func(d *Device) { d.Power[0].Ramp = 61 },
		"package.family": func(d *Device) { d.Package.Family = "" },
	}
	rapid.Check(t, func(t *rapid.T) {
		d := amplifier()
		var want, got []string
		for field, spoil := range faults {
			if rapid.Bool().Draw(t, field) {
				spoil(&d)
				want = append(want, field)
			}
		}
		ps, _ := d.Validate().(Problems)
		for _, p := range ps {
			got = append(got, p.Field)
		}
		slices.Sort(want)
		slices.Sort(got)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
	})
}

// TestProposedDeviceIsValid: of any table with pins a valid device is made; it
// has every pin of the table, keeps every rating that the table gave, and says
// of each one that it made up that it did.
func TestProposedDeviceIsValid(t *testing.T) {
	names := []string{"VCC", "VDD", "V-", "VEE", "GND", "A", "B", "Y", "NC"}
	rapid.Check(t, func(t *rapid.T) {
		var text strings.Builder
		text.WriteString("Pin\tName\tType\tVmax\tImax\n")
		n := rapid.IntRange(1, 12).Draw(t, "pins")
		type given struct{ maxV, maxI string }
		gave := map[int]given{}
		for i := 1; i <= n; i++ {
			if i < n && rapid.IntRange(0, 5).Draw(t, "gap") == 0 {
				continue
			}
			g := given{rapid.SampledFrom([]string{"", "3.6 V", "5.5 V", "18 V"}).Draw(t, "maxV"), rapid.SampledFrom([]string{"", "20 mA"}).Draw(t, "maxI")}
			gave[i] = g
			fmt.Fprintf(&text, "%d\t%s\t%s\t%s\t%s\n", i, rapid.SampledFrom(names).Draw(t, "name"), rapid.SampledFrom([]string{"", "I", "O", "P", "G", "A"}).Draw(t, "type"), g.maxV, g.maxI)
		}
		table := ParsePinTable(text.String())
		d, said := Propose("p", "P", table)
		rows := map[int]TableRow{}
		for _, r := range table.Rows {
			rows[r.Pin.Number] = r
		}
		if err := d.Validate(); err != nil {
			t.Fatalf("%v\n%s", err, &text)
		}
		assumed := map[string]bool{}
		for _, a := range said {
			if assumed[a.Field] = true; a.Words == "" {
				t.Fatalf("%+v", a)
			}
		}
		for i, p := range d.Pins {
			g, inTable := gave[p.Number]
			if !inTable && p != NewPin(p.Number) {
				t.Fatalf("pin %d was made up: %+v\n%s", p.Number, p, &text)
			}
			if !inTable || p.Function == NoConnect {
				continue
			}
			if want := map[string]float64{"20 mA": 0.02}[g.maxI]; g.maxI != "" && p.MaxI != want {
				t.Fatalf("%s: %g A, given %s", p.Label(), p.MaxI, g.maxI)
			}
			if want := map[string]float64{"3.6 V": 3.6, "5.5 V": 5.5, "18 V": 18}[g.maxV]; g.maxV != "" && p.Function != Ground && p.MaxV != want {
				t.Fatalf("%s: %g V, given %s", p.Label(), p.MaxV, g.maxV)
			}
			row := rows[p.Number] // an empty cell may be the lower part of a joined one
			if !row.Gave(MeansMaxI) && !assumed[at(i, "maxI")] {
				t.Fatalf("nobody said that the current of %s is made up: %v", p.Label(), said)
			}
			if !row.Gave(MeansMaxV) && p.Function != Ground && !assumed[at(i, "maxV")] {
				t.Fatalf("nobody said that the voltage of %s is made up: %v", p.Label(), said)
			}
		}
		if !assumed["package.family"] || len(gave) < len(d.Pins) && !assumed["pins"] {
			t.Fatalf("%v", said)
		}
	})
}
