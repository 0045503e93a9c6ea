package dut

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// datasheet is a whole pin table of an invented part, as it comes out of a
// datasheet or a spreadsheet, what must be understood of each pin, and what must
// be said of the rest. A backslash stands for a tab.
type datasheet struct {
	name, table string
	pins        string   // one line each
	open        []string // words among the problems
	ignored     int      // lines that describe no pin
}

var datasheets = []datasheet{
	{
		name: "hex inverter, from a spreadsheet",
		table: `
Pin\Symbol\Type\Abs. max. (V)\Abs. max. (mA)\Supply\Logic\Description
1\1A\Input\-0.5 to 7\20\VCC\HC\Input of gate 1
2\1Y\Output\-0.5 to VCC + 0.5\25\VCC\HC\Output of gate 1
3\2A\Input\-0.5 to 7\20\VCC\HC\Input of gate 2
4\2Y\Output\-0.5 to VCC + 0.5\25\VCC\HC\Output of gate 2
5\3A\Input\-0.5 to 7\20\VCC\HC\Input of gate 3
6\3Y\Output\-0.5 to VCC + 0.5\25\VCC\HC\Output of gate 3
7\GND\Ground\\50\\\Ground (0 V)
8\4Y\Output\-0.5 to VCC + 0.5\25\VCC\HC\Output of gate 4
9\4A\Input\-0.5 to 7\20\VCC\HC\Input of gate 4
10\5Y\Output\-0.5 to VCC + 0.5\25\VCC\HC\Output of gate 5
11\5A\Input\-0.5 to 7\20\VCC\HC\Input of gate 5
12\6Y\Output\-0.5 to VCC + 0.5\25\VCC\HC\Output of gate 6
13\6A\Input\-0.5 to 7\20\VCC\HC\Input of gate 6
14\VCC\Supply\-0.5 to 7\50\\\Supply voltage
`,
		pins: `
1 1A input >14 -0.5..7 0.02A 5v-hc
2 1Y output >14 -0.5..7.5 +0.5 0.025A 5v-hc
3 2A input >14 -0.5..7 0.02A 5v-hc
4 2Y output >14 -0.5..7.5 +0.5 0.025A 5v-hc
5 3A input >14 -0.5..7 0.02A 5v-hc
6 3Y output >14 -0.5..7.5 +0.5 0.025A 5v-hc
7 GND ground 0.05A
8 4Y output >14 -0.5..7.5 +0.5 0.025A 5v-hc
9 4A input >14 -0.5..7 0.02A 5v-hc
10 5Y output >14 -0.5..7.5 +0.5 0.025A 5v-hc
11 5A input >14 -0.5..7 0.02A 5v-hc
12 6Y output >14 -0.5..7.5 +0.5 0.025A 5v-hc
13 6A input >14 -0.5..7 0.02A 5v-hc
14 VCC supply -0.5..7 0.05A
`,
	},
	{
		name: "dual amplifier, columns by spaces",
		table: `
Table 3. Pin functions of the dual amplifier

PIN   NAME     I/O       DESCRIPTION                      MAX V      MAX I
1     OUT A    O         Output of amplifier A            ±18 V      30 mA
2     IN- A    A         Inverting input of A             ±18 V      10 mA
3     IN+ A    A         Non-inverting input of A         ±18 V      10 mA
4     V-       P         Negative supply                  -18 V      50 mA
5     IN+ B    A         Non-inverting input of B         ±18 V      10 mA
6     IN- B    A         Inverting input of B             ±18 V      10 mA
7     OUT B    O         Output of amplifier B            ±18 V      30 mA
8     V+       P         Positive supply                  18 V       50 mA
`,
		pins: `
1 OUT A output -18..18 0.03A
2 IN- A analog -18..18 0.01A
3 IN+ A analog -18..18 0.01A
4 V- supply -18..0 0.05A
5 IN+ B analog -18..18 0.01A
6 IN- B analog -18..18 0.01A
7 OUT B output -18..18 0.03A
8 V+ supply 0..18 0.05A
`,
		ignored: 1,
	},
	{
		name: "linear regulator, comma-separated with notes",
		table: `
"No.","Name","Type","Vmin","Vmax","Imax","Notes"
1,IN,Power input,-0.3 V,20 V,500 mA,"unregulated, 4 V to 18 V"
2,GND,Ground,,,500 mA,
3,EN,Input,-0.3 V,20 V,1 mA,"high: on; do not float"
4,NC,No connect,,,,
5,OUT,Analog output,-0.3 V,6 V,500 mA,"needs 1 µF"
`,
		pins: `
1 IN supply -0.3..20 0.5A
2 GND ground 0.5A
3 EN input -0.3..20 0.001A
4 NC no connect
5 OUT analog -0.3..6 0.5A
`,
	},
	{
		name: "resistor network, European numbers",
		table: `
Nr.;Bezeichnung;Symbol;Type;Umax (V);Imax (mA)
1;Gemeinsam;COM;passive;12,5;50
2;R1;R1;passive;12,5;10
3;R2;R2;passive;12,5;10
4;R3;R3;passive;12,5;10
5;R4;R4;passive;12,5;10
6;R5;R5;passive;12,5;10
7;R6;R6;passive;12,5;10
8;R7;R7;passive;12,5;10
`,
		pins: `
1 COM analog 0..12.5 0.05A
2 R1 analog 0..12.5 0.01A
3 R2 analog 0..12.5 0.01A
4 R3 analog 0..12.5 0.01A
5 R4 analog 0..12.5 0.01A
6 R5 analog 0..12.5 0.01A
7 R6 analog 0..12.5 0.01A
8 R7 analog 0..12.5 0.01A
`,
	},
	{
		name: "microcontroller, merged cells and a thermal pad",
		table: `
Pin no.\Pin name\Pin type\Power domain\Vmax (V)\Pin description
1\PA0\I/O\VDDIO\4\Port A, bit 0
2\PA1\\\\Port A, bit 1
3\PA2\\\\Port A, bit 2
4\PA3\\\\Port A, bit 3
5\VSS\G\\\Ground of the ports
6\VDDIO\P\\4\Supply of the ports
7\XIN\I\VDDIO\4\Crystal
8\XOUT\O\VDDIO\4\Crystal
9\RESET\I\VDDIO\4\Active low
10\VDDCORE\P\\2\Supply of the core
11\VSS\G\\\Ground of the core
12\AIN0\AI\VDDA\4\Converter input
13\AIN1\\\\Converter input
14\VDDA\P\\4\Analog supply
15\VSSA\G\\\Analog ground
16\SWD\I/O\VDDIO\4\Debug
EP\Exposed pad\G\\\Connect to ground
`,
		pins: `
1 PA0 bidirectional >6 0..4
2 PA1 bidirectional >6 0..4
3 PA2 bidirectional >6 0..4
4 PA3 bidirectional >6 0..4
5 VSS ground
6 VDDIO supply 0..4
7 XIN input >6 0..4
8 XOUT output >6 0..4
9 RESET input >6 0..4
10 VDDCORE supply 0..2
11 VSS ground
12 AIN0 analog >14 0..4
13 AIN1 analog >14 0..4
14 VDDA supply 0..4
15 VSSA ground
16 SWD bidirectional >6 0..4
`,
		ignored: 1,
	},
	{
		name: "serial memory, as markdown",
		table: `
| Pin | Name | Direction | Voltage rating | Description          |
| --: | :--- | :-------: | -------------- | -------------------- |
| 1   | CS   | in        | -0.6 V to VCC + 0.6 V | Chip select   |
| 2   | SO   | out       | -0.6 V to VCC + 0.6 V | Serial out    |
| 3   | WP   | in        | -0.6 V to VCC + 0.6 V | Write protect |
| 4   | VSS  | ground    |                | 0 V                  |
| 5   | SI   | in        | -0.6 V to VCC + 0.6 V | Serial in     |
| 6   | SCK  | clock     | -0.6 V to VCC + 0.6 V | Clock         |
| 7   | HOLD | in        | -0.6 V to VCC + 0.6 V | Hold          |
| 8   | VCC  | supply    | -0.6 V to 4.6 V | Supply              |
`,
		pins: `
1 CS input >8 -0.6..5.2 +0.6
2 SO output >8 -0.6..5.2 +0.6
3 WP input >8 -0.6..5.2 +0.6
4 VSS ground
5 SI input >8 -0.6..5.2 +0.6
6 SCK input >8 -0.6..5.2 +0.6
7 HOLD input >8 -0.6..5.2 +0.6
8 VCC supply -0.6..4.6
`,
		ignored: 1,
	},
	{
		name: "level translator with two supplies",
		table: `
PIN\NAME\TYPE\ABSOLUTE MAXIMUM\\DOMAIN
\\\V\mA\
1\VCCA\P\4.6\50\
2\A1\I/O\4.6\25\VCCA
3\A2\I/O\4.6\25\VCCA
4\DIR\I\4.6\10\VCCA
5\GND\G\\50\
6\B2\I/O\6.5\25\VCCB
7\B1\I/O\6.5\25\VCCB
8\VCCB\P\6.5\50\
`,
		pins: `
1 VCCA supply 0..4.6 0.05A
2 A1 bidirectional >1 0..4.6 0.025A
3 A2 bidirectional >1 0..4.6 0.025A
4 DIR input >1 0..4.6 0.01A
5 GND ground 0.05A
6 B2 bidirectional >8 0..6.5 0.025A
7 B1 bidirectional >8 0..6.5 0.025A
8 VCCB supply 0..6.5 0.05A
`,
	},
	{
		name: "bus driver with spans of pins",
		table: `
Terminal no.\Terminal name\I/O\Max. voltage [V]\Max. current [mA]
1\OE1\I\7\20
2-9\A1-A8\I\7\20
10\GND\G\\75
11-18\Y8-Y1\O\7\35
19\OE2\I\7\20
20\VCC\P\7\75
`,
		pins: `
1 OE1 input 0..7 0.02A
2 A1 input 0..7 0.02A
3 A2 input 0..7 0.02A
4 A3 input 0..7 0.02A
5 A4 input 0..7 0.02A
6 A5 input 0..7 0.02A
7 A6 input 0..7 0.02A
8 A7 input 0..7 0.02A
9 A8 input 0..7 0.02A
10 GND ground 0.075A
11 Y8 output 0..7 0.035A
12 Y7 output 0..7 0.035A
13 Y6 output 0..7 0.035A
14 Y5 output 0..7 0.035A
15 Y4 output 0..7 0.035A
16 Y3 output 0..7 0.035A
17 Y2 output 0..7 0.035A
18 Y1 output 0..7 0.035A
19 OE2 input 0..7 0.02A
20 VCC supply 0..7 0.075A
`,
	},
	{
		name: "small grid with places",
		table: `
Ball\Name\Type\Description
A1\VIN\P\Input supply
A2\SW\A\Switching node
A3\VOUT\A\Output
B1\EN\I\Enable
B2\GND\G\Ground
B3\FB\A\Feedback
C1\MODE\I\Mode
C2\GND\G\Ground
C3\PG\OD\Power good, open drain
`,
		pins: `
1 VIN supply
2 SW analog
3 VOUT analog
4 EN input
5 GND ground
6 FB analog
7 MODE input
8 GND ground
9 PG output
`,
	},
	{
		name: "transistor, three lines",
		table: `
Lead\Symbol\Function\Rating
1\B\Analog\±6 V
2\C\Analog\-0.3 V to 40 V
3\E\Analog\±6 V
`,
		pins: `
1 B analog -6..6
2 C analog -0.3..40
3 E analog -6..6
`,
	},
	{
		name: "mistakes that are named",
		table: `
Pin\Name\Type\Vmax\Imax (mA)\Supply
1\A\I\5 V\20\VDD
1\B\I\5 V\20\VDD
3\C\maybe\5 V\20\VDD
4\D\I\five\20\VDD
5\E\I\5 V\20 V\VDD
6\F\I\5 V\lots\VDD
7\GND\G\\50\
8\VDD\P\5,5 V\50\
99\Z\I\5 V\20\VDD
`,
		pins: `
1 A input >8 0..5 0.02A
3 C no connect 0..5 0.02A
4 D input >8 0.02A
5 E input >8 0..5
6 F input >8 0..5
7 GND ground 0.05A
8 VDD supply 0..5.5 0.05A
`,
		open: []string{"pin 1 is described twice", "“maybe” is not a function", "“five”", "“lots”", "pin 99 is not taken"},
	},
	{
		name: "copied from a page with a head and a foot",
		table: `
Pin configuration and functions
Pin\Name\Type\Max V
1\CLK\I\4 V
2\D\I\4 V

Pin\Name\Type\Max V
3\Q\O\4 V
4\GND\G\
5\VDD\P\4 V
Copyright of nobody
`,
		pins: `
1 CLK input 0..4
2 D input 0..4
3 Q output 0..4
4 GND ground
5 VDD supply 0..4
`,
		ignored: 3,
	},
}

// TestDatasheets: whole tables, pin by pin.
func TestDatasheets(t *testing.T) {
	for _, c := range datasheets {
		t.Run(c.name, func(t *testing.T) {
			got := ParsePinTable(strings.ReplaceAll(strings.TrimPrefix(c.table, "\n"), `\`, "\t"))
			lines := []string{""}
			for _, p := range got.Pins() {
				lines = append(lines, brief(p))
			}
			if diff := cmp.Diff(c.pins, strings.Join(lines, "\n")+"\n"); diff != "" {
				t.Errorf("%s\n%s", diff, strings.Join(lines, "\n"))
			}
			contains(t, "problem", written(got.Problems), c.open)
			if len(c.open) == 0 && len(got.Problems) > 0 || len(got.Ignored) != c.ignored {
				t.Errorf("problems:\n%s%d ignored: %+v", written(got.Problems), len(got.Ignored), got.Ignored)
			}
			d, _ := Propose("part", "Part", got)
			if err := d.Validate(); err != nil {
				t.Error(err)
			}
		})
	}
}
