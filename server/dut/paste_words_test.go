package dut

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestReadHeading: how columns of pin tables are headed in datasheets and
// spreadsheets (common practice), and what each means.
func TestReadHeading(t *testing.T) {
	for means, texts := range map[Meaning][]string{
		MeansNumber: {"Pin", "PIN", "Pins", "No", "No.", "Nr.", "#", "Pin #", "Pin No.", "Pin number", "PIN NUMBER", "Pin no", "Ball", "Ball number", "Terminal",
			"Terminal no.", "Lead", "Pad", "Position", "No. of pin", "Pin (QFN)"},
		MeansName:     {"Name", "Pin name", "PIN NAME", "Signal", "Signal name", "Symbol", "Mnemonic", "Label", "Net", "Designation"},
		MeansFunction: {"Type", "I/O", "IO", "Dir", "Direction", "Function", "In/Out", "Pin type", "I/O type", "Kind"},
		MeansMaxV: {"Vmax", "Max V", "Max (V)", "Max. (V)", "Maximum", "Abs max", "Abs. max. (V)", "Absolute maximum rating", "Rating", "Ratings", "AMR", "Highest voltage",
			"Vmax [V]", "V", "Voltage", "Max voltage", "Maximum (volts)", "mV"},
		MeansMinV:        {"Vmin", "Min V", "Min", "Min (V)", "Minimum", "Minimum voltage", "Lowest voltage", "Min. [V]", "Abs min"},
		MeansMaxI:        {"Imax", "Max I", "Imax (mA)", "I max", "Max current", "Max. current (mA)", "Current", "Current limit", "Absolute maximum current", "Max (mA)", "Rating (mA)", "mA"},
		MeansAboveClamp:  {"Above supply", "Above VDD", "Above it", "Headroom", "Over supply", "Relative to supply"},
		MeansClamp:       {"Supply", "Clamp", "Clamped to", "Domain", "Power domain", "Rail", "Supply rail", "Bank", "ESD clamp", "Clamp to"},
		MeansLogic:       {"Logic", "Logic family", "Family", "Levels", "I/O standard", "IO standard", "Logic level"},
		MeansUnit:        {"Unit", "Units"},
		MeansDescription: {"Description", "Desc.", "Notes", "Remarks", "Comment", "Comments", "Pin description", "Alternate function", "Details", "Pin functions"},
		MeansNothing:     {"", "Operating voltage", "Recommended (V)", "Typ", "Typical", "Nominal", "Reset state", "Drive strength", "Length", strings.Repeat("Pin ", 20), "Supply (V)"},
	} {
		for _, text := range texts {
			if got, _ := readHeading(text); got != means {
				t.Errorf("%q is read as %q, not %q", text, got, means)
			}
		}
	}
	for text, unit := range map[string]string{"Max (V)": "V", "Max [mA]": "mA", "Imax, µA": "µA", "Voltage in volts": "V", "Max in V": "V", "Min V": "V", "Limit / mA": "mA", "Max": "", "V": "", "Current {kA}": "kA", "Amps": "A", "Imax (µA)": "µA", "Imax [μA]": "μA", "Max. (Volts)": "V", "Signal_V": "", "Max.V": "V"} {
		if _, got := readHeading(text); got != unit {
			t.Errorf("%q has the unit %q, not %q", text, got, unit)
		}
	}
}

