package dut

import (
	"html"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// separator is how the cells of a line are told apart.
type separator struct {
	name string
	mark byte // 0 for two or more spaces
}

// separators in the order of preference where several fit as well.
var separators = []separator{{"tab", '\t'}, {"pipe", '|'}, {"semicolon", ';'}, {"comma", ','}, {"two or more spaces", 0}}

// clean makes plain lines of the text, or says why it cannot be read.
func (t *PinTable) clean(text string) (string, bool) {
	if n := strings.Count(strings.TrimRight(text, "\r\n"), "\n") + 1; n > maxPasteLines {
		t.tooManyRows(n)
		return "", false
	}
	if len(text) > MaxPaste {
		t.problem(Note{Message: "the paste is larger than " + itoa(MaxPaste>>10) + " KiB: nothing was read; copy the pin table alone"})
		return "", false
	}
	if strings.ContainsRune(text, 0) || strings.HasPrefix(text, "\xff\xfe") || strings.HasPrefix(text, "\xfe\xff") || mostlyBinary(text) {
		t.problem(Note{Message: "this is not readable text: paste the table itself, or save the file as CSV in UTF-8"})
		return "", false
	}
	if !utf8.ValidString(text) {
		t.warn(Note{Message: "some characters are not UTF-8 and show as \ufffd: save the file as CSV in UTF-8 if names look wrong"})
		text = strings.ToValidUTF8(text, "\ufffd")
	}
	text = strings.NewReplacer("\r\n", "\n", "\r", "\n", "\u2028", "\n", "\u0085", "\n").Replace(text)
	text = strings.Map(plainRune, text)
	if htmlCell.MatchString(text) {
		if strings.Contains(strings.ToLower(text), "span") && htmlSpan.MatchString(text) {
			t.problem(Note{Message: "this is HTML with merged cells, which do not line up: copy the table from the page or the spreadsheet as text"})
			return "", false
		}
		text = fromHTML(text)
	}
	return text, true
}

// mostlyBinary looks at the start of the text for what no table holds.
func mostlyBinary(text string) bool {
	odd, n := 0, 0
	for _, r := range text[:min(len(text), 4096)] {
		if r == utf8.RuneError || unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' {
			odd++
		}
		n++
	}
	return odd > 4 && odd*8 > n
}

// plainRune maps the spaces and minus signs of typesetting to the plain ones and
// drops what cannot be seen.
func plainRune(r rune) rune {
	switch {
	case r == '\n' || r == '\t' || r >= ' ' && r <= '~':
		return r
	case r == '\u2212':
		return '-'
	case unicode.Is(unicode.Zs, r):
		return ' '
	case unicode.IsControl(r) || unicode.Is(unicode.Cf, r):
		return -1
	}
	return r
}

var (
	htmlCell = regexp.MustCompile(`(?i)<t[dhr][\s>]`)
	htmlSpan = regexp.MustCompile(`(?i)<t[dh][^<>]*\b(?:row|col)span\s*=\s*["']?(?:[2-9]|1\d)`)
)

// fromHTML makes a tab-separated text of the cells of an HTML table. A "<" that
// starts no tag stays.
func fromHTML(text string) string {
	text = strings.NewReplacer("\n", " ", "\t", " ").Replace(text)
	var b strings.Builder
	for {
		i := strings.IndexByte(text, '<')
		if i < 0 {
			break
		}
		b.WriteString(text[:i])
		text = text[i+1:]
		end := strings.IndexAny(text, "<>")
		if end < 0 || text[end] == '<' || !tagStart(text) {
			b.WriteByte('<')
			continue
		}
		b.WriteString(tagText(text[:end]))
		text = text[end+1:]
	}
	b.WriteString(text)
	return strings.Map(plainRune, html.UnescapeString(b.String()))
}

// tagStart reports whether what follows "<" is a tag, rather than D<7:0>.
func tagStart(s string) bool {
	return s[0] == '/' || s[0] == '!' || s[0] >= 'A' && s[0] <= 'Z' || s[0] >= 'a' && s[0] <= 'z'
}

