package form

import (
	"fmt"
	"math/rand/v2"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/rehearsal"
)

// TestBenchFormIsExact: a form that is sent back untouched is the bench it was
// made from, whatever the bench.
func TestBenchFormIsExact(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	value := func(scale float64) float64 {
		if rnd.IntN(4) == 0 {
			return 0
		}
		return rnd.Float64() * scale
	}
	for n := range 60 {
		d := deskBench()
		d.SwitchTime, d.Capacitance, d.LineHz = value(1), value(1e-6), []float64{50, 60}[rnd.IntN(2)]
		d.Channels[0].Name = []string{"1A", "2", "return", "all", "a, b", "#1", "0"}[rnd.IntN(7)]
		d.Channels[1].Number, d.Channels[1].SourceR = rnd.IntN(3), value(1e3)
		d.Connections[0].Timeout, d.Connections[0].Watchdog = 1e-3+value(10), value(600)
		d.Connections[0].Echo, d.Connections[0].Serial = rnd.IntN(2) == 0, "7"
		d.Connections[0].Commands = bench.Commands{Safe: "ABOR\n*RST", ClosePaths: bench.None}
		for k := range d.Channels[n%2].SenseI {
			r := &d.Channels[n%2].SenseI[k]
			r.Step, r.Gain, r.Offset, r.Noise, r.LoopTime = value(1), value(1), value(1), value(1e-9), value(60)
		}
		for i := range d.Paths {
			p := &d.Paths[i]
			p.ID = bench.PathID(1000 - i)
			p.ResistanceTolerance, p.LeakageTolerance = value(1), value(1)
			p.Resistance, p.Leakage, p.MaxCurrent, p.Card, p.Mux = value(100), value(1e-9), value(1), rnd.IntN(2), []string{"", "m 1", "m;2", "m,3"}[rnd.IntN(4)]
		}
		r := readBench(BenchValues(&d), &d)
		if len(r.Problems)+len(r.Paths.Notes) > 0 {
			t.Fatalf("%v %v\n%s", r.Problems, r.Paths.Notes, PathsText(&d))
		}
		if !reflect.DeepEqual(r.Def, d) {
			t.Fatalf("bench %d came back as\n%+v\nand was\n%+v", n, r.Def, d)
		}
	}
}

// readDesk reads paths for the bench with channels 1A and 1B and eight contacts.
func readDesk(text string) PathTable {
	d := deskBench()
	return ReadPaths(text, &d)
}

// TestPathsPasted: what is pasted is read whatever it is split by, in any order of columns, with
// units in the headings or in the cells, and with decimal commas.
func TestPathsPasted(t *testing.T) {
	want := bench.Path{ID: 1, Channel: 2, Contact: 3, Mux: "m1", Address: "2!3", Resistance: 4.7, Leakage: 1e-11, Kelvin: true, MaxCurrent: 0.1}
	for name, text := range map[string]string{
		"tabs":               "Channel\tContact\tMux\tAddress\tResistance\tLeakage\tKelvin\tMax current\n1B\t3\tm1\t2!3\t4.7\t10 pS\tyes\t100 mA",
		"another order":      "Contact;Mux;Leakage;Line;Sense;Address;Max current;R\n3;m1;10p;1b;x;2!3;0,1 A;4,7 Ω",
		"units in brackets":  "Line\tTo\tMultiplexer\tAddress\tResistance [mΩ]\tLeakage (pS)\tSense wire\tMax current (mA)\n2\t3\tm1\t2!3\t4700\t10\t1\t100",
		"bars":               "line | contact | mux | address | resistance | leakage | sense | max current\n1B | 3 | m1 | 2!3 | 4R7 | 100 GΩ | true | 0.1",
		"no headings":        "1B\t3\tm1\t2!3\t4.7\t10 pS\tyes\t100 mA",
		"commas and quotes":  "Line,Contact,Mux,Address,Resistance,Leakage,Kelvin,Max current,Comment\n\"1B\",3,\"m1\",2!3,4.7,1e-11,yes,0.1,\"the third\"",
		"wide spaces":        "Line  Contact  Mux  Address  Resistance  Leakage  Kelvin  Max current\n1B    3        m1   2!3      4.7 Ω       10 pS    yes     100 mA",
		"empty lines inside": "\n\nLine\tContact\tMux\tAddress\tR\tLeakage\tKelvin\tImax\n\n1B\t3\tm1\t2!3\t4.7\t10 pS\tyes\t100 mA\n\n",
		"numbered":           "Path\tLine\tContact\tMux\tAddress\tR\tLeakage\tKelvin\tImax\n1\t#2\t3\tm1\t2!3\t4.7\t10 pS\tyes\t100 mA",
	} {
		got := readDesk(text)
		if len(got.Notes) > 0 || len(got.Paths) != 1 || got.Paths[0] != want {
			t.Errorf("%s: %+v, %v", name, got.Paths, got.Notes)
		}
	}
}