// TestReadNumbers: pin-number cells as they stand in real tables, and those
// that are none.
func TestReadNumbers(t *testing.T) {
	for cell, want := range map[string]string{
		"3": "3", "03": "3", "3.0": "3", "3,0": "3", "pin 3": "3", "Pin3": "3", "No. 3": "3", "#3": "3", "nr 3": "3", "3.": "3", "3)": "3", "3*": "3", "3(1)": "3", "3 (2)": "3", "3¹": "3", "3†": "3",
		"1-4": "1 2 3 4", "1–4": "1 2 3 4", "1—4": "1 2 3 4", "1 - 4": "1 2 3 4", "1..4": "1 2 3 4", "1...4": "1 2 3 4", "1…4": "1 2 3 4", "1:4": "1 2 3 4", "1 to 4": "1 2 3 4", "1~4": "1 2 3 4",
		"4-1": "4 3 2 1", "7-7": "7", "1, 3, 5": "1 3 5", "1;3": "1 3", "1 & 3": "1 3", "1 and 3": "1 3", "1 3": "1 3", "1\n3": "1 3", "1+3": "1 3", "2, 4-6, 9": "2 4 5 6 9", "pins 2, 4": "2 4",
		"1,2": "1 2", "0": "0", "49": "49", "123456": "123456",
	} {
		got, why := readNumbers(cell)
		if why != "" || strings.Trim(fmt.Sprint(got), "[]") != want {
			t.Errorf("%q: %v, %s, not %s", cell, got, why, want)
		}
	}
	for cell, words := range map[string]string{
		"": "is not a pin number", "A": "is not a pin number", "-3": "is not a pin number", "3.5": "is not a pin number", "1/3": "is not a pin number", "1-": "is not a pin number",
		"1234567": "is not a pin number", "1-100": "names more pins", "100-1": "names more pins", strings.Repeat("1,", 60): "names more pins",
		"01-Apr": "looks like a date", "4-Jan": "looks like a date", "Jan-04": "looks like a date", "2026-01-04": "looks like a date", "1/4/26": "looks like a date", "5.6.2026": "looks like a date",
	} {
		if got, why := readNumbers(cell); !strings.Contains(why, words) || got != nil {
			t.Errorf("%q: %v, %q", cell, got, why)
		}
	}
}

// TestReadFunction: what function columns say, and what is not understood.
func TestReadFunction(t *testing.T) {
	for f, cells := range map[Function][]string{
		Supply:        {"P", "PWR", "Power", "power supply", "Supply", "VCC", "V+", "Analog supply", "I/O power", "Power input", "pwr in", "Positive supply", "Supply (1)"},
		Ground:        {"G", "GND", "Ground", "VSS", "0 V", "Return", "Power ground", "digital_ground", "Common", "GND*"},
		Input:         {"I", "In", "Input", "Digital input", "Clock", "CLK", "Schmitt-input", "I (PU)", "Input, pull-up", "logic input"},
		Output:        {"O", "Out", "OUTPUT", "Push-pull", "3-state", "Tri-state output", "O/Z", "Open drain", "open-collector", "OD", "O/C", "Output (open drain)"},
		Bidirectional: {"I/O", "IO", "B", "Bidir", "In/Out", "input/output", "GPIO", "DIO", "I/O (OD)", "Digital I/O"},
		Analog:        {"A", "AN", "Analog", "Analogue", "AI", "A/O", "Analog input", "Analogue output", "Passive"},
		NoConnect:     {"NC", "N.C.", "N/C", "No connect", "Not connected", "DNC", "Do not connect", "Reserved", "DNU", "unused"},
		"":            {"", "magic", "Output enable", "I and O", "7", "VREF", "see note"},
	} {
		for _, cell := range cells {
			if got, _ := readFunction(cell); got != f {
				t.Errorf("%q is %q, not %q", cell, got, f)
			}
		}
	}
	for cell, words := range map[string]string{"Open drain": "pull-up", "I/O (OD)": "pull-up", "Input, pull-up": "only the first word", "Output": ""} {
		if _, note := readFunction(cell); words == "" && note != "" || !strings.Contains(note, words) {
			t.Errorf("%q: %q", cell, note)
		}
	}
}

// TestGuessFunction: sentences that speak of one function, of two, of none.
func TestGuessFunction(t *testing.T) {
	for sentence, want := range map[string]Function{
		"Chip select input": Input, "Serial data output": Output, "Power ground": Ground, "Supply of the core": Supply, "No internal connection": NoConnect,
		"Output enable input": "", "Input or output": "", "Enable": "", "": "", "Reference of the converter": "", "Ground of the supply": "", "Do not connect": NoConnect, "Clock inputs": Input,
	} {
		if got := guessFunction(sentence); got != want {
			t.Errorf("%q is %q, not %q", sentence, got, want)
		}
	}
}

