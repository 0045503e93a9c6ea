package dut

import (
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"
)

// taken is what the row above used, for cells that are empty because they were
// merged with the one above.
type taken struct {
	line     int
	name     string
	function Function
	texts    map[Meaning]string
}

// link is a supply that a row names, looked up once every row is known.
type link struct {
	row, line, column int
	name              string
	relative          bool // from a rating such as VDD + 0.3 V
	above             float64
}

var ruling = regexp.MustCompile(`^[-=+:_*~. ]*$`)

// readRows reads every line below the headings.
func (p *tableParser) readRows() {
	p.grid = p.isGrid()
	for _, l := range p.lines[p.first:] {
		if l.filled() == 0 || p.setAside(l) {
			continue
		}
		if len(p.Rows) > maxPasteRows {
			p.problem(Note{Line: l.no, Message: "the lines from here on are not read: there are far more pins than a device can have (" + itoa(MaxPins) + ")"})
			return
		}
		p.readLine(l)
	}
}

// setAside reports whether a line describes no pin, and notes why.
func (p *tableParser) setAside(l tableLine) bool {
	number, name := l.cell(p.column(MeansNumber)), l.cell(p.column(MeansName))
	_, notNumber := readNumbers(number)
	switch {
	case ruling.MatchString(strings.Join(cellTexts(l), "")):
		p.ignore(l, "a ruling")
	case p.headsAgain(l):
		p.ignore(l, "the headings again")
	case padLike.MatchString(number) || number == "" && padLike.MatchString(name):
		p.ThermalPad = true
		p.ignore(l, "the thermal pad: it belongs to the package and is no numbered pin")
	case p.column(MeansNumber) < 0 && name == "", p.column(MeansNumber) >= 0 && number == "" && (name == "" || l.filled() == 1):
		p.ignore(l, "names no pin: a title, a note or the rest of a text above")
	case p.column(MeansNumber) >= 0 && l.filled() == 1 && notNumber != "" && !p.grid && len(p.Columns) > 1:
		p.ignore(l, "a title or a note")
	case (p.sep.mark == ',' || p.sep.mark == ';') && len(l.cells) > len(p.Columns):
		p.problem(Note{Line: l.no, Message: "the line has " + itoa(len(l.cells)) + " cells and the heading " + itoa(len(p.Columns)) +
			": put cells that hold a " + p.Separator + ", such as decimal commas or lists of pins, in quotation marks, or paste with tabs"})
	default:
		return false
	}
	return true
}

func cellTexts(l tableLine) []string {
	out := make([]string, len(l.cells))
	for i, c := range l.cells {
		out[i] = c.text
	}
	return out
}

// headsAgain recognises headings repeated on a new page.
func (p *tableParser) headsAgain(l tableLine) bool {
	same := 0
	for i, c := range p.Columns {
		if c.Heading != "" && l.cell(i) == c.Heading {
			same++
		}
	}
	return same >= 2 && same == l.filled()
}

// readLine makes one row of each pin that the line names.
func (p *tableParser) readLine(l tableLine) {
	numbers, column, ok := p.numbersOf(l)
	if !ok {
		return
	}
	names, how := p.namesOf(l, numbers)
	for i, n := range numbers {
		r := TableRow{Line: l.no, Pin: Pin{Number: n, Name: names[i]}}
		r.From = append(r.From, Origin{MeansNumber, column, clip(l.cell(column-1), 60), "read"})
		if column == 0 {
			r.From[0].How = "by the order of the rows"
		}
		r.From = append(r.From, Origin{MeansName, p.column(MeansName) + 1, clip(l.cell(p.column(MeansName)), 60), how})
		p.readPin(l, &r)
		p.Rows = append(p.Rows, r)
	}
}

