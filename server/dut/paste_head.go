package dut

import (
	"regexp"
	"slices"
	"strings"
)

// headings are whole headings, in lower case with punctuation as spaces; those
// of ratings come from their table.
var headings = withRatings(map[string]Meaning{
	"pin": MeansNumber, "pins": MeansNumber, "no": MeansNumber, "nr": MeansNumber, "number": MeansNumber, "#": MeansNumber,
	"ball": MeansNumber, "terminal": MeansNumber, "lead": MeansNumber, "pad": MeansNumber, "position": MeansNumber, "pos": MeansNumber,
	"name": MeansName, "signal": MeansName, "symbol": MeansName, "mnemonic": MeansName, "label": MeansName, "designation": MeansName, "net": MeansName,
	"type": MeansFunction, "function": MeansFunction, "i/o": MeansFunction, "io": MeansFunction, "dir": MeansFunction, "direction": MeansFunction, "in/out": MeansFunction, "kind": MeansFunction, "i/o/p": MeansFunction,
	"supply": MeansClamp, "clamp": MeansClamp, "domain": MeansClamp, "rail": MeansClamp, "clamped to": MeansClamp, "clamp to": MeansClamp, "bank": MeansClamp,
	"logic": MeansLogic, "family": MeansLogic, "level": MeansLogic, "levels": MeansLogic, "i/o standard": MeansLogic, "io standard": MeansLogic,
	"description": MeansDescription, "desc": MeansDescription, "notes": MeansDescription, "note": MeansDescription, "remarks": MeansDescription, "remark": MeansDescription, "comment": MeansDescription, "comments": MeansDescription, "details": MeansDescription,
})

func withRatings(headings map[string]Meaning) map[string]Meaning {
	for _, r := range ratings {
		for _, h := range r.Headings {
			headings[h] = r.Means
		}
	}
	return headings
}

// headingRule finds a meaning by words in a longer heading.
type headingRule struct {
	means Meaning
	all   *regexp.Regexp
}

// headingRules are tried in order.
var headingRules = slices.Concat([]headingRule{
	{MeansNothing, regexp.MustCompile(`\b(operating|recommended|typ|typical|nom|nominal)\b`)},
	{MeansUnit, regexp.MustCompile(`^units?$`)},
	{MeansDescription, regexp.MustCompile(`\b(descriptions?|remarks?|comments?|notes?|pin functions?|alternate|alternative|secondary)\b`)},
}, ratingRules(), []headingRule{
	{MeansLogic, regexp.MustCompile(`\b(logic|family|levels?|standard)\b`)},
	{MeansName, regexp.MustCompile(`\b(name|signal|symbol|mnemonic)\b`)},
	{MeansFunction, regexp.MustCompile(`\b(type|direction|dir|function|i/o)\b`)},
	{MeansClamp, regexp.MustCompile(`\b(supply|domain|clamp|clamped|rail|esd)\b`)},
	{MeansNumber, regexp.MustCompile(`(\b(pin|ball|terminal|lead|pad)\b.*(#|\b(no|nr|number|num)\b))|#.*\bpin\b|\bno\b.*\bpin\b|^(pin|ball|terminal|lead)\b`)},
})

// unitInHeading finds a unit at the end of a heading. What stands before it is
// no letter; \b would do, but takes µ for none.
var (
	unitInHeading = regexp.MustCompile(`\s*[(\[{/,]?\s*(?:\bin\s+|^|[^\p{L}\p{N}_])([mkuµμn]?[` + ratingUnits() + `]|(?i:volts?|amps?|amperes?))\s*[)\]}]?\s*$`)
	headingPunct  = regexp.MustCompile(`[^\p{L}\p{N}#/]+`)
	unitAlone     = regexp.MustCompile(`^[(\[]?\s*([mkuµμn]?[` + ratingUnits() + `])\s*[)\]]?$`)
)