// TestNameFunction: names that imply what a pin is for, and names that look
// like it and do not.
func TestNameFunction(t *testing.T) {
	for want, names := range map[Function][]string{
		Supply:    {"VCC", "VDD", "AVDD", "DVCC", "VDDIO", "VDD_CORE", "V+", "V-", "VEE", "VBAT", "+5V", "-12V", "3V3", "1.8V", "vcc"},
		Ground:    {"GND", "AGND", "DGND", "PGND", "VSS", "VSSA", "GND1", "GND_IO", "Ground", "0V", "gnd"},
		NoConnect: {"NC", "N.C.", "N/C", "NC3", "DNC", "DNU2", "No connect"},
		"":        {"", "A0", "VREF", "VIN", "VOUT", "SIGNAL", "GNDX-", "NCS", "VCCEN/A", "IN+"},
	} {
		for _, name := range names {
			if got := nameFunction(name); got != want {
				t.Errorf("%q is %q, not %q", name, got, want)
			}
		}
	}
	for name, want := range map[string]bool{"V-": true, "VEE": true, "VEE2": true, "-5V": true, "V+": false, "VCC": false, "5V": false} {
		if negativeSupply(name) != want {
			t.Errorf("%s: %t", name, !want)
		}
	}
}

// TestReadRating: rating cells as datasheets write them.
func TestReadRating(t *testing.T) {
	v := func(max float64) rating { return rating{max: max, hasMax: true} }
	span := func(min, max float64) rating { return rating{min: min, max: max, hasMin: true, hasMax: true} }
	amp := func(i float64) rating { return rating{maxI: i, hasI: true} }
	for _, c := range []struct {
		cell, unit string
		want       rating
	}{
		{"7 V", "", v(7)}, {"7V", "", v(7)}, {"5.5", "V", v(5.5)}, {"5,5", "V", v(5.5)}, {"500 mV", "", v(0.5)}, {"500", "mV", v(0.5)}, {"4V7", "", v(4.7)}, {"max. 7 V", "", v(7)}, {"≤ 7 V", "", v(7)}, {"7 V max", "", v(7)}, {"7 V (max.)", "", v(7)},
		{"−0.3 V", "", v(-0.3)}, {"–0.3 V", "", v(-0.3)}, {"-0.3", "V", v(-0.3)}, {"+12 V", "", v(12)},
		{"-0.3 to 7 V", "", span(-0.3, 7)}, {"-0.3 V to 7 V", "", span(-0.3, 7)}, {"-0.3 V to +7 V", "", span(-0.3, 7)}, {"-0.3...7", "V", span(-0.3, 7)}, {"-0.3 … 7 V", "", span(-0.3, 7)}, {"−0,3 … 4,6", "V", span(-0.3, 4.6)}, {"-0.3 ~ 7 V", "", span(-0.3, 7)}, {"–0.3–5.5 V", "", span(-0.3, 5.5)},
		{"-300 mV to 7 V", "", span(-0.3, 7)}, {"±5 V", "", span(-5, 5)}, {"±15", "V", span(-15, 15)},
		{"20 mA", "", amp(0.02)}, {"20", "mA", amp(0.02)}, {"±20 mA", "", amp(0.02)}, {"-20 mA", "", amp(0.02)}, {"500 µA", "", amp(500e-6)}, {"0.5 A", "", amp(0.5)}, {"-20 mA to 20 mA", "", amp(0.02)},
		{"7 V / 20 mA", "", rating{max: 7, hasMax: true, maxI: 0.02, hasI: true}},
		{"VDD + 0.3 V", "", rating{base: "VDD", above: 0.3}}, {"VCC+0.5", "", rating{base: "VCC", above: 0.5}}, {"VCC + 0.5", "V", rating{base: "VCC", above: 0.5}}, {"VDD", "", rating{base: "VDD"}}, {"VDD - 0.5 V", "", rating{base: "VDD", above: -0.5}},
		{"-0.5 V to VCC + 0.5 V", "", rating{min: -0.5, hasMin: true, base: "VCC", above: 0.5}}, {"VSS - 0.3 V to VDD + 0.3 V", "", rating{min: -0.3, hasMin: true, base: "VDD", above: 0.3}},
		{"", "", rating{none: true}}, {"-", "", rating{none: true}}, {"—", "", rating{none: true}}, {"n/a", "V", rating{none: true}}, {"none", "", rating{none: true}}, {"?", "", rating{none: true}},
		{"7", "", rating{max: 7, hasMax: true, assumed: true}},
	} {
		got := readRating(c.cell, c.unit)
		if math.Abs(got.max-c.want.max) < 1e-12 && math.Abs(got.min-c.want.min) < 1e-12 && math.Abs(got.maxI-c.want.maxI) < 1e-12 && math.Abs(got.above-c.want.above) < 1e-12 {
			got.max, got.min, got.maxI, got.above = c.want.max, c.want.min, c.want.maxI, c.want.above
		}
		if got != c.want {
			t.Errorf("%q in %q: %+v, not %+v", c.cell, c.unit, got, c.want)
		}
	}
	for cell, words := range map[string]string{
		"plenty": "", "see note 1": "", "7 X": "", "1.234,5 V": "", "7 V to -1 V": "the lower end lies above", "to 7 V": "", "low to 7 V": "the lower end", "-1 V to high": "the upper end",
		"20 mA to 7 V": "do not belong together", "VDD + much": "", "5 Ω": "", "1e999 V": "", "7 V 8 V": "",
	} {
		if got := readRating(cell, ""); got.why == "" || !strings.Contains(got.why, words) {
			t.Errorf("%q: %+v", cell, got)
		}
	}
}