// TestPathsRefused: what cannot be read is told with its line, and nothing else is lost.
func TestPathsRefused(t *testing.T) {
	const head = "Line\tContact\tAddress\tResistance\tLeakage\tKelvin\tMax current\n"
	for text, said := range map[string]string{
		head + "9X\t1":                           `line 2: line: there is no channel "9X"`,
		head + "1A\t":                            "line 2: contact: enter a number",
		head + "1A\tfour":                        `line 2: contact: "four" is not a whole number`,
		head + "1A\t1\ta\t5 V":                   "line 2: resistance:",
		head + "1A\t1\ta\t1,000":                 "line 2: resistance: a comma here can be read as a decimal or a thousands mark",
		head + "1A\t1\ta\t\t5 mA":                "line 2: leakage:",
		head + "1A\t1\ta\t\t\tperhaps":           `line 2: sense wire: "perhaps" is neither yes nor no`,
		head + "1A\t1\ta\t\t\t\t\tmore\tcells":   "line 2: has 9 cells, and the table 7 columns",
		"Contact\tAddress\n1\ta":                 `line 1: no column says the line`,
		"Line\tResistance\n1A\t1":                `line 1: no column says the contact`,
		"Line\tContact\tResistance [V]\n1A\t1":   `line 1: "V" is no unit of the resistance`,
		"Path\tLine\tContact\n-1\t1A\t1":         "line 2: path: number paths from 1",
		strings.Repeat("1A\t1\tx\n", 10_000):     "line 0: the table has 10000 lines, and a bench at most 4096 paths",
		"<script>alert(1)</script>":              "line 1:",
		"\xff\xfe\x00":                           "line 1:",
		head + "1A\t" + strings.Repeat("9", 999): "line 2: contact:",
	} {
		var all []string
		for _, p := range readDesk(text).Notes {
			all = append(all, fmt.Sprintf("line %d: %s", p.Line, p.Message))
		}
		if !strings.Contains(strings.Join(all, "\n"), said) {
			t.Errorf("%.60q: %q, want %q", text, all, said)
		}
	}
}

// manyPaths is a table of n paths of the bench on the desk.
func manyPaths(n int) string {
	var b strings.Builder
	b.WriteString("Line\tContact\tMux\tAddress\tResistance\n")
	for n := range n {
		fmt.Fprintf(&b, "1A\t%d\tm%d\t%d!%d\t4.7 Ω\n", n%8+1, n/16, n/8+1, n%8+1)
	}
	return b.String()
}

// TestManyPaths: a table as long as may be pasted is read whole, and four times
// the lines cost no more than four times the memory.
func TestManyPaths(t *testing.T) {
	d := deskBench()
	v := BenchValues(&d)
	v.Set("paths", manyPaths(bench.MaxPaths))
	read := CheckBench(v, &d)
	if n := len(read.Def.Paths); n != bench.MaxPaths || len(read.Problems) > 0 {
		t.Errorf("%d paths, %v", n, read.Problems[:min(3, len(read.Problems))])
	}
	allocs := func(n int) float64 {
		text := manyPaths(n)
		return testing.AllocsPerRun(1, func() { ReadPaths(text, &d) })
	}
	if quarter, whole := allocs(bench.MaxPaths/4), allocs(bench.MaxPaths); whole > 4.2*quarter {
		t.Errorf("%g allocations for %d lines, %g for a quarter of them", whole, bench.MaxPaths, quarter)
	}
}

// BenchmarkReadPaths reads tables of 1,024 and of 4,096 lines: the second takes
// four times as long.
func BenchmarkReadPaths(b *testing.B) {
	d := deskBench()
	for _, n := range []int{bench.MaxPaths / 4, bench.MaxPaths} {
		text := manyPaths(n)
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			for b.Loop() {
				ReadPaths(text, &d)
			}
		})
	}
}

// FuzzPaths: whatever is pasted is read without harm, and read the same when it
// is written.
func FuzzPaths(f *testing.F) {
	d := rehearsal.DefaultBench()
	f.Add(PathsText(&d)[:400])
	f.Add("Line,Contact\n1A,1")
	f.Add("1A 1 m (Ω)\n[]\t()\t[[")
	f.Fuzz(func(t *testing.T, text string) {
		got := ReadPaths(text, &d)
		if len(got.Paths) != len(got.lines) || len(got.Paths) > mostPathLines {
			t.Fatalf("%d paths of %d lines", len(got.Paths), len(got.lines))
		}
		if len(got.Notes) > 0 {
			return
		}
		// What was read is read the same when it is written.
		again := d
		again.Paths = got.Paths
		back := ReadPaths(PathsText(&again), &d)
		if len(back.Notes) > 0 || len(got.Paths) > 0 && !reflect.DeepEqual(back.Paths, got.Paths) {
			t.Fatalf("%v: %+v came back as %+v", back.Notes, got.Paths, back.Paths)
		}
	})
}

