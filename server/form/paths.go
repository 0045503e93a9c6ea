package form

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// pathColumn is what a column of a table of paths means.
type pathColumn struct {
	key, heading string
	unit         quantity.Unit
	names        []string // other headings, in lower case without anything but letters and digits
	part         bool     // a part of one, in percent or ppm
}

// takes reports whether a heading may give the unit of the column.
func (c *pathColumn) takes(unit string) bool {
	if c.part {
		_, err := bench.ParsePart("1 " + unit)
		return err == nil
	}
	_, err := quantity.Parse("1 "+unit, c.unit)
	return err == nil || c.key == "leakage" && isOhms(unit)
}

var pathColumns = []pathColumn{
	{"id", "Path", "", []string{"path", "pathnumber", "id", "no", "number"}, false},
	{"line", "Line", "", []string{"line", "channel", "from", "ch"}, false},
	{"contact", "Contact", "", []string{"contact", "to", "socket", "pin"}, false},
	{"mux", "Multiplexer", "", []string{"multiplexer", "mux", "group"}, false},
	{"address", "Address", "", []string{"address", "switch", "relay"}, false},
	{"resistance", "Resistance", quantity.Ohm, []string{"resistance", "r", "ron", "onresistance"}, false},
	{"leakage", "Leakage", quantity.Siemens, []string{"leakage", "leakageopen", "openleakage", "off"}, false},
	{"sense", "Sense wire", "", []string{"sensewire", "sense", "remotesense", "kelvin"}, false},
	{"max", "Max current", quantity.Ampere, []string{"maxcurrent", "maximumcurrent", "highestcurrent", "imax", "current"}, false},
	{"card", "Card", "", []string{"card", "oncard"}, false},
	{"tolerance", "Resistance tolerance", "", []string{"resistancetolerance", "tolerance", "rtolerance", "tol"}, true},
	{"leakageTolerance", "Leakage tolerance", "", []string{"leakagetolerance", "ltolerance"}, true},
}

// withoutHeadings is the order of the columns in a table that has no headings.
var withoutHeadings = []string{"line", "contact", "mux", "address", "resistance", "leakage", "sense", "max", "card", "tolerance", "leakageTolerance"}

// PathsText writes a bench's paths as a table in a text, as spreadsheets copy
// it, exactly: reading it back gives the same paths.
func PathsText(d *bench.Definition) string {
	var b strings.Builder
	for i, c := range pathColumns {
		if i > 0 {
			b.WriteByte('\t')
		}
		b.WriteString(c.heading)
	}
	for i := range d.Paths {
		p := &d.Paths[i]
		b.WriteByte('\n')
		b.WriteString(strings.Join([]string{strconv.Itoa(int(p.ID)), LineText(d, p.Channel), strconv.Itoa(p.Contact), p.Mux, p.Address,
			quantity.ExactOrEmpty(p.Resistance, quantity.Ohm), quantity.ExactOrEmpty(p.Leakage, quantity.Siemens), yes(p.Kelvin),
			quantity.ExactOrEmpty(p.MaxCurrent, quantity.Ampere), Number(p.Card),
			bench.Part(p.ResistanceTolerance), bench.Part(p.LeakageTolerance)}, "\t"))
	}
	return b.String()
}

// PathTable is what was read of a table of paths.
type PathTable struct {
	Paths   []bench.Path
	Notes   []LineNote   // what is wrong, line by line
	Columns []PathColumn // what was made of each column
	Split   string       // what the cells are split by, in words
	lines   []int        // of the text, by path
}

// LineNote is what is wrong with a line of a pasted table; line 0 is the table.
type LineNote struct {
	Line    int
	Message string
}

// PathColumn is what was made of a column: its heading and what it means, ""
// for one that is not used.
type PathColumn struct {
	Heading string
	Means   string
}

func (t *PathTable) note(line int, format string, args ...any) {
	t.Notes = append(t.Notes, LineNote{Line: line, Message: fmt.Sprintf(format, args...)})
}

// mostPathLines bounds how many lines are looked at: headings and empty lines
// may come on top of the paths.
const mostPathLines = bench.MaxPaths + 100