// tagText is what a tag leaves in plain text.
func tagText(tag string) string {
	name, _, _ := strings.Cut(strings.ToLower(tag), " ")
	switch name {
	case "tr", "/table":
		return "\n"
	case "/td", "/th":
		return "\t"
	case "br", "br/", "p", "/p":
		return " "
	}
	return ""
}

// split cuts the text into lines and cells with the separator that fits best:
// the one that shows most headings, then the most lines of the same width.
func (p *tableParser) split(text string) {
	sample := text
	if i := nthLine(text, 60); i >= 0 {
		sample = text[:i]
	}
	best, bestScore := separators[len(separators)-1], -1
	for _, s := range separators {
		lines, open := splitLines(sample, s, true)
		if open > 0 {
			lines, _ = splitLines(sample, s, false)
		}
		if score := fit(lines); score > bestScore {
			best, bestScore = s, score
		}
	}
	lines, open := splitLines(text, best, true)
	if open > 0 {
		p.warn(Note{Line: open, Message: "a quotation mark is opened and never closed: all quotation marks are taken as they stand"})
		lines, _ = splitLines(text, best, false)
	}
	p.sep, p.Separator, p.lines = best, best.name, lines
	p.bound()
}

// nthLine returns where line n+1 starts, or -1.
func nthLine(text string, n int) int {
	at := 0
	for range n {
		i := strings.IndexByte(text[at:], '\n')
		if i < 0 {
			return -1
		}
		at += i + 1
	}
	return at
}

// fit scores a split: headings count most, then lines that share a width.
func fit(lines []tableLine) int {
	headings := 0
	width := map[int]int{}
	for _, l := range lines {
		headings = max(headings, countHeadings(l))
		if l.filled() > 1 {
			width[l.width]++
		}
	}
	same := 0
	for _, n := range width {
		same = max(same, n)
	}
	return headings*1000 + same
}

// bound cuts cells and columns that are beyond any table.
func (p *tableParser) bound() {
	for i, l := range p.lines {
		if len(l.cells) > maxColumns {
			p.problem(Note{Line: l.no, Message: "only the first " + itoa(maxColumns) + " columns are read"})
			p.lines[i].cells = l.cells[:maxColumns]
		}
		for j, c := range p.lines[i].cells {
			if len(c.text) > maxCell && utf8.RuneCountInString(c.text) > maxCell {
				p.problem(Note{Line: l.no, Column: j + 1, Message: "the cell is longer than " + itoa(maxCell) + " characters and was cut"})
				p.lines[i].cells[j].text = strings.TrimSuffix(clip(c.text, maxCell), "…")
			}
		}
	}
}

// splitLines cuts the text. With quotes, a cell that starts with a quotation mark
// ends at the next single one and may hold separators and line breaks (RFC 4180).
// open is the line of a quotation mark that is never closed, or 0.
func splitLines(text string, s separator, quotes bool) (lines []tableLine, open int) {
	if s.mark == 0 {
		return splitSpaced(text), 0
	}
	quotes = quotes && s.mark != '|'
	no := 1
	line := tableLine{no: no}
	for len(text) > 0 {
		start := no
		cell, rest, ended := nextCell(text, s.mark, quotes, &no)
		if !ended && quotes {
			return nil, start
		}
		line.add(cell, 0)
		if rest == "" || rest[0] == '\n' {
			lines = append(lines, line.trimmed())
			no++
			line = tableLine{no: no}
		}
		if rest != "" {
			rest = rest[1:]
		}
		text = rest
	}
	if len(line.cells) > 0 {
		lines = append(lines, line.trimmed())
	}
	if s.mark == '|' {
		unframe(lines)
	}
	return lines, 0
}

