package dut

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// shape is how a table is written: its separator, its columns and what is
// wrong with some of its rows.
type shape struct {
	between string
	columns []string // of heads, in the order of the table
	heads   map[string]string
}

// spelled are ways to head a column.
var spelled = map[string][]string{
	"number": {"Pin", "Pin No.", "No.", "#", "Terminal", "Ball"}, "name": {"Name", "Signal", "Symbol", "Pin name"}, "function": {"Type", "I/O", "Direction"},
	"maxV": {"Max V", "Vmax (V)", "Abs. max. (V)", "Rating"}, "minV": {"Min V", "Vmin"}, "maxI": {"Imax (mA)", "Max I (mA)"},
	"clamp": {"Supply", "Domain", "Clamped to"}, "description": {"Description", "Notes"},
}

// anyShape draws how a table is written.
func anyShape(t *rapid.T) shape {
	s := shape{between: rapid.SampledFrom([]string{"\t", ";", "|"}).Draw(t, "between"), heads: map[string]string{}}
	s.columns = []string{"number", "name", "function"}
	for _, c := range []string{"maxV", "minV", "maxI", "clamp", "description"} {
		if rapid.Bool().Draw(t, c) {
			s.columns = append(s.columns, c)
		}
	}
	s.columns = rapid.Permutation(s.columns).Draw(t, "columns")
	for _, c := range s.columns {
		s.heads[c] = rapid.SampledFrom(spelled[c]).Draw(t, "head of "+c)
	}
	return s
}

// anyCells draws the cells of pin n: sound ones, and now and then one that
// nobody can understand.
func anyCells(t *rapid.T, n int) map[string]string {
	number := fmt.Sprint(n)
	if rapid.IntRange(0, 9).Draw(t, "odd number") == 0 {
		number = rapid.SampledFrom([]string{"0", "49", "x", "", "1/2", "01-Apr", number + "*", "pin " + number}).Draw(t, "number")
	}
	return map[string]string{
		"number": number, "name": rapid.SampledFrom([]string{"A", "IN", "OUT", "GND", "VCC", "NC", "D7", ""}).Draw(t, "name") + fmt.Sprint(n),
		"function":    rapid.SampledFrom([]string{"I", "O", "I/O", "G", "P", "NC", "A", "magic", ""}).Draw(t, "function"),
		"maxV":        rapid.SampledFrom([]string{"", "-", "5.5", "7 V", "-0.3 to 7 V", "VCC4 + 0.3 V", "plenty", "70 V", "4,6"}).Draw(t, "maxV"),
		"minV":        rapid.SampledFrom([]string{"", "-", "-0.3", "−0.5 V", "3 V", "low"}).Draw(t, "minV"),
		"maxI":        rapid.SampledFrom([]string{"", "20", "5 µA", "50 mA", "99 A", "much"}).Draw(t, "maxI"),
		"clamp":       rapid.SampledFrom([]string{"", "-", "VCC4", "4", "nothing", "3.3 V"}).Draw(t, "clamp"),
		"description": rapid.SampledFrom([]string{"", "clock input", "power ground", "see 1-4"}).Draw(t, "description"),
	}
}

// write writes a row.
func (s shape) write(cells map[string]string) string {
	row := make([]string, len(s.columns))
	for i, c := range s.columns {
		row[i] = cells[c]
	}
	return strings.Join(row, s.between) + "\n"
}

// TestEveryPinThatStandsInTheTable: whatever the table looks like, each of its
// lines is a pin of the device, or is named among what is open; and each cell
// of a pin that is taken is in the pin, or is named there too.
func TestEveryPinThatStandsInTheTable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyShape(t)
		text := s.write(s.heads)
		n := rapid.IntRange(2, 20).Draw(t, "pins")
		lines := map[int]map[string]string{}
		for k := 1; k <= n; k++ {
			lines[k+1] = anyCells(t, k)
			text += s.write(lines[k+1])
		}
		got := ParsePinTable(text)
		d, said := Propose("part", "Part", got)
		for no, cells := range lines {
			open := named(got, no)
			var row *TableRow
			for i := range got.Rows {
				if got.Rows[i].Line == no && got.Rows[i].Used {
					row = &got.Rows[i]
				}
			}
			if row == nil {
				if !open {
					t.Fatalf("line %d (%v) is no pin, and nothing says so:\n%s%+v", no, cells, text, got)
				}
				continue
			}
			if p, ok := d.Pin(row.Pin.Number); !ok || p.Name != row.Pin.Name || p.Function != row.Pin.Function {
				t.Fatalf("line %d is pin %+v, which the device has not: %+v", no, row.Pin, p)
			}
			for _, m := range []Meaning{MeansMaxV, MeansMinV, MeansMaxI} {
				cell := cells[string(m)]
				if !slices.Contains(s.columns, string(m)) || noRating.MatchString(cell) || row.Gave(m) || row.Gave(MeansAboveClamp) || open {
					continue
				}
				t.Fatalf("line %d: %q of %s is neither taken nor spoken of:\n%s%+v", no, cell, m, text, got)
			}
		}
		for _, a := range said {
			if a.Field == "" || a.Words == "" {
				t.Fatalf("%+v", a)
			}
		}
	})
}

