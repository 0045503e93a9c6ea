package dut

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"ohmkeep/server/quantity"
)

// brief writes a pin in one line: number, name, function, then what is given of
// clamp, voltages, headroom, current and logic family.
func brief(p Pin) string {
	s := fmt.Sprintf("%d %s %s", p.Number, p.Name, p.Function)
	if p.Clamp != 0 {
		s += fmt.Sprintf(" >%d", p.Clamp)
	}
	if p.MinV != 0 || p.MaxV != 0 {
		s += fmt.Sprintf(" %g..%g", p.MinV, p.MaxV)
	}
	if p.AboveClamp != 0 {
		s += fmt.Sprintf(" +%g", p.AboveClamp)
	}
	if p.MaxI != 0 {
		s += " " + strings.ReplaceAll(quantity.Plain(p.MaxI), " ", "") + "A"
	}
	if p.Logic != "" {
		s += " " + p.Logic
	}
	return s
}

// pasteCase is an invented table, what must be understood of it, and words that
// must stand among the problems, warnings and ignored lines. A table without want
// problems must have none.
type pasteCase struct {
	name, text, sep          string
	pins                     []string
	problems, warns, ignored []string
}

var pasteCases = []pasteCase{
	{name: "spreadsheet", sep: "tab", text: "Pin\tName\tType\tMax V\tImax\tSupply\n1\tIN\tI\t7 V\t20 mA\tVCC\n2\tOUT\tO\t7 V\t25 mA\tVCC\n3\tGND\tG\t\t50 mA\t\n4\tVCC\tP\t7 V\t50 mA\t\n",
		pins: []string{"1 IN input >4 0..7 0.02A", "2 OUT output >4 0..7 0.025A", "3 GND ground 0.05A", "4 VCC supply 0..7 0.05A"}},
	{name: "CSV, units in headings, quoted", sep: "comma", text: "\"No.\",Signal,Dir,Vmax (V),Imax [mA],Description\r\n1,A,IN,5.5,10,\"data, first\"\r\n2,GND,GND,,,\"ground\"\r\n3,\"V\"\"X\"\"\",OUT,5.5,0.5,\r\n",
		pins: []string{"1 A input 0..5.5 0.01A", "2 GND ground", `3 V"X" output 0..5.5 0.0005A`}},
	{name: "semicolons and decimal commas", sep: "semicolon", text: "Number;Symbol;Function;Abs max (V);I max (mA)\n1;VDD;Supply;4,6;50\n2;VSS;Ground;;50\n3;EN;Input;−0,3 … 4,6;2,5\n4;Q;Output;5,500;1\n",
		pins:     []string{"1 VDD supply 0..4.6 0.05A", "2 VSS ground 0.05A", "3 EN input -0.3..4.6 0.0025A", "4 Q output 0.001A"},
		problems: []string{"line 5 column 4: “5,500”: a comma here can be read"}},
	{name: "comma CSV broken by decimal commas", sep: "comma", text: "Pin,Name,Type,Vmax\n1,VCC,P,5.5\n2,IN,I,5,5\n3,GND,G\n",
		pins: []string{"1 VCC supply 0..5.5", "3 GND ground"}, problems: []string{"line 3: the line has 5 cells and the heading 4: put cells that hold a comma"},
		warns: []string{"no line describes pin 2", "give a unit: the numbers are taken in V"}},
	{name: "pipes with a ruling", sep: "pipe", text: "| Pin | Name | Type |\n|-----|------|------|\n| 1 | A0 | I |\n| 2 | GND | |\n| 3 | VCC | |\n",
		pins: []string{"1 A0 input", "2 GND ground", "3 VCC supply"}, warns: []string{"taken as ground from the name", "taken as supply from the name"}, ignored: []string{"a ruling"}},
	{name: "columns by spaces with an empty cell", sep: "two or more spaces", text: "Table 1: pins of the part\n\n  Pin   Name    Type       Max V    Clamp\n  1     VP      supply     12 V\n  2     IN      input               VP\n  3     GND     ground\n  4     OUT     output     12 V     VP\n",
		pins: []string{"1 VP supply 0..12", "2 IN input >1", "3 GND ground", "4 OUT output >1 0..12"}, ignored: []string{"above the headings"}},
	{name: "any order, other words", sep: "tab", text: "Description\tDirection\tSignal name\tBall\nx\tbidir\tD\t1\ny\tanalog\tAX\t2\nz\tN.C.\tNC\t3\nz\tgnd\tG\t4\n",
		pins: []string{"1 D bidirectional", "2 AX analog", "3 NC no connect", "4 G ground"}},
	{name: "bus ranges", sep: "tab", text: "Pins\tName\tI/O\n1-4\tD0–D3\tI/O\n5..8\tA[3:0]\tI\n9, 10\tGND\tG\n11;12\tVCC\tP\n13 14\tX, Y\tO\n",
		pins: []string{"1 D0 bidirectional", "2 D1 bidirectional", "3 D2 bidirectional", "4 D3 bidirectional", "5 A3 input", "6 A2 input", "7 A1 input", "8 A0 input",
			"9 GND ground", "10 GND ground", "11 VCC supply", "12 VCC supply", "13 X output", "14 Y output"}},
	{name: "range and names do not agree", sep: "tab", text: "Pin\tName\tType\n1-4\tD0-D7\tI/O\n5\tGND\tG\n",
		pins:  []string{"1 D0-D7 bidirectional", "2 D0-D7 bidirectional", "3 D0-D7 bidirectional", "4 D0-D7 bidirectional", "5 GND ground"},
		warns: []string{"one name, “D0-D7”, stands for 4 pins", "pins 1 and 2 are both called"}},
	{name: "merged cells", sep: "tab", text: "Pin\tName\tType\tMax V (V)\tSupply\n1\tA\tInput\t5.5\tVDD\n2\tB\t\t\t\n3\tC\t\t\t\n4\tY\tOutput\t\t\n5\tVSS\t\t\t\n6\tVDD\tSupply\t6\t\n",
		pins:  []string{"1 A input >6 0..5.5", "2 B input >6 0..5.5", "3 C input >6 0..5.5", "4 Y output", "5 VSS ground", "6 VDD supply 0..6"},
		warns: []string{"line 3 column 3: the function is empty and taken from line 2"}},
	{name: "rows with empty ends", sep: "tab", text: "Pin\tName\tType\tVmax (V)\tLogic\n1\tA\tI\t\t1v8\n2\tY\tO\t4\t\n3\tGND\tG\t\t\n", pins: []string{"1 A input 1v8", "2 Y output 0..4", "3 GND ground"}},
	{name: "merged names", sep: "tab", text: "Pin\tName\tType\n1\tGND\tground\n2\t\t\n3\tIN\tI\n4\t\tI\n",
		pins: []string{"1 GND ground", "2 GND ground", "3 IN input", "4 PIN4 input"}, problems: []string{"line 5 column 2: the pin has no name: it is called PIN4"}, warns: []string{"the name is empty and taken from line 2"}},
	{name: "two heading lines", sep: "tab", text: "Pin\tName\tType\tAbsolute maximum\t\n\t\t\tV\tmA\n1\tIN\tI\t5.5\t10\n2\tGND\tG\t\t\n",
		pins: []string{"1 IN input 0..5.5 0.01A", "2 GND ground"}},
	{name: "relative ratings", sep: "tab", text: "Pin\tName\tType\tRating\n1\tVCC\tP\t-0.5 V to 7 V\n2\tIN\tI\t-0.5 V to VCC + 0.5 V\n3\tOUT\tO\tVSS − 0.3 V … VCC+0.3V\n4\tGND\tG\t\n",
		pins: []string{"1 VCC supply -0.5..7", "2 IN input >1 -0.5..7.5 +0.5", "3 OUT output >1 -0.3..7.3 +0.3", "4 GND ground"}, warns: []string{"rated relative to 1 VCC"}},
	{name: "ranges and magnitudes", sep: "tab", text: "Pin\tName\tType\tVmin\tVmax\tImax\n1\tA\tA\t-5 V\t5 V\t±20 mA\n2\tB\tanalog\t\t±12 V\t500µA\n3\tGND\tG\t-\t—\tn/a\n",
		pins: []string{"1 A analog -5..5 0.02A", "2 B analog -12..12 0.0005A", "3 GND ground"}},
	{name: "duplicate, 0, 49", sep: "tab", text: "Pin\tName\tType\n0\tX\tI\n1\tA\tI\n1\tB\tO\n2\tGND\tG\n49\tZ\tI\n-3\tW\tI\n",
		pins: []string{"1 A input", "2 GND ground"}, problems: []string{"line 2 column 1: pin 0 is not taken", "line 4 column 1: pin 1 is described twice: line 3 (A) is taken, this one (B) is not", "line 6 column 1: pin 49", "line 7 column 1: “-3” is not a pin number"}},
	{name: "no ground", sep: "tab", text: "Pin\tName\tType\n1\tA\tI\n2\tB\tO\n", pins: []string{"1 A input", "2 B output"}, warns: []string{"no pin is ground"}},
	{name: "two grounds, no function column", sep: "comma", text: "pin,signal\n1,AGND\n2,DGND\n3,VCC\n4,N.C.\n5,VDDIO\n", pins: []string{"1 AGND ground", "2 DGND ground", "3 VCC supply", "4 N.C. no connect", "5 VDDIO supply"}, warns: []string{"taken as ground"}},
	{name: "without headings", sep: "tab", text: "1\tVCC\tsupply\t7 V\t50 mA\n2\tIN\tinput\t7 V\t20 mA\n3\tGND\tground\t0 V\t50 mA\n",
		pins: []string{"1 VCC supply 0..7 0.05A", "2 IN input 0..7 0.02A", "3 GND ground 0.05A"}, warns: []string{"no headings were found"}},
	{name: "single spaces", sep: "single spaces", text: "1 VCC supply\n2 IN input\n3 GND ground\n4 X no connect\n",
		pins: []string{"1 VCC supply", "2 IN input", "3 GND ground", "4 X no connect"}, warns: []string{"no headings were found"}},
	{name: "type beside function", sep: "tab", text: "Pin\tName\tFunction\tType\n1\tCS\tChip select input\tI\n2\tGND\tReturn of the core\tG\n", pins: []string{"1 CS input", "2 GND ground"}},
	{name: "function as a sentence", sep: "tab", text: "Pin\tName\tFunction\n1\tCS\tChip select input\n2\tOE\tOutput enable\n3\tRTN\tPower ground\n4\tQ\tSerial data output\n",
		pins: []string{"1 CS input", "2 OE no connect", "3 RTN ground", "4 Q output"}, problems: []string{"line 3 column 3: “Output enable” is not a function known here"}, warns: []string{"taken as input from the words"}},
	{name: "open drain and footnotes", sep: "tab", text: "Pin\tName\tType\n1(1)\tINT*\tOpen drain\n2*\tSDA\tI/O (OD)\n3\tGND\tG(2)\n",
		pins: []string{"1 INT output", "2 SDA bidirectional", "3 GND ground"}, warns: []string{"needs a pull-up"}},
	{name: "logic families", sep: "tab", text: "Pin\tName\tType\tLogic\n1\tA\tI\tLVTTL\n2\tB\tI\t1v8\n3\tC\tO\tLVCMOS 2.5 V\n4\tD\tI\tmagic\n5\tGND\tG\tTTL\n",
		pins: []string{"1 A input 3v3-lvttl", "2 B input 1v8", "3 C output 2v5", "4 D input", "5 GND ground"}, problems: []string{"“magic” is not one logic family"}},
	{name: "clamps that are not there", sep: "tab", text: "Pin\tName\tType\tSupply\n1\tA\tI\tVDD\n2\tB\tI\t3.3 V\n3\tC\tI\tGND\n4\tGND\tG\tVDD\n5\tVCC\tP\tVCC\n6\tD\tI\tvcc\n7\tE\tI\t5\n",
		pins:     []string{"1 A input", "2 B input", "3 C input", "4 GND ground", "5 VCC supply", "6 D input >5", "7 E input >5"},
		problems: []string{"no pin is called “VDD”", "“3.3 V” is a voltage: name the supply pin", "pin 4 GND is no supply"}},
	{name: "thermal pad, title, headings again", sep: "tab", text: "Pin\tName\tType\nPower\t\t\n1\tVCC\tP\n2\tGND\tG\nPin\tName\tType\n3\tA\tI\n4\tB\tI\nEP\tPAD\tG\n",
		pins: []string{"1 VCC supply", "2 GND ground", "3 A input", "4 B input"}, ignored: []string{"a title", "the headings again", "the thermal pad"}},
	{name: "dates", sep: "tab", text: "Pin\tName\tType\n01-Apr\tD\tI\n5/6/2026\tE\tI\n7\tGND\tG\n", pins: []string{"7 GND ground"}, problems: []string{"“01-Apr” looks like a date", "“5/6/2026” looks like a date"}, warns: []string{"no line describes pin 1 to 6"}},
	{name: "grid", sep: "tab", text: "Ball\tName\tType\nA1\tVDD\tP\nA2\tIN\tI\nB1\tGND\tG\nB2, B3\tNC\tNC\nA3\tQ\tO\n",
		pins: []string{"1 VDD supply", "2 IN input", "3 Q output", "4 GND ground", "5 NC no connect", "6 NC no connect"}, warns: []string{"A1 is pin 1, A3 is pin 3"}},
	{name: "cells over two lines", sep: "tab", text: "Pin\tName\tDescription\n\"1\n3\"\tGND\t\"both\nsides\"\n2\tVCC\t\n", pins: []string{"1 GND ground", "2 VCC supply", "3 GND ground"}},
	{name: "quotation mark left open", sep: "tab", text: "Pin\tName\tType\n1\t\"A\tI\n2\tGND\tG\n", pins: []string{"1 \"A input", "2 GND ground"}, warns: []string{"line 2: a quotation mark"}},
	{name: "HTML", sep: "tab", text: "<table><tr><th>Pin</th><th>Name</th><th>Type</th></tr>\n<tr><td>1</td><td>A&amp;B</td><td>I</td></tr><tr><td>2</td><td><b>GND</b></td><td>G</td></tr></table>", pins: []string{"1 A&B input", "2 GND ground"}},
	{name: "HTML with merged cells", text: "<table><tr><td rowspan=2>1</td></tr></table>", problems: []string{"HTML with merged cells"}},
	{name: "currents without a unit", sep: "tab", text: "Pin\tName\tType\tImax\n1\tA\tI\t20\n2\tB\tI\t0.02\n3\tGND\tG\t\n", pins: []string{"1 A input", "2 B input 0.02A", "3 GND ground"},
		problems: []string{"“20” is more than 10 A: write the unit"}, warns: []string{"the numbers are taken in A"}},
	{name: "too high, crossed, nonsense", sep: "tab", text: "Pin\tName\tType\tVmin\tVmax\n1\tA\tI\t\t5000 V\n2\tB\tI\t-1 V\t-3 V\n3\tC\tI\t\tplenty\n4\tGND\tG\t\t\n5\tE\tI\t2 V\t3 V\n", pins: []string{"1 A input", "2 B input", "3 C input -1..0", "4 GND ground", "5 E input 0..3"},
		problems: []string{"“5000 V” is beyond ±60 V", "the lowest rating −1 V is above the highest −3 V", "“2 V” leaves out 0 V", "line 4 column 5: “plenty”"}},
	{name: "no number column", sep: "tab", text: "Name\tType\nVCC\tP\nGND\tG\n", pins: []string{"1 VCC supply", "2 GND ground"}, warns: []string{"numbered in the order of the rows"}},
	{name: "name and function disagree", sep: "tab", text: "Pin\tName\tType\n1\tGND\tInput\n2\tVSS\tPower\n3\tVCC\tPWR\n", pins: []string{"1 GND input", "2 VSS ground", "3 VCC supply"}, warns: []string{"the name “GND” sounds like ground, the table says input"}},
	{name: "negative supply", sep: "tab", text: "Pin\tName\tType\tVmax (V)\n1\tV+\tP\t18\n2\tV-\tP\t-18\n3\tIN\tA\t±18\n", pins: []string{"1 V+ supply 0..18", "2 V- supply -18..0", "3 IN analog -18..18"}, warns: []string{"taken as the lowest voltage", "no pin is ground"}},
	{name: "units in a column", sep: "tab", text: "Pin\tName\tType\tMax\tUnit\n1\tVCC\tP\t7\tV\n2\tX\tA\t20\tmA\n3\tGND\tG\t\t\n", pins: []string{"1 VCC supply 0..7", "2 X analog 0.02A", "3 GND ground"}},
	{name: "side by side", sep: "tab", text: "Pin\tName\tType\tPin\tName\tType\n1\tA\tI\t3\tGND\tG\n2\tB\tI\t4\tVCC\tP\n\t\t\t5\tC\tO\n",
		pins: []string{"1 A input", "2 B input", "3 GND ground", "4 VCC supply", "5 C output"}, warns: []string{"2 parts side by side"}},
	{name: "pin above names", sep: "tab", text: "No.\tPin\tType\n1\tA\tI\n2.\tGND\tG\n", pins: []string{"1 A input", "2 GND ground"}},
	{name: "one column for each package", sep: "tab", text: "DIP\tQFN\tName\tType\n1\t3\tA\tI\n2\t4\tGND\tG\n", pins: []string{"1 A input", "2 GND ground"}, warns: []string{"“DIP” is taken as the pin numbers; “QFN” holds numbers too"}},
	{name: "two packages in one cell", sep: "tab", text: "Pin\tName\tType\n1/3\tA\tI\n2\tGND\tG\n", pins: []string{"2 GND ground"}, problems: []string{"line 2 column 1: “1/3” is not a pin number"}, warns: []string{"pin 1"}},
	{name: "dashes for minus", sep: "tab", text: "Pin\tName\tType\tAbs. max.\n1\tVCC\tP\t–0.3 V to 7 V\n2\tA\tI\t–0.3–5.5 V\n3\tGND\tG\t\n", pins: []string{"1 VCC supply -0.3..7", "2 A input -0.3..5.5", "3 GND ground"}},
	{name: "not called a maximum", sep: "tab", text: "Pin\tName\tType\tVoltage\tOperating voltage\n1\tVCC\tP\t3.3 V\t3 V\n2\tGND\tG\t\t\n", pins: []string{"1 VCC supply 0..3.3", "2 GND ground"}, warns: []string{"“Voltage” is taken as the absolute maximum"}},
	{name: "not UTF-8", sep: "tab", text: "Pin\tName\tType\n1\tA\xb5\tI\n2\tGND\tG\n", pins: []string{"1 A\ufffd input", "2 GND ground"}, warns: []string{"not UTF-8"}},
	{name: "binary", text: "\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", problems: []string{"not readable text"}},
	{name: "UTF-16", text: "\xff\xfeP\x00i\x00n\x00", problems: []string{"CSV in UTF-8"}},
	{name: "empty", text: " \n\n", problems: []string{"nothing was pasted"}},
	{name: "prose", text: "Dear all, here is the part that we spoke of.\nKind regards", problems: []string{"no pin numbers were found"}, warns: []string{"no headings"}},
	{name: "headings alone", sep: "tab", text: "Pin\tName\tType\n", problems: []string{"no line describes a pin"}},
}

