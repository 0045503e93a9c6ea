package dut

import (
	"cmp"
	"slices"
	"strings"
)

// Meaning is what a column of a pasted table holds.
type Meaning string

const (
	MeansNumber      Meaning = "number"
	MeansName        Meaning = "name"
	MeansFunction    Meaning = "function"
	MeansMinV        Meaning = "minV"
	MeansMaxV        Meaning = "maxV"
	MeansMaxI        Meaning = "maxI"
	MeansClamp       Meaning = "clamp"
	MeansAboveClamp  Meaning = "aboveClamp"
	MeansLogic       Meaning = "logic"
	MeansUnit        Meaning = "unit"
	MeansDescription Meaning = "description" // recognised, not used
	MeansNothing     Meaning = ""            // not recognised
)

// The most that is read of one paste.
const (
	MaxPaste      = 256 << 10 // bytes
	maxPasteRows  = 500       // lines that hold something
	maxPasteLines = 2000      // with empty ones
	maxColumns    = 40
	maxCell       = 400 // runes
	maxNotes      = 400 // problems, and again warnings
)

// TableColumn is one column as it was understood.
type TableColumn struct {
	Index   int     `json:"index"`   // from 1, from the left
	Heading string  `json:"heading"` // as pasted; "" where there was none
	Means   Meaning `json:"means"`
	Unit    string  `json:"unit,omitempty"` // from the heading: "V", "mA"
	Why     string  `json:"why,omitempty"`  // where it was guessed or set aside
}

// Origin says where one value of a pin comes from. Field is named as in the
// JSON of a Pin.
type Origin struct {
	Field  Meaning `json:"field"`
	Column int     `json:"column,omitempty"` // from 1; 0 where no cell gave it
	Text   string  `json:"text,omitempty"`   // the cell, as pasted
	How    string  `json:"how"`              // "read", "from the name", "from line 3"
}

// Note is one thing to say about a table. Line counts the pasted lines from 1
// and is 0 for the table as a whole; Column is 0 for the whole line.
type Note struct {
	Line    int    `json:"line,omitempty"`
	Column  int    `json:"column,omitempty"`
	Pin     int    `json:"pin,omitempty"`
	Message string `json:"message"`
}

// TableRow is one pin as it was understood. One line may give several.
type TableRow struct {
	Line int      `json:"line"`
	Pin  Pin      `json:"pin"`
	From []Origin `json:"from"`
	// Used tells whether the pin is among Pins; the reason why not is among the
	// problems.
	Used bool `json:"used"`
}

// Gave reports whether the table gave the field, rather than a default.
func (r TableRow) Gave(field Meaning) bool {
	return slices.ContainsFunc(r.From, func(o Origin) bool { return o.Field == field })
}

// IgnoredLine is a line that describes no pin.
type IgnoredLine struct {
	Line int    `json:"line"`
	Text string `json:"text"`
	Why  string `json:"why"`
}

// PinTable is what was understood of a pasted pin table. Problems are things
// that were not understood or not taken; Warnings are things to look at.
type PinTable struct {
	Separator  string        `json:"separator"` // in words: "tab", "comma"
	Columns    []TableColumn `json:"columns"`
	Rows       []TableRow    `json:"rows"`
	Problems   []Note        `json:"problems"`
	Warnings   []Note        `json:"warnings"`
	Ignored    []IgnoredLine `json:"ignored"`
	ThermalPad bool          `json:"thermalPad,omitempty"`
	// GridColumns is the number of columns of a grid whose places ("B3") were
	// turned into numbers; 0 for a table with plain numbers.
	GridColumns int `json:"gridColumns,omitempty"`
}

// Pins returns the pins that were taken, by ascending number: at most MaxPins,
// each number once.
func (t *PinTable) Pins() []Pin {
	out := []Pin{}
	for _, r := range t.Rows {
		if r.Used {
			out = append(out, r.Pin)
		}
	}
	slices.SortFunc(out, func(a, b Pin) int { return cmp.Compare(a.Number, b.Number) })
	return out
}