func TestScales(t *testing.T) {
	for text, want := range map[string][]string{
		"2 V; 10 V": {"2 V", "10 V"}, "2 V, 10 V": {"2 V", "10 V"}, "1uA,1mA": {"1uA", "1mA"}, "2,5": {"2,5"}, "2,5 V; 10 V;": {"2,5 V", "10 V"}, " ": nil, ",;,": nil,
	} {
		if got := splitScales(text); !reflect.DeepEqual(got, want) {
			t.Errorf("%q is split into %q", text, got)
		}
	}
}

// TestBenchRoundTrip: document to form to document is the identity, for benches
// that Check accepts.
func TestBenchRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawBench(t)
		if ps := d.Check(); len(ps) > 0 {
			t.Fatalf("drew no bench: %v", ps)
		}
		sent, err := url.ParseQuery(BenchValues(&d).Encode())
		if err != nil {
			t.Fatal(err)
		}
		got := CheckBench(sent, &d)
		if diff := cmp.Diff(d, got.Def, cmpopts.EquateEmpty()); diff != "" || !got.Sound() {
			t.Fatalf("%v %v\n%s", got.Problems, got.Paths.Notes, diff)
		}
	})
}

// drawBench draws a bench that Check accepts.
func drawBench(t *rapid.T) bench.Definition {
	number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	d := deskBench()
	d.SwitchTime, d.Capacitance = number("switch time", 0, 0.5), number("capacitance", 0, 1e-7)
	d.LineHz = rapid.SampledFrom([]float64{50, 60}).Draw(t, "line")
	names := rapid.Permutation([]string{"1A", "2", "all", "a b", "#1", "0", "Return", "ü"}).Draw(t, "names")
	for i := range d.Channels {
		c := &d.Channels[i]
		c.Name, c.SourceR = names[i], number("source", 0, 100)
		for _, table := range rangeTables {
			list := slices.Clone(*table.of(c))
			for k := range list[:1] {
				r := &list[k]
				r.Gain, r.Offset = number("gain", 0, 0.01), number("offset", 0, 0.01)*r.FullScale
				r.Step = rapid.SampledFrom([]float64{0, stepOf(r.FullScale, 16), r.FullScale / 12345}).Draw(t, "step")
			}
			*table.of(c) = list
		}
	}
	d.Connections = slices.Clone(d.Connections)
	d.Connections[0].Timeout, d.Connections[0].Watchdog = number("timeout", 0.01, 30), number("watchdog", 0.5, 60)
	d.Connections[0].Echo = rapid.Bool().Draw(t, "echo")
	d.Paths = slices.Clone(d.Paths)
	for i := range d.Paths[:4] {
		p := &d.Paths[i]
		p.Resistance, p.Leakage = number("ohms", 0, 100), number("siemens", 0, 1e-9)
		p.ResistanceTolerance, p.LeakageTolerance = number("tolerance", 0, 1), number("leakage tolerance", 0, 1)
		p.Mux = rapid.SampledFrom([]string{"m 1", "m;2", "m,3"}).Draw(t, "mux") + strconv.Itoa(i)
	}
	return d
}

// deskBench is a bench with one card of two channels, 1A and 1B, and eight
// contacts.
func deskBench() bench.Definition {
	d := rehearsal.DefaultBench()
	d.Key, d.Name, d.Contacts = "desk", "On the desk", 8
	d.Channels = slices.Clone(d.Channels[:2])
	d.Paths = slices.Clone(d.Paths)
	d.Paths = slices.DeleteFunc(d.Paths, func(p bench.Path) bool { return p.Contact > d.Contacts || p.Channel > 2 })
	for i := range d.Paths {
		p := &d.Paths[i]
		p.Address = strconv.Itoa(int(p.Channel)) + "!" + strconv.Itoa(p.Contact)
	}
	d.Connections = []bench.Connection{bench.NewConnection("cards", "tcp://card.example:5025", []int{1})}
	return d
}