// named reports whether a line is spoken of among what is open.
func named(t PinTable, line int) bool {
	at := func(n Note) bool { return n.Line == line }
	return slices.ContainsFunc(t.Problems, at) || slices.ContainsFunc(t.Warnings, at) ||
		slices.ContainsFunc(t.Ignored, func(l IgnoredLine) bool { return l.Line == line })
}

// TestValuesSurvivePasting: a device written as a table, in SI prefixes or
// plain numbers, comes back with the same values.
func TestValuesSurvivePasting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		text := "Pin\tName\tType\tVmin\tVmax\tImax\n"
		for i := range d.Pins {
			p := &d.Pins[i]
			p.Name = fmt.Sprint("X", p.Number) // a name that implies nothing
			text += fmt.Sprintf("%d\t%s\t%s\t%s\t%s\t%s\n", p.Number, p.Name, p.Function, short(p.MinV, "V"), short(p.MaxV, "V"), short(p.MaxI, "A"))
		}
		got := ParsePinTable(text)
		pins := got.Pins()
		if len(pins) != len(d.Pins) || len(got.Problems) > 0 {
			t.Fatalf("%d pins of %d, %v\n%s", len(pins), len(d.Pins), got.Problems, text)
		}
		for i, p := range d.Pins {
			q := pins[i]
			near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-3*math.Abs(a) }
			if q.Number != p.Number || q.Name != p.Name || q.Function != p.Function || !near(p.MinV, q.MinV) || !near(p.MaxV, q.MaxV) || !near(p.MaxI, q.MaxI) {
				t.Fatalf("%+v came back as %+v\n%s", p, q, text)
			}
		}
	})
}

// TestProposalSaysWhatItAssumed: every value of a pin that the table did not
// give is spoken of, unless it is none; and every assumption is about a field
// that the device has.
func TestProposalSaysWhatItAssumed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyShape(t)
		text := s.write(s.heads)
		for k := 1; k <= rapid.IntRange(1, 12).Draw(t, "pins"); k++ {
			text += s.write(anyCells(t, k))
		}
		table := ParsePinTable(text)
		d, said := Propose("part", "Part", table)
		if len(table.Pins()) == 0 {
			return
		}
		if err := d.Validate(); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		paths := map[string]bool{"pins": true, "power": true}
		fields(reflect.ValueOf(&d).Elem(), "", func(path string, _ reflect.Value) { paths[path] = true })
		assumed := map[string]bool{}
		for _, a := range said {
			if assumed[a.Field] = true; !paths[a.Field] {
				t.Fatalf("%+v", a)
			}
		}
		for i, p := range d.Pins {
			gave := func(m Meaning) bool {
				return slices.ContainsFunc(table.Rows, func(r TableRow) bool { return r.Used && r.Pin.Number == p.Number && r.Gave(m) })
			}
			if p.MaxI != 0 && !gave(MeansMaxI) && !assumed[at(i, "maxI")] {
				t.Fatalf("%g A of pin %s came from nowhere\n%s", p.MaxI, p.Label(), text)
			}
			if (p.MinV != 0 || p.MaxV != 0) && !(gave(MeansMaxV) && gave(MeansMinV)) && !assumed[at(i, "maxV")] && !repeats(p.Function) {
				t.Fatalf("%g to %g V of pin %s came from nowhere\n%s", p.MinV, p.MaxV, p.Label(), text)
			}
			if p.Clamp != 0 && !gave(MeansClamp) && !assumed[at(i, "clamp")] {
				t.Fatalf("the clamp of pin %s came from nowhere\n%s", p.Label(), text)
			}
		}
		for k, step := range d.Power {
			if p, ok := d.Pin(step.Pin); !ok || step.Level < p.MinV || step.Level > p.MaxV || !assumed[fmt.Sprintf("power[%d].level", k)] {
				t.Fatalf("%+v of %+v", step, p)
			}
		}
	})
}