// problem and warn note something, up to a bound that no readable table meets.
func (t *PinTable) problem(n Note) { t.Problems = addNote(t.Problems, n) }
func (t *PinTable) warn(n Note)    { t.Warnings = addNote(t.Warnings, n) }

func addNote(notes []Note, n Note) []Note {
	switch {
	case len(notes) < maxNotes:
		return append(notes, n)
	case len(notes) == maxNotes:
		return append(notes, Note{Message: "there is more of this kind that is not listed"})
	}
	return notes
}

// ParsePinTable reads a pin table pasted from a spreadsheet, a CSV text, or a
// text in columns split by pipes or by two or more spaces. It never fails as a
// whole without saying so among the problems; the same text always gives the
// same answer. Values are in SI base units.
func ParsePinTable(text string) PinTable {
	p := tableParser{PinTable: PinTable{Columns: []TableColumn{}, Rows: []TableRow{}, Problems: []Note{}, Warnings: []Note{}, Ignored: []IgnoredLine{}}}
	text, ok := p.clean(text)
	if !ok {
		return p.PinTable
	}
	p.split(text)
	if p.tooLarge() {
		return p.PinTable
	}
	p.findHeading()
	p.readRows()
	p.settle()
	slices.SortStableFunc(p.Problems, byLine)
	slices.SortStableFunc(p.Warnings, byLine)
	return p.PinTable
}

func byLine(a, b Note) int { return cmp.Compare(a.Line, b.Line) }

// tableParser is a PinTable at work.
type tableParser struct {
	PinTable
	sep   separator
	lines []tableLine
	first int // index of the first line below the heading
	// links are clamps and relative ratings to look up once all rows are known,
	// by index of the row.
	links []link
	above *taken // of the row above, for merged cells
	grid  bool   // numbers are places of a grid
}

// tableLine is one line of the table, of one or more pasted lines.
type tableLine struct {
	no    int // of the pasted line it starts on, from 1
	cells []tableCell
	width int // with the empty cells at its end
}

// tableCell is a cell and, for columns split by spaces, where it starts.
type tableCell struct {
	text string
	at   int // runes
}

// cell returns the text of a column counted from 0, "" beyond the end.
func (l tableLine) cell(i int) string {
	if i < 0 || i >= len(l.cells) {
		return ""
	}
	return l.cells[i].text
}

// filled counts the cells that are not empty.
func (l tableLine) filled() int {
	n := 0
	for _, c := range l.cells {
		if c.text != "" {
			n++
		}
	}
	return n
}

// text is the line for showing, shortened.
func (l tableLine) text() string {
	parts := make([]string, 0, len(l.cells))
	for _, c := range l.cells {
		if c.text != "" {
			parts = append(parts, c.text)
		}
		if len(parts) == 8 {
			break
		}
	}
	return clip(strings.Join(parts, " | "), 80)
}

// ignore sets a line aside, with the reason.
func (p *tableParser) ignore(l tableLine, why string) {
	if len(p.Ignored) < maxNotes {
		p.Ignored = append(p.Ignored, IgnoredLine{l.no, l.text(), why})
	}
}

func (p *tableParser) tooLarge() bool {
	n := 0
	for _, l := range p.lines {
		if l.filled() > 0 {
			n++
		}
	}
	switch {
	case n == 0:
		p.problem(Note{Message: "nothing was pasted: copy the pin table with its headings"})
	case n > maxPasteRows:
		p.tooManyRows(n)
		return true
	}
	return n == 0
}

func (t *PinTable) tooManyRows(n int) {
	t.problem(Note{Message: "the paste has " + itoa(n) + " rows, and a device has at most " + itoa(MaxPins) +
		" pins: nothing was read; copy the pin table alone"})
}