// numbersOf reads the number cell. column counts from 1, 0 for none.
func (p *tableParser) numbersOf(l tableLine) (numbers []int, column int, ok bool) {
	column = p.column(MeansNumber) + 1
	if column == 0 {
		return []int{len(p.Rows) + 1}, 0, true
	}
	cell := l.cell(column - 1)
	if cell == "" {
		p.problem(Note{Line: l.no, Column: column, Message: "the line has no pin number: write the number of " + quoted(l.cell(p.column(MeansName)))})
		return nil, column, false
	}
	if p.grid {
		for _, s := range listMark.Split(cell, -1) {
			numbers = append(numbers, p.place(s))
		}
		return numbers, column, true
	}
	numbers, why := readNumbers(cell)
	if why != "" {
		if gridPlace.MatchString(cell) {
			why = quoted(cell) + " is a place in a grid among plain numbers: write either places or numbers in every row"
		}
		p.problem(Note{Line: l.no, Column: column, Message: why})
		return nil, column, false
	}
	return numbers, column, true
}

// gridRows are the letters of the rows of a grid; I, O, Q, S, X and Z are left
// out because they are easily misread (common practice).
const gridRows = "ABCDEFGHJKLMNPRTUVWY"

var gridPlace = regexp.MustCompile(`^[A-HJ-NPRTUVWY][1-9]\d?$`)

// isGrid reports whether every number is a place such as B3, and counts the
// columns of the grid.
func (p *tableParser) isGrid() bool {
	col := p.column(MeansNumber)
	rows, columns, n := 0, 0, 0
	for _, l := range p.lines[p.first:] {
		if col < 0 || l.cell(col) == "" || ruling.MatchString(l.cell(col)) || l.filled() == 1 {
			continue
		}
		for _, s := range listMark.Split(l.cell(col), -1) {
			if !gridPlace.MatchString(s) {
				return false
			}
			c, _ := strconv.Atoi(s[1:])
			rows, columns, n = max(rows, strings.IndexByte(gridRows, s[0])+1), max(columns, c), n+1
		}
	}
	if n < 2 || columns < 2 {
		return false
	}
	p.GridColumns = columns
	if rows*columns > MaxPins {
		p.problem(Note{Message: "the grid has " + itoa(rows) + " × " + itoa(columns) + " places, and a device at most " + itoa(MaxPins) + " pins"})
	} else {
		p.warn(Note{Message: "the places of the grid are numbered row by row: A1 is pin 1, A" + itoa(columns) + " is pin " + itoa(columns)})
	}
	return true
}

// place numbers a place of the grid row by row.
func (p *tableParser) place(s string) int {
	c, _ := strconv.Atoi(s[1:])
	return strings.IndexByte(gridRows, s[0])*p.GridColumns + c
}

// namesOf gives a name for each number of the line.
func (p *tableParser) namesOf(l tableLine, numbers []int) (names []string, how string) {
	col := p.column(MeansName)
	cell := strings.Join(strings.Fields(strings.TrimRight(l.cell(col), "*†‡¹²³ ")), " ")
	how = "read"
	switch {
	case cell == "" && col >= 0 && p.above != nil && repeats(p.above.function):
		cell, how = p.above.name, "from line "+itoa(p.above.line)
		p.warn(Note{Line: l.no, Column: col + 1, Message: "the name is empty and taken from line " + itoa(p.above.line) + ", as in a merged cell"})
	case cell == "":
		for _, n := range numbers {
			names = append(names, "PIN"+itoa(n))
		}
		if col >= 0 {
			p.problem(Note{Line: l.no, Column: col + 1, Message: "the pin has no name: it is called " + names[0] + " until you name it"})
		}
		return names, "by the number"
	}
	if len(numbers) > 1 {
		if names, ok := expandNames(l.cell(col), len(numbers)); ok {
			return p.fitNames(l, names), "read as " + itoa(len(names)) + " names"
		}
		if !repeats(nameFunction(cell)) {
			p.warn(Note{Line: l.no, Column: col + 1, Message: "one name, " + quoted(cell) + ", stands for " + itoa(len(numbers)) + " pins: each pin gets it; write D0-D7 or a list for names of their own"})
		}
	}
	for range numbers {
		names = append(names, cell)
	}
	return p.fitNames(l, names), how
}

// repeats tells functions whose pins usually share a name.
func repeats(f Function) bool { return f == Ground || f == Supply || f == NoConnect }

const maxPinName = 32

// fitNames cuts names that are too long for a pin.
func (p *tableParser) fitNames(l tableLine, names []string) []string {
	for i, s := range names {
		if utf8.RuneCountInString(s) > maxPinName {
			names[i] = string([]rune(s)[:maxPinName])
			p.problem(Note{Line: l.no, Column: p.column(MeansName) + 1, Message: "the name " + quoted(s) + " is longer than " + itoa(maxPinName) + " characters and was cut"})
		}
	}
	return names
}

