package dut

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// largeTables are pastes that are far too much in one way or another.
func largeTables() map[string]string {
	var rows, wide, spans, quotes strings.Builder
	rows.WriteString("Pin\tName\tType\n")
	spans.WriteString("Pin\tName\tType\n")
	for i := range 10_000 {
		fmt.Fprintf(&rows, "%d\tD%d\tI/O\n", i+1, i)
	}
	for range 450 {
		spans.WriteString("1-48\tD[0..47]\tI/O\n")
	}
	for range 16_000 {
		wide.WriteString("a\tb, c; d | e  ")
		quotes.WriteString(`"",`)
	}
	return map[string]string{
		"10,000 rows": rows.String(), "wide": wide.String(), "many spans": spans.String(), "quotes": quotes.String(),
		"one huge cell":     "Pin\tName\tType\n1\t" + strings.Repeat("x", 250_000) + "\tI\n",
		"one huge number":   "Pin\tName\tType\n" + strings.Repeat("9", 250_000) + "\tA\tI\n",
		"list of numbers":   "Pin\tName\n" + strings.Repeat("1,", 190) + "\tGND\n",
		"open quote":        "Pin\tName\n1\t\"" + strings.Repeat(strings.Repeat("x", 120)+"\n", 1_900),
		"tags":              strings.Repeat("<td ", 60_000),
		"more than a paste": strings.Repeat("1\tA\tI\n", 200_000),
	}
}

// TestPasteBounds: however much is pasted, the answer is bounded, and so is the
// work: memory is asked for at most once for four bytes, and some for each of the
// rows and notes that there can be at most.
// BenchmarkPasteLarge has the times.
func TestPasteBounds(t *testing.T) {
	for name, text := range largeTables() {
		got := ParsePinTable(text)
		allocs := testing.AllocsPerRun(1, func() { ParsePinTable(text) })
		if allocs > float64(len(text))/4+40*(maxPasteRows+maxNotes) {
			t.Errorf("%s: %g allocations for %d bytes", name, allocs, len(text))
		}
		t.Logf("%s: %d bytes, %g allocations, %d rows, %d problems", name, len(text), allocs, len(got.Rows), len(got.Problems))
		if len(got.Problems) == 0 {
			t.Errorf("%s: nothing is said", name)
		}
		checkTable(t, text, got)
	}
	got := ParsePinTable(largeTables()["10,000 rows"])
	if len(got.Rows) != 0 || !strings.Contains(written(got.Problems), "the paste has 10001 rows, and a device has at most 48 pins") {
		t.Errorf("%d rows: %s", len(got.Rows), written(got.Problems))
	}
}

// BenchmarkPasteLarge is how long pastes take that are far too much. To reach:
// 50 ms.
func BenchmarkPasteLarge(b *testing.B) {
	for name, text := range largeTables() {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				ParsePinTable(text)
			}
		})
	}
}

// checkTable holds what is true of every answer.
func checkTable(t *testing.T, text string, got PinTable) {
	t.Helper()
	pins := got.Pins()
	if len(pins) > MaxPins || len(got.Rows) > maxPasteRows+MaxPins || len(got.Problems) > maxNotes+1 || len(got.Warnings) > maxNotes+1 || len(got.Ignored) > maxPasteRows {
		t.Fatalf("%d pins, %d rows, %d problems, %d warnings, %d ignored", len(pins), len(got.Rows), len(got.Problems), len(got.Warnings), len(got.Ignored))
	}
	for i, p := range pins {
		if p.Number < 1 || p.Number > MaxPins || i > 0 && p.Number <= pins[i-1].Number {
			t.Fatalf("pin numbers %d", p.Number)
		}
	}
	lines := strings.Count(text, "\n") + strings.Count(text, "\r") + strings.Count(text, "\u2028") + strings.Count(text, "\u0085") + strings.Count(text, "<") + 1
	for _, n := range append(got.Problems, got.Warnings...) {
		if n.Message == "" || n.Line > lines || n.Column > maxColumns || len(n.Message) > 600 {
			t.Fatalf("note %+v of %d lines", n, lines)
		}
	}
	if len(pins) == 0 {
		return
	}
	d, said := Propose("part", "Part", got)
	if err := d.Validate(); err != nil {
		t.Fatalf("the proposal is not valid: %v\n%q", err, text)
	}
	if len(said) == 0 {
		t.Fatal("a proposal without an assumption")
	}
	for _, p := range d.Pins {
		if math.IsNaN(p.MaxV) || p.Function != NoConnect && p.Function != Ground && p.MinV > 0 {
			t.Fatalf("%+v", p)
		}
	}
}

func FuzzParsePinTable(f *testing.F) {
	for _, c := range pasteCases {
		f.Add(c.text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got := ParsePinTable(text)
		checkTable(t, text, got)
		if diff := cmp.Diff(got, ParsePinTable(text)); diff != "" {
			t.Fatal(diff)
		}
	})
}