func TestParsePinTable(t *testing.T) {
	for _, c := range pasteCases {
		t.Run(c.name, func(t *testing.T) {
			got := ParsePinTable(c.text)
			if c.sep != "" && got.Separator != c.sep {
				t.Errorf("separator %s, want %s", got.Separator, c.sep)
			}
			pins := []string{}
			for _, p := range got.Pins() {
				pins = append(pins, brief(p))
			}
			if diff := cmp.Diff(append([]string{}, c.pins...), pins); diff != "" {
				t.Error(diff)
			}
			if len(got.Problems) != len(c.problems) {
				t.Errorf("%d problems, want %d", len(got.Problems), len(c.problems))
			}
			contains(t, "problem", written(got.Problems), c.problems)
			contains(t, "warning", written(got.Warnings), c.warns)
			if len(c.warns) == 0 && len(got.Warnings) > 0 && !strings.Contains(written(got.Warnings), "unit") && !strings.Contains(written(got.Warnings), "from the name") {
				t.Errorf("warned of %s", written(got.Warnings))
			}
			ignored := ""
			for _, l := range got.Ignored {
				ignored += l.Why + "\n"
			}
			contains(t, "ignored line", ignored, c.ignored)
			if t.Failed() {
				t.Logf("problems:\n%swarnings:\n%signored:\n%scolumns: %+v", written(got.Problems), written(got.Warnings), ignored, got.Columns)
			}
		})
	}
}

func written(notes []Note) string {
	s := ""
	for _, n := range notes {
		if n.Line > 0 {
			s += fmt.Sprintf("line %d", n.Line)
		}
		if n.Column > 0 {
			s += fmt.Sprintf(" column %d", n.Column)
		}
		s += ": " + n.Message + "\n"
	}
	return s
}

func contains(t *testing.T, kind, have string, want []string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(have, w) {
			t.Errorf("no %s says %q", kind, w)
		}
	}
}