// TestExpandNames: one cell that names several pins.
func TestExpandNames(t *testing.T) {
	for _, c := range []struct {
		cell string
		n    int
		want string
	}{
		{"D0-D3", 4, "D0 D1 D2 D3"}, {"D0–D3", 4, "D0 D1 D2 D3"}, {"D[0..3]", 4, "D0 D1 D2 D3"}, {"D[3:0]", 4, "D3 D2 D1 D0"}, {"D<1:2>", 2, "D1 D2"}, {"D(0 to 1)", 2, "D0 D1"}, {"D0...D2", 3, "D0 D1 D2"}, {"D3-D0", 4, "D3 D2 D1 D0"},
		{"D0_N-D1_N", 2, ""}, {"IN1-2", 2, "IN1 IN2"}, {"A, B", 2, "A B"}, {"A; B; C", 3, "A B C"}, {"A B", 2, "A B"}, {"A/B", 2, "A B"}, {"A\nB", 2, "A B"},
		{"D0-D7", 4, ""}, {"GND", 2, ""}, {"A, B", 3, ""}, {"", 2, ""},
	} {
		got, ok := expandNames(c.cell, c.n)
		if ok != (c.want != "") || ok && strings.Join(got, " ") != c.want {
			t.Errorf("%q for %d: %q, %t", c.cell, c.n, got, ok)
		}
	}
}

// TestSpans writes ascending numbers.
func TestSpans(t *testing.T) {
	for want, numbers := range map[string][]int{"": nil, "3": {3}, "3, 4": {3, 4}, "3 to 5": {3, 4, 5}, "1, 3 to 6, 8, 9": {1, 3, 4, 5, 6, 8, 9}, "2, 4, 6": {2, 4, 6}} {
		if got := spans(numbers); got != want {
			t.Errorf("%v: %q, not %q", numbers, got, want)
		}
	}
}

// TestLogicWords: what columns of logic families say.
func TestLogicWords(t *testing.T) {
	for text, want := range map[string]string{
		"TTL": "5v-ttl", "ttl": "5v-ttl", "HC": "5v-hc", "HCT": "5v-hct", "LVTTL": "3v3-lvttl", "LV-TTL": "3v3-lvttl", "LVCMOS": "3v3-lvcmos", "LVCMOS33": "3v3-lvcmos", "LVCMOS (2.5 V)": "2v5",
		"LVCMOS 2,5 V": "2v5", "LVCMOS18": "1v8", "1.8 V CMOS": "1v8", "1.5V": "1v5", "LVCMOS12": "1v2", "3v3-lvttl": "3v3-lvttl", "1V8": "1v8", "steam": "", "SSTL": "",
	} {
		got := ParsePinTable("Pin\tName\tType\tLogic\n1\tA\tI\t" + text + "\n2\tGND\tG\t\n")
		if p := got.Pins()[0]; p.Logic != want || (want == "") != strings.Contains(written(got.Problems), "is not one logic family") {
			t.Errorf("%q: %q, not %q; %s", text, p.Logic, want, written(got.Problems))
		}
	}
}