// ReadPaths reads a table of paths, with or without a line of headings. Channels
// are those of d.
func ReadPaths(text string, d *bench.Definition) PathTable {
	var out PathTable
	lines := strings.Split(strings.TrimRight(text, "\n \t"), "\n")
	if len(lines) > mostPathLines {
		out.note(0, "the table has %d lines, and a bench at most %d paths: nothing of it was read", len(lines), bench.MaxPaths)
		return out
	}
	cut := splitter(lines, &out)
	t := pathReader{def: d, read: &out, used: map[int]bool{}}
	for n, line := range lines {
		if strings.TrimSpace(line) == "" {
			continue
		}
		cells := cut(line)
		if t.columns == nil {
			if t.headings(n+1, cells) {
				continue
			}
			t.columns = withoutHeadings
			t.say(make([]string, min(len(cells), len(withoutHeadings))))
		}
		if t.broken {
			return out
		}
		t.row(n+1, cells)
	}
	t.number()
	return out
}

// splitter finds what the cells of a table are split by.
func splitter(lines []string, out *PathTable) func(string) []string {
	text := strings.Join(lines[:min(len(lines), 20)], "\n")
	for _, s := range []struct{ mark, words string }{{"\t", "tabs"}, {";", "semicolons"}, {"|", "bars"}, {",", "commas"}} {
		if strings.Contains(text, s.mark) {
			out.Split = s.words
			return func(line string) []string {
				cells := strings.Split(line, s.mark)
				for i, c := range cells {
					cells[i] = unquoted(strings.TrimSpace(c))
				}
				return cells
			}
		}
	}
	out.Split = "spaces"
	return func(line string) []string { return wideGap.Split(strings.TrimSpace(line), -1) }
}

// wideGap parts cells where nothing else does.
var wideGap = regexp.MustCompile(`\s{2,}`)

// unquoted takes off the quotes that a spreadsheet puts around some cells.
func unquoted(s string) string {
	if len(s) >= 2 && s[0] == '"' && s[len(s)-1] == '"' {
		return strings.TrimSpace(strings.ReplaceAll(s[1:len(s)-1], `""`, `"`))
	}
	return s
}

// pathReader reads the rows of one table.
type pathReader struct {
	def     *bench.Definition
	read    *PathTable
	columns []string   // by place; "" for one that is not used; nil until known
	units   [20]string // that a heading gives, by place
	broken  bool
	used    map[int]bool // numbers of paths
	blank   []int        // paths without a number, by index
}

var inBrackets = regexp.MustCompile(`[(\[]([^)\]]*)[)\]]`)

// plainHeading is a heading without unit, case, blanks and marks.
func plainHeading(s string) string {
	s = inBrackets.ReplaceAllString(s, "")
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, strings.ToLower(s))
}

// headings takes a line as headings, if it is one.
func (t *pathReader) headings(n int, cells []string) bool {
	known := 0
	var columns []string
	for i, c := range cells {
		key := ""
		for _, col := range pathColumns {
			if slices.Contains(col.names, plainHeading(c)) && !slices.Contains(columns, col.key) {
				key = col.key
			}
		}
		if key != "" {
			known++
		}
		columns = append(columns, key)
		if m := inBrackets.FindStringSubmatch(c); m != nil && i < len(t.units) {
			t.units[i] = strings.TrimSpace(m[1])
		}
	}
	if known < 2 {
		t.units = [20]string{}
		return false
	}
	t.columns = columns
	t.say(cells)
	for _, needed := range []string{"line", "contact"} {
		if !slices.Contains(columns, needed) {
			t.read.note(n, "no column says the %s: name one %q", needed, pathColumns[columnNamed(needed)].heading)
			t.broken = true
		}
	}
	t.checkUnits(n)
	return true
}

func columnNamed(key string) int {
	return slices.IndexFunc(pathColumns, func(c pathColumn) bool { return c.key == key })
}

// checkUnits refuses a heading whose unit cannot be that of its column.
func (t *pathReader) checkUnits(n int) {
	for i, key := range t.columns {
		if i >= len(t.units) || t.units[i] == "" || key == "" {
			continue
		}
		c := pathColumns[columnNamed(key)]
		if c.unit == "" && !c.part {
			continue
		}
		if !c.takes(t.units[i]) {
			t.read.note(n, "%q is no unit of the %s", dut.Excerpt(t.units[i]), strings.ToLower(c.heading))
			t.broken = true
		}
	}
}

