package routes

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// The paths of a bench as a table in a text: what a spreadsheet copies, with or
// without a line of headings.

// pathColumn is what a column of the table means.
type pathColumn struct {
	key, heading string
	unit         quantity.Unit
	names        []string // other headings, in lower case without anything but letters and digits
}

var pathColumns = []pathColumn{
	{"id", "Path", "", []string{"path", "pathnumber", "id", "no", "number"}},
	{"line", "Line", "", []string{"line", "channel", "from", "ch"}},
	{"contact", "Contact", "", []string{"contact", "to", "socket", "pin"}},
	{"mux", "Multiplexer", "", []string{"multiplexer", "mux", "group"}},
	{"address", "Address", "", []string{"address", "switch", "relay"}},
	{"resistance", "Resistance", quantity.Ohm, []string{"resistance", "r", "ron", "onresistance"}},
	{"leakage", "Leakage", quantity.Siemens, []string{"leakage", "leakageopen", "openleakage", "off"}},
	{"sense", "Sense wire", "", []string{"sensewire", "sense", "remotesense", "kelvin"}},
	{"max", "Max current", quantity.Ampere, []string{"maxcurrent", "maximumcurrent", "highestcurrent", "imax", "current"}},
	{"card", "Card", "", []string{"card", "oncard"}},
}

// withoutHeadings is the order of the columns in a table that has no headings.
var withoutHeadings = []string{"line", "contact", "mux", "address", "resistance", "leakage", "sense", "max", "card"}

// pathsText writes the paths as the table, exactly.
func pathsText(d *bench.Definition) string {
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
		b.WriteString(strings.Join([]string{strconv.Itoa(int(p.ID)), lineWord(d, p.Channel), strconv.Itoa(p.Contact), p.Mux, p.Address,
			typedOrNothing(p.Resistance, quantity.Ohm), typedOrNothing(p.Leakage, quantity.Siemens), yesOrNothing(p.Kelvin),
			typedOrNothing(p.MaxCurrent, quantity.Ampere), form.Number(p.Card)}, "\t"))
	}
	return b.String()
}

// pathsRead is what was made of the table.
type pathsRead struct {
	paths    []bench.Path
	lines    []int // of the text, by path
	problems []web.LineNote
	columns  []web.PathColumnRead
	split    string // what the cells are split by, in words
}

func (p *pathsRead) problem(line int, format string, args ...any) {
	p.problems = append(p.problems, web.LineNote{Line: line, Message: fmt.Sprintf(format, args...)})
}

// mostPathLines bounds how many lines are looked at: headings and empty lines
// may come on top of the paths.
const mostPathLines = bench.MaxPaths + 100