// readHeading finds the meaning and the unit of one heading.
func readHeading(text string) (Meaning, string) {
	if text == "" || len(text) > 60 {
		return MeansNothing, ""
	}
	unit := ""
	if m := unitInHeading.FindStringSubmatchIndex(text); m != nil && !(m[0] == 0 && m[2] == 0 && len(text) == 1) {
		unit = unitSymbol(text[m[2]:m[3]])
		text = text[:m[0]]
	}
	s := strings.ToLower(strings.TrimSpace(headingPunct.ReplaceAllString(text, " ")))
	means, ok := headings[s]
	if !ok {
		for _, r := range headingRules {
			if r.all.MatchString(s) {
				means = r.means
				break
			}
		}
	}
	if s == "" && unit != "" { // "mA" alone
		means = MeansMaxV
	}
	switch {
	case unit == "":
		return means, ""
	case means == MeansMaxV && strings.HasSuffix(unit, "A"):
		return MeansMaxI, unit
	case means == MeansMaxI && strings.HasSuffix(unit, "V"):
		return MeansMaxV, unit
	case means == MeansClamp && strings.HasSuffix(unit, "V"): // "Supply (V)" is a voltage
		return MeansNothing, unit
	}
	return means, unit
}

func unitSymbol(s string) string {
	switch strings.ToLower(s) {
	case "volt", "volts":
		return "V"
	case "amp", "amps", "ampere", "amperes":
		return "A"
	}
	return s
}

// countHeadings counts the distinct meanings of a line that can be a heading
// line: it must name the number or the name and hold no plain number.
func countHeadings(l tableLine) int {
	var seen []Meaning
	for _, c := range l.cells {
		if plainNumber.MatchString(c.text) {
			return 0
		}
		if m, _ := readHeading(c.text); m != MeansNothing && !slices.Contains(seen, m) {
			seen = append(seen, m)
		}
	}
	if len(seen) < 2 || !slices.Contains(seen, MeansNumber) && !slices.Contains(seen, MeansName) {
		return 0
	}
	return len(seen)
}

var plainNumber = regexp.MustCompile(`^[-+]?\d+([.,]\d+)?$`)

// findHeading looks for the heading among the first lines and settles what each
// column means.
func (p *tableParser) findHeading() {
	best, at := 0, -1
	looked := 0
	for i, l := range p.lines {
		if l.filled() == 0 {
			continue
		}
		if n := countHeadings(l); n > best {
			best, at = n, i
		}
		if looked++; looked == 12 {
			break
		}
	}
	if at < 0 {
		p.guessColumns()
		return
	}
	for _, l := range p.lines[:at] {
		if l.filled() > 0 {
			p.ignore(l, "stands above the headings")
		}
	}
	p.first = at + 1
	p.alignLines(p.lines[at].cells)
	heads := p.lines[at].cells
	if p.first < len(p.lines) {
		if joined, ok := joinHeadings(heads, p.lines[p.first]); ok {
			heads = joined
			p.first++
		}
	}
	heads = p.fold(heads)
	for i, h := range heads {
		means, unit := readHeading(h.text)
		p.Columns = append(p.Columns, TableColumn{Index: i + 1, Heading: clip(h.text, 60), Means: means, Unit: unit})
	}
	p.settleColumns()
}

func (p *tableParser) alignLines(heads []tableCell) {
	if p.sep.mark != 0 {
		return
	}
	for i := p.first; i < len(p.lines); i++ {
		if len(p.lines[i].cells) > 0 {
			p.lines[i] = align(p.lines[i], heads)
		}
	}
}

// joinHeadings adds a second heading line ("V", "mA" below "Absolute maximum")
// to the first. An empty heading above a unit continues the one to its left, as
// merged cells do.
func joinHeadings(heads []tableCell, below tableLine) ([]tableCell, bool) {
	units := 0
	for _, c := range below.cells {
		switch {
		case c.text == "":
		case unitAlone.MatchString(c.text):
			units++
		default:
			if m, _ := readHeading(c.text); m != MeansMaxV && m != MeansMinV && m != MeansMaxI {
				return nil, false
			}
			units++
		}
	}
	if units == 0 {
		return nil, false
	}
	out := slices.Clone(heads)
	for len(out) < len(below.cells) {
		out = append(out, tableCell{})
	}
	last := ""
	for i := range out {
		if out[i].text != "" {
			last = out[i].text
		}
		if t := below.cell(i); t != "" {
			out[i].text = strings.TrimSpace(last + " " + t)
		}
	}
	return out, true
}