// TestSamePinsHoweverSeparated: one table written with every separator, in
// another order of columns and with other headings is understood alike.
func TestSamePinsHoweverSeparated(t *testing.T) {
	rows := [][]string{{"Pin", "Name", "Type", "Max V", "Max I", "Supply"}, {"1", "IN", "input", "7 V", "20 mA", "VCC"}, {"2", "OUT", "output", "7 V", "25 mA", "VCC"}, {"3", "GND", "ground", "-", "50 mA", "-"}, {"4", "VCC", "supply", "7 V", "50 mA", "-"}}
	write := func(between string, order []int, heads map[string]string) string {
		var b strings.Builder
		for _, row := range rows {
			cells := make([]string, len(order))
			for i, k := range order {
				cells[i] = row[k]
				if h := heads[row[k]]; h != "" {
					cells[i] = h
				}
			}
			b.WriteString(strings.Join(cells, between) + "\n")
		}
		return b.String()
	}
	plain := []int{0, 1, 2, 3, 4, 5}
	first := ParsePinTable(write("\t", plain, nil))
	want := first.Pins()
	if len(want) != 4 || want[0].Clamp != 4 || want[1].MaxI != 0.025 {
		t.Fatalf("%+v", want)
	}
	for name, text := range map[string]string{
		"comma": write(",", plain, nil), "spaces": padded(rows), "semicolon": write(";", plain, nil), "pipe": write(" | ", plain, nil),
		"turned round": write("\t", []int{5, 4, 3, 2, 1, 0}, nil), "other order": write(",", []int{2, 0, 4, 1, 5, 3}, nil),
		"other words": write("\t", plain, map[string]string{"Pin": "Ball", "Name": "Signal", "Type": "Direction", "Max V": "Abs. max. voltage", "Max I": "Max. current", "Supply": "Domain"}),
		"DOS lines":   strings.ReplaceAll(write("\t", plain, nil), "\n", "\r\n"), "old Mac lines": strings.ReplaceAll(write("\t", plain, nil), "\n", "\r"),
		"marked as UTF-8": "\ufeff" + write("\t", plain, nil), "empty lines": strings.ReplaceAll(write("\t", plain, nil), "\n", "\n\n"),
	} {
		got := ParsePinTable(text)
		if diff := cmp.Diff(want, got.Pins()); diff != "" {
			t.Errorf("%s: %s\n%s", name, diff, text)
		}
	}
}

// padded writes rows in columns that stand below their headings.
func padded(rows [][]string) string {
	var b strings.Builder
	for _, row := range rows {
		for _, cell := range row {
			fmt.Fprintf(&b, "%-12s", cell)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// TestMicroamperesStayMicro: a column headed in µA was read in amperes.
func TestMicroamperesStayMicro(t *testing.T) {
	for _, heading := range []string{"Imax (µA)", "Imax (μA)", "Imax (uA)", "I max [µA]", "Max. current, µA", "µA", "Max current in µA"} {
		got := ParsePinTable("Pin\tName\tType\t" + heading + "\n1\tA\tI\t5\n2\tGND\tG\t\n")
		if p := got.Pins()[0]; math.Abs(p.MaxI-5e-6) > 1e-12 || len(got.Problems) > 0 {
			t.Errorf("%s: 5 is %g A; %s", heading, p.MaxI, written(got.Problems))
		}
	}
}

// FuzzCells: whatever stands in a cell, it is understood or a reason is given,
// in bounded words.
func FuzzCells(f *testing.F) {
	for _, s := range []string{"3", "1-4", "-0.3 to 7 V", "VDD + 0.3 V", "±5 V", "7 V / 20 mA", "I/O (OD)", "D[7:0]", "Min V", "01-Apr", "–0.3–5.5 V", "\x00", "９ V", strings.Repeat("1-2,", 40)} {
		f.Add(s, "mA")
	}
	f.Fuzz(func(t *testing.T, cell, unit string) {
		cell = clip(cell, maxCell)
		if numbers, why := readNumbers(cell); (len(numbers) == 0) != (why != "") || len(numbers) > MaxPins || slices.Min(append(numbers, 0)) < 0 {
			t.Errorf("%q: %v, %q", cell, numbers, why)
		}
		r := readRating(cell, unit)
		if r.why == "" && !r.none && !r.hasMin && !r.hasMax && !r.hasI && r.base == "" {
			t.Errorf("%q in %q: nothing, and no reason", cell, unit)
		}
		if r.hasMin && r.hasMax && r.min > r.max || math.IsNaN(r.min+r.max+r.maxI+r.above) || r.maxI < 0 {
			t.Errorf("%q in %q: %+v", cell, unit, r)
		}
		if fn, _ := readFunction(cell); fn != "" && !slices.Contains(Functions(), fn) {
			t.Errorf("%q: %q", cell, fn)
		}
		for n := range 4 {
			if names, ok := expandNames(cell, n+2); ok && len(names) != n+2 {
				t.Errorf("%q: %d names for %d pins", cell, len(names), n+2)
			}
		}
		readHeading(cell)
	})
}