// readPaths reads the table. Channels are those of d.
func readPaths(text string, d *bench.Definition) pathsRead {
	var out pathsRead
	lines := strings.Split(strings.TrimRight(text, "\n \t"), "\n")
	if len(lines) > mostPathLines {
		out.problem(0, "the table has %d lines, and a bench at most %d paths: nothing of it was read", len(lines), bench.MaxPaths)
		return out
	}
	cut := splitter(lines, &out)
	t := pathTable{def: d, read: &out, used: map[int]bool{}}
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
func splitter(lines []string, out *pathsRead) func(string) []string {
	text := strings.Join(lines[:min(len(lines), 20)], "\n")
	for _, s := range []struct{ mark, words string }{{"\t", "tabs"}, {";", "semicolons"}, {"|", "bars"}, {",", "commas"}} {
		if strings.Contains(text, s.mark) {
			out.split = s.words
			return func(line string) []string {
				cells := strings.Split(line, s.mark)
				for i, c := range cells {
					cells[i] = unquoted(strings.TrimSpace(c))
				}
				return cells
			}
		}
	}
	out.split = "spaces"
	return func(line string) []string { return wide.Split(strings.TrimSpace(line), -1) }
}

var wide = regexp.MustCompile(`\s{2,}`)

// unquoted takes off the quotes that a spreadsheet puts around some cells.
func unquoted(s string) string {
	if len(s) >= 2 && s[0] == '"' && s[len(s)-1] == '"' {
		return strings.TrimSpace(strings.ReplaceAll(s[1:len(s)-1], `""`, `"`))
	}
	return s
}

// pathTable reads the rows of one table.
type pathTable struct {
	def     *bench.Definition
	read    *pathsRead
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
func (t *pathTable) headings(n int, cells []string) bool {
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
			t.read.problem(n, "no column says the %s: name one %q", needed, pathColumns[columnNamed(needed)].heading)
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
func (t *pathTable) checkUnits(n int) {
	for i, key := range t.columns {
		if i >= len(t.units) || t.units[i] == "" || key == "" {
			continue
		}
		c := pathColumns[columnNamed(key)]
		if c.unit == "" {
			continue
		}
		if _, err := quantity.Parse("1 "+t.units[i], c.unit); err != nil && !(key == "leakage" && isOhms(t.units[i])) {
			t.read.problem(n, "%q is no unit of the %s", dut.Excerpt(t.units[i]), strings.ToLower(c.heading))
			t.broken = true
		}
	}
}

func isOhms(unit string) bool {
	_, err := quantity.Parse("1 "+unit, quantity.Ohm)
	return err == nil
}

// say tells what was made of the columns.
func (t *pathTable) say(cells []string) {
	for i, heading := range cells {
		c := web.PathColumnRead{Heading: heading}
		if heading == "" {
			c.Heading = "column " + strconv.Itoa(i+1)
		}
		if key := t.columns[i]; key != "" {
			c.Means = strings.ToLower(pathColumns[columnNamed(key)].heading)
		}
		t.read.columns = append(t.read.columns, c)
	}
}

func (t *pathTable) row(n int, cells []string) {
	p := bench.Path{}
	f := fields{values: url.Values{}}
	given := map[string]string{}
	for i, c := range cells {
		switch {
		case i >= len(t.columns) && c != "":
			f.problems.Add("", "has %d cells, and the table %d columns", len(cells), len(t.columns))
		case i < len(t.columns) && t.columns[i] != "":
			key := t.columns[i]
			given[key] = c
			if i < len(t.units) && t.units[i] != "" && isBare(c) && pathColumns[columnNamed(key)].unit != "" {
				given[key] = c + " " + t.units[i]
			}
		}
	}
	id, ok := lineNamed(t.def, given["line"])
	if !ok {
		f.problems.Add("line", "there is no channel %q, and it is not the return", dut.Excerpt(given["line"]))
	}
	p.Channel = id
	p.Contact = f.whole("contact", given["contact"])
	p.Mux, p.Address = given["mux"], given["address"]
	p.Resistance = f.quantity("resistance", given["resistance"], quantity.Ohm)
	p.Leakage = f.leakage(given["leakage"])
	p.MaxCurrent = f.quantity("max", given["max"], quantity.Ampere)
	p.Kelvin = f.yes("sense wire", given["sense"])
	if given["card"] != "" {
		p.Card = f.whole("card", given["card"])
	}
	if text := given["id"]; text != "" {
		number := f.whole("path", text)
		if number < 1 {
			f.problems.Add("path", "number paths from 1")
		}
		p.ID = bench.PathID(max(number, 0))
		t.used[number] = true
	} else {
		t.blank = append(t.blank, len(t.read.paths))
	}
	for _, q := range f.problems {
		t.read.problem(n, "%s", joinNonEmpty(q))
	}
	t.read.paths, t.read.lines = append(t.read.paths, p), append(t.read.lines, n)
}

// joinNonEmpty is a problem of a cell with the column's name before it.
func joinNonEmpty(p dut.Problem) string {
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

// leakage reads a conductance, or the resistance that an open switch has.
func (f *fields) leakage(text string) float64 {
	if text == "" {
		return 0
	}
	v, err := quantity.Parse(text, quantity.Siemens)
	if err == nil {
		return v
	}
	if r, ohms := quantity.Parse(text, quantity.Ohm); ohms == nil && r > 0 && !isBare(text) {
		return 1 / r
	}
	f.problems.Add("leakage", "%s, or as a resistance such as 100 GΩ", err.Error())
	return 0
}

// yes reads yes or no; nothing is no.
func (f *fields) yes(field, text string) bool {
	switch strings.ToLower(text) {
	case "", "no", "n", "0", "false", "-", "none":
		return false
	case "yes", "y", "1", "true", "x", "own":
		return true
	}
	f.problems.Add(field, "%q is neither yes nor no", dut.Excerpt(text))
	return false
}

// number gives paths without a number the next ones that are free.
func (t *pathTable) number() {
	next := 1
	for _, i := range t.blank {
		for t.used[next] {
			next++
		}
		t.read.paths[i].ID = bench.PathID(next)
		t.used[next] = true
	}
}
