package dut

import (
	"regexp"
	"slices"
	"strings"
)

// settleColumns gives each meaning to one column. Of two that say what a pin is
// for, the one headed "function" gives way, since it is often a sentence.
func (p *tableParser) settleColumns() {
	p.tellNumbersFromNames()
	for i := range p.Columns {
		c := &p.Columns[i]
		if r, ok := ratingOf(c.Means); ok && !r.Lowest && !r.Relative && !saysMaximum.MatchString(c.Heading) {
			p.warn(Note{Column: c.Index, Message: "the column " + quoted(c.Heading) + " is taken as the absolute maximum: check that it is, or name it Max V or Max I"})
		}
		if c.Means == MeansNothing {
			if c.Heading != "" && c.Why == "" {
				c.Why = "the heading says nothing known"
			}
			continue
		}
		for j := range p.Columns[:i] {
			o := &p.Columns[j]
			if o.Means != c.Means || c.Means == MeansDescription {
				continue
			}
			if c.Means == MeansFunction && strings.Contains(strings.ToLower(o.Heading), "function") {
				o.Means, o.Why = MeansDescription, "column "+itoa(c.Index)+" says what the pins are for"
				continue
			}
			c.Means, c.Why = MeansNothing, "column "+itoa(o.Index)+" already gives the "+string(o.Means)
			p.warn(Note{Column: c.Index, Message: "two columns give the " + string(o.Means) + ": " + quoted(o.Heading) + " is used, " + quoted(c.Heading) + " is not"})
			break
		}
	}
	if p.column(MeansNumber) < 0 {
		p.warn(Note{Message: "no column gives pin numbers: the pins are numbered in the order of the rows"})
	}
	if p.column(MeansName) < 0 {
		p.warn(Note{Message: "no column gives names: each pin is named by its number"})
	}
}

var saysMaximum = regexp.MustCompile(`(?i)max|abs|rating|amr`)

// tellNumbersFromNames looks at the cells where a heading alone does not tell:
// "Pin" may stand above numbers or names, and a column of numbers may be headed
// by the name of a package.
func (p *tableParser) tellNumbersFromNames() {
	have := func(m Meaning) bool { return p.column(m) >= 0 }
	for i := range p.Columns {
		if c := &p.Columns[i]; c.Means == MeansNumber && !have(MeansName) && p.holdsNames(i) {
			c.Means, c.Why = MeansName, "the cells are names"
		}
	}
	if have(MeansNumber) {
		return
	}
	var found []string
	for i := range p.Columns {
		c := &p.Columns[i]
		if c.Means != MeansNothing || !p.holdsNumbers(i) {
			continue
		}
		if len(found) == 0 {
			c.Means, c.Why = MeansNumber, "the cells are pin numbers"
		} else {
			c.Why = "column " + quoted(found[0]) + " already gives the number"
		}
		found = append(found, c.Heading)
	}
	if len(found) > 0 {
		message := "the column " + quoted(found[0]) + " is taken as the pin numbers"
		if len(found) > 1 {
			message += "; " + quoted(found[1]) + " holds numbers too: if that is your package, delete the other column before copying"
		}
		p.warn(Note{Message: message})
	}
}

// holdsNumbers and holdsNames tell what most cells of a column are.
func (p *tableParser) holdsNumbers(i int) bool {
	numbers, filled := p.countNumbers(i)
	return filled > 0 && numbers*10 >= filled*6
}

func (p *tableParser) holdsNames(i int) bool {
	numbers, filled := p.countNumbers(i)
	return filled > 0 && numbers*10 < filled*3
}

// countNumbers counts the pin numbers and grid places among the cells.
func (p *tableParser) countNumbers(i int) (numbers, filled int) {
	for _, l := range p.lines[p.first:] {
		s := l.cell(i)
		if s == "" || l.filled() < 2 {
			continue
		}
		filled++
		if _, why := readNumbers(s); why == "" || gridPlace.MatchString(s) || padLike.MatchString(s) {
			numbers++
		}
	}
	return numbers, filled
}