// TestLead: what is wrong with a definition is told at the row of the form, or
// the line of the paths, that it came from.
func TestLead(t *testing.T) {
	d := deskBench()
	v := BenchValues(&d)
	// The ranges of the first channel stand in another order in the form.
	of := RangeColumns.Rows(v)
	v["rangeScale"][0], v["rangeScale"][1] = v["rangeScale"][1], v["rangeScale"][0]
	v.Set("paths", "\n"+v.Get("paths"))
	b := CheckBench(v, &d)
	if !b.Sound() || of < 4 {
		t.Fatalf("%v %v", b.Problems, b.Paths.Notes)
	}
	for field, want := range map[string]string{
		"name": "name 0", "contacts": "contacts 0", "channels[1].name": "channels[1].name 0", "paths[3].mux": "paths 6", "paths[0].address": "paths 3", "paths": "paths 0",
		"paths[99999].mux": "paths[99999].mux 0", "channels[0].forceV[0].gain": "ranges[1].gain 0", "channels[0].forceV[1].gain": "ranges[0].gain 0",
		"channels[0].forceV": "ranges 0", "channels[0].forceV[9].gain": "ranges 0", "channels[0].forceW[0]": "channels[0].forceW[0] 0", "no path": "no path 0", "a..b": "a..b 0",
	} {
		there, line := b.Lead(dut.Problem{Field: field, Message: "m"})
		if got := there.Field + " " + strconv.Itoa(line); got != want {
			t.Errorf("%s leads to %s, want %s", field, got, want)
		}
	}
}

// FuzzBench: whatever a form holds is read without harm, and what is sound is
// read back as the same bench.
func FuzzBench(f *testing.F) {
	base := deskBench()
	f.Add(BenchValues(&base).Encode())
	f.Add("rangeFunction=forceV&rangeOf=all&rangeScale=1e400&chanID=300&chanName=x&paths=Line%3BContact%0A%230%3B1")
	f.Add("connWas=cards&connCards=1,2;3+x&chanID=&chanName=a&chanID=&chanName=b&chanID=9999&rangeFunction=senseI&rangeStep=99+bit&rangeGain=%25")
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		got := CheckBench(v, &base)
		for _, p := range got.Def.Warnings() {
			got.Lead(p) // must not panic
		}
		if !got.Sound() {
			return
		}
		again := CheckBench(BenchValues(&got.Def), &got.Def)
		if diff := cmp.Diff(got.Def, again.Def, cmpopts.EquateEmpty()); diff != "" || !again.Sound() {
			t.Fatalf("read back differently: %v %v\n%s", again.Problems, again.Paths.Notes, diff)
		}
	})
}

// TestBenchMerge: mine stays where it was touched, theirs is taken elsewhere.
func TestBenchMerge(t *testing.T) {
	was := deskBench()
	theirs, mine := deskBench(), deskBench()
	theirs.Contacts, theirs.Channels[0].SourceR, theirs.Connections[0].Timeout = 9, 1, 3
	mine.Name, mine.Channels[1].SourceR = "Mine", 3
	v := BenchValues(&mine)
	Edits{BenchValues(&was), BenchValues(&theirs), v}.Bench()
	got := CheckBench(v, &theirs).Def
	if got.Contacts != 9 || got.Channels[0].SourceR != 1 || got.Channels[1].SourceR != 3 || got.Name != "Mine" || got.Connections[0].Timeout != 3 {
		t.Errorf("merged to %+v", got)
	}
}

// TestTolerancesOfPaths: a tolerance is a part, in the cell or by its heading's
// unit; a bare number is refused, as nobody can tell what it is a part of.
func TestTolerancesOfPaths(t *testing.T) {
	for text, want := range map[string][2]float64{
		"Line\tContact\tResistance\tResistance tolerance\tLeakage tolerance\n1A\t1\t4\t10 %\t50 %": {0.1, 0.5},
		"Line\tContact\tR\tTolerance [%]\tLeakage tolerance (ppm)\n1A\t1\t4\t12,5\t500000":         {0.125, 0.5},
		"Line\tContact\tR\tTol\n1A\t1\t4\t":                                                        {0, 0},
		"1A\t1\tm\t1!1\t4\t10 pS\tyes\t\t\t5 %\t20 %":                                              {0.05, 0.2},
	} {
		got := readDesk(text)
		if len(got.Notes) > 0 || len(got.Paths) != 1 || got.Paths[0].ResistanceTolerance != want[0] || got.Paths[0].LeakageTolerance != want[1] {
			t.Errorf("%q: %v, %+v", text, got.Notes, got.Paths)
		}
	}
	for _, text := range []string{"Line\tContact\tTolerance\n1A\t1\t0.1", "Line\tContact\tTolerance [Ω]\n1A\t1\t0.1", "Line\tContact\tTolerance\n1A\t1\t-5 %"} {
		if got := readDesk(text); len(got.Notes) == 0 {
			t.Errorf("%q is read as %+v", text, got.Paths)
		}
	}
}