// readPin reads everything but number and name.
func (p *tableParser) readPin(l tableLine, r *TableRow) {
	now := &taken{line: l.no, name: r.Pin.Name, texts: map[Meaning]string{}}
	p.readFunctionOf(l, r, now)
	for _, m := range pastedOrder() {
		col := p.column(m)
		if col < 0 {
			continue
		}
		text, how := l.cell(col), "read"
		if a := p.above; text == "" && a != nil && a.function == r.Pin.Function && !repeats(r.Pin.Function) && a.texts[m] != "" && a.line != l.no {
			text, how = a.texts[m], "from line "+itoa(a.line)
		}
		if noRating.MatchString(text) || how != "read" && r.Gave(m) {
			continue
		}
		now.texts[m] = text
		o := Origin{m, col + 1, clip(text, 60), how}
		switch m {
		case MeansClamp:
			if !repeats(r.Pin.Function) {
				p.links = append(p.links, link{row: len(p.Rows), line: l.no, column: col + 1, name: text})
				r.From = append(r.From, o)
			}
		case MeansLogic:
			p.readLogic(r, o)
		default:
			p.readRatingOf(r, o, l.cell(p.column(MeansUnit)))
		}
	}
	p.above = now
}

// readFunctionOf settles what the pin is for: from its column, from the row
// above, from the name, or from the words of a sentence, in that order.
func (p *tableParser) readFunctionOf(l tableLine, r *TableRow, now *taken) {
	col := p.column(MeansFunction)
	cell := l.cell(col)
	if ruling.MatchString(cell) && cell != "" {
		cell = ""
		col = -1
	}
	o := Origin{MeansFunction, col + 1, clip(cell, 60), "read"}
	n := Note{Line: l.no, Column: col + 1, Pin: r.Pin.Number}
	byName := nameFunction(r.Pin.Name)
	f, note := readFunction(cell)
	if f != "" && note != "" {
		n.Message = note
		p.warn(n)
	}
	switch {
	case f != "" && (byName == "" || byName == f):
	case f == Supply && byName == Ground: // "power" often stands for both
		f, o.How = Ground, "from the name"
	case f != "":
		n.Message = "the name " + quoted(r.Pin.Name) + " sounds like " + string(byName) + ", the table says " + string(f) + ": the table is followed"
		p.warn(n)
	case byName != "":
		f, o.How = byName, "from the name"
		n.Message = "taken as " + string(f) + " from the name " + quoted(r.Pin.Name)
		p.warn(n)
	case cell == "" && col >= 0 && p.above != nil && p.above.function != "" && p.above.texts[MeansFunction] != "":
		f, o.How = p.above.function, "from line "+itoa(p.above.line)
		cell = p.above.texts[MeansFunction]
		if p.above.line != l.no {
			n.Message = "the function is empty and taken from line " + itoa(p.above.line) + " (" + string(f) + "), as in a merged cell"
			p.warn(n)
		}
	default:
		f, o = p.fallback(l, o, n, cell)
	}
	r.Pin.Function, now.function, now.texts[MeansFunction] = f, f, cell
	r.From = append(r.From, o)
}

// fallback guesses from a sentence, or leaves the pin untouched.
func (p *tableParser) fallback(l tableLine, o Origin, n Note, cell string) (Function, Origin) {
	for _, m := range []Meaning{MeansFunction, MeansDescription} {
		c := p.column(m)
		if f := guessFunction(l.cell(c)); f != "" {
			o = Origin{MeansFunction, c + 1, clip(l.cell(c), 60), "guessed from the words"}
			n.Column, n.Message = c+1, "taken as "+string(f)+" from the words "+quoted(l.cell(c))+": check it"
			p.warn(n)
			return f, o
		}
	}
	n.Message = "nothing says what the pin is for"
	if cell != "" {
		n.Message = quoted(cell) + " is not a function known here"
	}
	n.Message += ": the pin is taken as no connect until you choose"
	p.problem(n)
	o.How = "not understood"
	return NoConnect, o
}