// fold puts tables that stand side by side, with the same headings, below each
// other.
func (p *tableParser) fold(heads []tableCell) []tableCell {
	n := len(heads)
	for k := 2; k <= n/2; k++ {
		if n%k != 0 || !sameHeads(heads, k) {
			continue
		}
		below := p.lines[p.first:]
		lines := slices.Clone(p.lines[:p.first])
		for from := 0; from < n; from += k {
			for _, l := range below {
				cells := l.cells[min(from, len(l.cells)):min(from+k, len(l.cells))]
				lines = append(lines, tableLine{no: l.no, cells: cells})
			}
		}
		p.lines = lines
		p.warn(Note{Message: "the table stands in " + itoa(n/k) + " parts side by side, read from left to right"})
		return heads[:k]
	}
	return heads
}

func sameHeads(heads []tableCell, k int) bool {
	for i := k; i < len(heads); i++ {
		if heads[i].text == "" || !strings.EqualFold(heads[i].text, heads[i-k].text) {
			return false
		}
	}
	return true
}

func quoted(s string) string { return "“" + clip(s, 30) + "”" }

// column returns the index from 0 of the column with that meaning, or -1.
func (p *tableParser) column(m Meaning) int {
	return slices.IndexFunc(p.Columns, func(c TableColumn) bool { return c.Means == m })
}

// guessColumns settles a table without headings by what its cells look like.
func (p *tableParser) guessColumns() {
	width := 0
	for _, l := range p.lines {
		width = max(width, len(l.cells))
	}
	if width < 2 && p.cutSingleSpaces() {
		width = 3
	}
	p.warn(Note{Message: "no headings were found: the columns are guessed from what they hold; headings such as Pin, Name, Type, Max V make it certain"})
	for i := range width {
		c := TableColumn{Index: i + 1}
		c.Means, c.Unit = p.guess(i)
		c.Why = "guessed from the cells"
		if c.Means != MeansNothing && p.column(c.Means) >= 0 {
			c.Means, c.Unit = MeansNothing, ""
		}
		if c.Means == MeansNothing {
			c.Why = "the cells say nothing known"
		}
		p.Columns = append(p.Columns, c)
	}
	if p.column(MeansNumber) < 0 {
		p.problem(Note{Message: "no pin numbers were found: paste the table with a heading line that names the columns, such as Pin, Name, Type"})
		p.first = len(p.lines)
	}
}

// guess looks at the cells of one column.
func (p *tableParser) guess(i int) (Meaning, string) {
	filled, numbers, functions, voltsN, ampsN, names := 0, 0, 0, 0, 0, 0
	for _, l := range p.lines {
		s := l.cell(i)
		if s == "" {
			continue
		}
		filled++
		if _, why := readNumbers(s); why == "" {
			numbers++
		}
		if f, _ := readFunction(s); f != "" {
			functions++
		}
		r := readRating(s, "")
		switch {
		case r.why == "" && r.hasMax && strings.ContainsAny(s, "Vv"):
			voltsN++
		case r.why == "" && r.hasI:
			ampsN++
		}
		if len(s) <= 32 && nameLike.MatchString(s) {
			names++
		}
	}
	most := func(n int) bool { return filled > 0 && n*10 >= filled*6 }
	switch {
	case most(numbers) && p.column(MeansNumber) < 0:
		return MeansNumber, ""
	case most(voltsN):
		return MeansMaxV, "V"
	case most(ampsN):
		return MeansMaxI, "A"
	case most(functions) && p.column(MeansName) >= 0:
		return MeansFunction, ""
	case most(names) && p.column(MeansName) < 0:
		return MeansName, ""
	}
	return MeansNothing, ""
}

var nameLike = regexp.MustCompile(`^\S*\p{L}\S*( \S+){0,2}$`)

// cutSingleSpaces makes number, name and the rest of lines such as
// "1 VCC supply", where no other separator is in use.
func (p *tableParser) cutSingleSpaces() bool {
	whole := 0
	for _, l := range p.lines {
		if f := strings.Fields(l.cell(0)); len(f) > 1 {
			if _, why := readNumbers(f[0]); why == "" {
				whole++
			}
		}
	}
	if whole < 2 {
		return false
	}
	for i, l := range p.lines {
		parts := strings.SplitN(strings.Join(strings.Fields(l.cell(0)), " "), " ", 3)
		l.cells = nil
		for _, s := range parts {
			l.cells = append(l.cells, tableCell{text: s})
		}
		p.lines[i] = l
	}
	p.Separator = "single spaces"
	return true
}
