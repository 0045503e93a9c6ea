package dut

import (
	"encoding/csv"
	"html"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// cellsOf are the cells of each line, as texts.
func cellsOf(lines []tableLine) (out [][]string) {
	for _, l := range lines {
		var row []string
		for _, c := range l.cells {
			row = append(row, c.text)
		}
		out = append(out, row)
	}
	return out
}

// anyTable draws rows of cells, none of them empty at the end of its row and
// none with spaces around it, which a table does not keep.
func anyTable(t *rapid.T, cell *rapid.Generator[string]) [][]string {
	return rapid.SliceOfN(rapid.SliceOfN(cell, 1, 6), 1, 8).Draw(t, "table")
}

// RFC 4180 (from memory) as encoding/csv writes it: what is written with commas
// or semicolons is read cell by cell, quotation marks, separators and line
// breaks inside cells too.
func TestSplitReadsWhatCSVWrites(t *testing.T) {
	cell := rapid.StringMatching(`[A-Za-z0-9,;"|\n -]{0,12}[a-z"]`).Filter(func(s string) bool { return strings.TrimSpace(s) == s })
	rapid.Check(t, func(t *rapid.T) {
		rows := anyTable(t, cell)
		mark := rapid.SampledFrom([]byte{',', ';', '\t'}).Draw(t, "mark")
		var b strings.Builder
		w := csv.NewWriter(&b)
		w.Comma = rune(mark)
		if err := w.WriteAll(rows); err != nil {
			t.Fatal(err)
		}
		lines, open := splitLines(b.String(), separator{mark: mark}, true)
		got := cellsOf(lines)
		if open != 0 || !slices.EqualFunc(got, rows, slices.Equal) {
			t.Fatalf("%q\nis read as %q, want %q (open %d)", b.String(), got, rows, open)
		}
		at := 1 // each line knows where it started
		for i, l := range lines {
			if l.no != at {
				t.Fatalf("line %d starts at %d, not at %d", i, at, l.no)
			}
			at += 1 + strings.Count(strings.Join(rows[i], ""), "\n")
		}
	})
	// The cases of the published set, by RFC 4180.
	for written, want := range map[string]string{
		`plain`: "plain", `"a,b"`: "a,b", `"say ""hi"""`: `say "hi"`, "\"line1\nline2\"": "line1\nline2", ``: "", `"'@SUM(A1,B1)"`: "'@SUM(A1,B1)",
	} {
		got, _ := splitLines(written+",x\n", separator{mark: ','}, true)
		if len(got) != 1 || got[0].cell(0) != want || got[0].cell(1) != "x" {
			t.Errorf("%q is read as %+v", written, got)
		}
	}
}

// A quotation mark that is never closed is found at the line it opens on.
func TestOpenQuotationMark(t *testing.T) {
	for text, line := range map[string]int{
		"a,\"b": 1, "a,b\n\"c,d\ne": 2, "\"a\nb\",c\n\"d": 3, `"a""`: 1, `a,b"c`: 0, `"a"x,b`: 0,
	} {
		if _, open := splitLines(text, separator{mark: ','}, true); open != line {
			t.Errorf("%q: open at line %d, want %d", text, open, line)
		}
		if _, open := splitLines(text, separator{mark: ','}, false); open != 0 {
			t.Errorf("%q: open where quotation marks are as they stand", text)
		}
	}
}

// Columns set apart by spaces keep their places: a cell is where it was printed.
func TestSpacedColumns(t *testing.T) {
	cell := rapid.StringMatching(`[A-Z0-9](( )?[A-Z0-9µ/]){0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		rows := anyTable(t, cell)
		var text strings.Builder
		var starts [][]int
		for _, row := range rows {
			var at []int
			n := rapid.IntRange(0, 3).Draw(t, "indent")
			text.WriteString(strings.Repeat(" ", n))
			for _, c := range row {
				at = append(at, n)
				gap := rapid.IntRange(2, 5).Draw(t, "gap")
				text.WriteString(c + strings.Repeat(" ", gap))
				n += utf8.RuneCountInString(c) + gap
			}
			text.WriteByte('\n')
			starts = append(starts, at)
		}
		lines := splitSpaced(strings.TrimSuffix(text.String(), "\n"))
		if !slices.EqualFunc(cellsOf(lines), rows, slices.Equal) {
			t.Fatalf("%q is read as %q", text.String(), cellsOf(lines))
		}
		for i, l := range lines {
			for j, c := range l.cells {
				if c.at != starts[i][j] {
					t.Fatalf("cell %d of line %d starts at %d, not at %d", j, i, starts[i][j], c.at)
				}
			}
		}
	})
}

// Each cell falls under the heading that it stands below, where one is empty
// too, and none is lost.
func TestCellsFallUnderTheirHeadings(t *testing.T) {
	headings := splitSpaced("Pin   Name      Max V    Logic")[0].cells
	for line, want := range map[string][]string{
		"1     VCC       5.5      TTL": {"1", "VCC", "5.5", "TTL"},
		"2               5.5":          {"2", "", "5.5", ""},
		"                         HC":  {"", "", "", "HC"},
		"3     A LONG NAME IN":         {"3", "A LONG NAME IN", "", ""},
		"4     IN  OUT":                {"4", "IN OUT", "", ""},
	} {
		var got []string
		for _, c := range align(splitSpaced(line)[0], headings).cells {
			got = append(got, c.text)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%q: %q, want %q", line, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		line := splitSpaced(rapid.StringMatching(`[ A-Z]{0,40}`).Draw(t, "line"))[0]
		var before, after []string
		for _, c := range line.cells {
			before = append(before, strings.Fields(c.text)...)
		}
		for _, c := range align(line, headings).cells {
			after = append(after, strings.Fields(c.text)...)
		}
		slices.Sort(before)
		slices.Sort(after)
		if !slices.Equal(before, after) {
			t.Fatalf("%q became %q", before, after)
		}
	})
}

// A table of a web page is read as its cells, whatever characters they hold; a
// mark that starts no tag stays.
func TestCellsOfHTML(t *testing.T) {
	cell := rapid.StringMatching(`[A-Za-z0-9&"' µ-]{0,8}[A-Za-z0-9&"]`).Filter(func(s string) bool { return strings.TrimSpace(s) == s && !strings.Contains(s, "  ") })
	rapid.Check(t, func(t *rapid.T) {
		rows := anyTable(t, cell)
		var b strings.Builder
		b.WriteString("<table class=\"a\">")
		for _, row := range rows {
			b.WriteString("\n <TR><!-- row -->")
			for _, c := range row {
				b.WriteString("<td style='x'><b>" + html.EscapeString(c) + "</b></td>")
			}
			b.WriteString("</TR>")
		}
		b.WriteString("</table>")
		lines, open := splitLines(fromHTML(b.String()), separator{mark: '\t'}, false)
		lines = slices.DeleteFunc(lines, func(l tableLine) bool { return len(l.cells) == 0 })
		if got := cellsOf(lines); open != 0 || !slices.EqualFunc(got, rows, slices.Equal) {
			t.Fatalf("%s\nis read as %q, want %q", b.String(), got, rows)
		}
	})
	for text, want := range map[string]string{
		"D<7:0>": "D<7:0>", "a < b": "a < b", "a<<b>c": "a<c", "x<br>y": "x y", "<": "<", "1<td>2</td>": "12\t", "&lt;td&gt;": "<td>", "a&#8722;b": "a-b",
	} {
		if got := fromHTML(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
}

// FuzzSplit: however a text is cut, nothing in it is invented: each cell stands
// in the text, and lines are numbered upwards within it.
func FuzzSplit(f *testing.F) {
	for _, s := range []string{"a,b\n\"c\nd\",e", "| a | b |\n|---|---|", "Pin  Name\n1    VCC", "<tr><td>1</td></tr>", "\"", "a;b;\n;;", "\xff\t\x00", "1\r2\u2028 3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, s := range separators {
			for _, quotes := range []bool{true, false} {
				lines, open := splitLines(text, s, quotes)
				if open < 0 || open > strings.Count(text, "\n")+1 || open > 0 && len(lines) > 0 {
					t.Fatalf("%s: open at %d of %q", s.name, open, text)
				}
				last := 0
				for _, l := range lines {
					if l.no <= last || l.no > strings.Count(text, "\n")+1 || len(l.cells) > maxColumns+1 {
						t.Fatalf("%s: line %d behind line %d, of %d cells", s.name, l.no, last, len(l.cells))
					}
					last = l.no
					for _, c := range l.cells {
						if !quotes && s.mark != 0 && utf8.ValidString(text) && !strings.Contains(text, c.text) {
							t.Fatalf("%s: %q is not in %q", s.name, c.text, text)
						}
					}
				}
			}
		}
		_ = fromHTML(text)
	})
}