func isOhms(unit string) bool {
	_, err := quantity.Parse("1 "+unit, quantity.Ohm)
	return err == nil
}

// say tells what was made of the columns.
func (t *pathReader) say(cells []string) {
	for i, heading := range cells {
		c := PathColumn{Heading: heading}
		if heading == "" {
			c.Heading = "column " + strconv.Itoa(i+1)
		}
		if key := t.columns[i]; key != "" {
			c.Means = strings.ToLower(pathColumns[columnNamed(key)].heading)
		}
		t.read.Columns = append(t.read.Columns, c)
	}
}

// row reads line n of the table.
func (t *pathReader) row(n int, cells []string) {
	r := NewReader(nil)
	given := map[string]string{}
	for i, c := range cells {
		switch {
		case i >= len(t.columns) && c != "":
			r.Fail(Field{}, "has %d cells, and the table %d columns", len(cells), len(t.columns))
		case i < len(t.columns) && t.columns[i] != "":
			key := t.columns[i]
			given[key] = c
			if of := &pathColumns[columnNamed(key)]; i < len(t.units) && t.units[i] != "" && isBare(c) && (of.unit != "" || of.part) {
				given[key] = c + " " + t.units[i]
			}
		}
	}
	p := r.path(given, t.def)
	if p.ID != 0 {
		t.used[int(p.ID)] = true
	} else {
		t.blank = append(t.blank, len(t.read.Paths))
	}
	for _, q := range r.Problems {
		t.read.note(n, "%s", withField(q))
	}
	t.read.Paths, t.read.lines = append(t.read.Paths, p), append(t.read.lines, n)
}

// path reads one path from its cells, by the keys of their columns. A path that
// is given no number has 0.
func (r *Reader) path(given map[string]string, def *bench.Definition) bench.Path {
	field := func(name, key string) Field { return Field{dut.At(name), given[key]} }
	line := field("line", "line")
	id, ok := Line(def, line.Text)
	if !ok {
		r.Fail(line, "there is no channel %q, and it is not the return", dut.Excerpt(line.Text))
	}
	p := bench.Path{Channel: id, Contact: r.NeedWhole(field("contact", "contact")), Mux: given["mux"], Address: given["address"],
		Resistance: r.Quantity(field("resistance", "resistance"), quantity.Ohm), Leakage: r.leakage(field("leakage", "leakage")),
		MaxCurrent: r.Quantity(field("max", "max"), quantity.Ampere), Kelvin: r.YesNo(field("sense wire", "sense")),
		Card: r.Whole(field("card", "card")), ResistanceTolerance: r.part(field("resistance tolerance", "tolerance")),
		LeakageTolerance: r.part(field("leakage tolerance", "leakageTolerance"))}
	if f := field("path", "id"); f.Given() {
		number := r.NeedWhole(f)
		if number < 1 {
			r.Fail(f, "number paths from 1")
		}
		p.ID = bench.PathID(max(number, 0))
	}
	return p
}

// withField is a problem of a cell with the column's name before it.
func withField(p dut.Problem) string {
	if p.Field == "" {
		return p.Message
	}
	return p.Field + ": " + p.Message
}

// isBare tells a number that has no unit or prefix of its own.
func isBare(text string) bool {
	return text != "" && !strings.ContainsFunc(text, func(r rune) bool {
		return !(r >= '0' && r <= '9' || r == '.' || r == ',' || r == '-' || r == '+' || r == 'e' || r == 'E' || r == '−')
	})
}

// leakage reads a conductance, or the resistance that an open switch has;
// nothing is 0.
func (r *Reader) leakage(f Field) float64 {
	if !f.Given() {
		return 0
	}
	v, err := quantity.Parse(f.Text, quantity.Siemens)
	if err == nil {
		return v
	}
	if ohms, bad := quantity.Parse(f.Text, quantity.Ohm); bad == nil && ohms > 0 && !isBare(f.Text) {
		return 1 / ohms
	}
	r.Fail(f, "%s, or as a resistance such as 100 GΩ", err.Error())
	return 0
}

// number gives paths without a number the next ones that are free.
func (t *pathReader) number() {
	next := 1
	for _, i := range t.blank {
		for t.used[next] {
			next++
		}
		t.read.Paths[i].ID = bench.PathID(next)
		t.used[next] = true
	}
}