// unframe drops the empty cells that the outer pipes of a table make before its
// first column. Whether there are outer pipes is told by the first line of more
// than one cell, which is mostly the heading: further down, a line that begins
// with a pipe may as well have nothing in its first column.
func unframe(lines []tableLine) {
	i := slices.IndexFunc(lines, func(l tableLine) bool { return l.width > 1 })
	if i < 0 || len(lines[i].cells) == 0 || lines[i].cells[0].text != "" {
		return
	}
	for k := range lines {
		l := &lines[k]
		if l.width < 2 || len(l.cells) > 0 && l.cells[0].text != "" {
			continue
		}
		l.cells = l.cells[min(1, len(l.cells)):]
		l.width--
	}
}

// add appends a cell; one column and one rune more than are read are kept, so
// that bound can tell that there was more.
func (l *tableLine) add(cell string, at int) {
	if len(l.cells) > maxColumns {
		return
	}
	cell = strings.TrimSpace(cell)
	if len(cell) > utf8.UTFMax*(maxCell+1) {
		cell = strings.ToValidUTF8(cell[:utf8.UTFMax*(maxCell+1)], "")
	}
	l.cells = append(l.cells, tableCell{cell, at})
}

// trimmed drops the empty cells behind the last one that holds something.
func (l tableLine) trimmed() tableLine {
	l.width = len(l.cells)
	for len(l.cells) > 0 && l.cells[len(l.cells)-1].text == "" {
		l.cells = l.cells[:len(l.cells)-1]
	}
	return l
}

// nextCell takes one cell from the front of the text; rest starts with the
// separator or the line break behind it. no counts line breaks inside quotes.
func nextCell(text string, mark byte, quotes bool, no *int) (cell, rest string, ended bool) {
	lead := strings.TrimLeft(text, " ")
	if !quotes || !strings.HasPrefix(lead, `"`) {
		i := strings.IndexAny(text, string([]byte{mark, '\n'}))
		if i < 0 {
			return text, "", true
		}
		return text[:i], text[i:], true
	}
	var b strings.Builder
	text = lead[1:]
	for {
		i := strings.IndexByte(text, '"')
		if i < 0 {
			return "", "", false
		}
		b.WriteString(text[:i])
		text = text[i+1:]
		if !strings.HasPrefix(text, `"`) {
			break
		}
		b.WriteByte('"')
		text = text[1:]
	}
	*no += strings.Count(b.String(), "\n")
	i := strings.IndexAny(text, string([]byte{mark, '\n'}))
	if i < 0 {
		i = len(text)
	}
	b.WriteString(text[:i])
	return b.String(), text[i:], true
}

// splitSpaced cuts at runs of two or more spaces (or tabs) and keeps where each
// cell starts, since an empty cell shows only by its place.
func splitSpaced(text string) []tableLine {
	var lines []tableLine
	for i, s := range strings.Split(text, "\n") {
		line := tableLine{no: i + 1}
		runes := []rune(strings.ReplaceAll(s, "\t", "  "))
		for at := 0; at < len(runes); {
			if runes[at] == ' ' {
				at++
				continue
			}
			end := at
			for end < len(runes) && !(runes[end] == ' ' && (end+1 == len(runes) || runes[end+1] == ' ')) {
				end++
			}
			line.add(string(runes[at:end]), at)
			at = end
		}
		line.width = len(line.cells)
		lines = append(lines, line)
	}
	return lines
}

// align puts the cells of a line under the headings they stand below: each under
// the heading whose span it overlaps most, or else the nearest one. Cells that
// meet under one heading are joined.
func align(l tableLine, headings []tableCell) tableLine {
	if len(headings) == 0 {
		return l
	}
	out := tableLine{no: l.no, cells: make([]tableCell, len(headings))}
	for _, c := range l.cells {
		best, bestScore := 0, -1<<30
		for i, h := range headings {
			cEnd, hEnd := c.at+utf8.RuneCountInString(c.text), h.at+utf8.RuneCountInString(h.text)
			if score := min(cEnd, hEnd) - max(c.at, h.at); score > bestScore {
				best, bestScore = i, score
			}
		}
		o := &out.cells[best]
		o.text, o.at = strings.TrimSpace(o.text+" "+c.text), c.at
	}
	return out
}
