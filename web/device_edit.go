package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// Finding is something to look at in a document: a problem that keeps it from
// being saved, or a warning. ID is the element of the field it is about.
type Finding struct {
	ID, Message string
	Warning     bool
	Assumed     bool
	Same        string // further pins it holds for, in words
}

// PinNote is a message about a field of one pin of a document.
type PinNote struct {
	ID, Field string // Field is the last part of the path: "maxV"
	Pin       dut.Pin
	Message   string
}

// GroupNotes merges equal messages about several pins into one finding. A note
// without a pin stands for itself.
func GroupNotes(notes []PinNote, as Finding) []Finding {
	var out []Finding
	at := map[string]int{}
	further := map[int][]int{}
	for _, n := range notes {
		key := n.Field + "\x00" + strings.ReplaceAll(n.Message, n.Pin.Label(), "\x00")
		if i, ok := at[key]; ok && n.Pin.Number != 0 {
			further[i] = append(further[i], n.Pin.Number)
			continue
		}
		at[key] = len(out)
		f := as
		f.ID, f.Message = n.ID, n.Message
		out = append(out, f)
	}
	for i, pins := range further {
		out[i].Same = pinSpans(pins)
	}
	return out
}

// pinSpans names pins by their numbers: "pins 2, 3 and 8 to 13".
func pinSpans(pins []int) string {
	var parts []string
	for i := 0; i < len(pins); {
		j := i
		for j+1 < len(pins) && pins[j+1] == pins[j]+1 {
			j++
		}
		switch {
		case j > i+1:
			parts = append(parts, strconv.Itoa(pins[i])+" to "+strconv.Itoa(pins[j]))
		default:
			for k := i; k <= j; k++ {
				parts = append(parts, strconv.Itoa(pins[k]))
			}
		}
		i = j + 1
	}
	if len(pins) == 1 {
		return "pin " + parts[0]
	}
	if len(parts) == 1 {
		return "pins " + parts[0]
	}
	return "pins " + strings.Join(parts[:len(parts)-1], ", ") + " and " + parts[len(parts)-1]
}

// Conflict is an edit conflict: what somebody else saved while a form was
// open. Theirs is what they changed since this edit began, Mine what saving on
// top changes of that.
type Conflict struct {
	By           string
	At           time.Time
	Rev          int  // theirs
	Deleted      bool // the document was deleted
	Theirs, Mine []dut.Change
	Form         string // id of a form that can merge both; "" where none can
}

// DeviceEditProps is the editor of a device, new or described before.
type DeviceEditProps struct {
	Page Page
	// Form holds the fields name, key, description, family, pins, columns,
	// thermalPad, model, paste, and for each row those of the grids. Its errors
	// are keyed by the path in the document: "pins[3].maxV".
	Form        Form
	Key         string // "" for a new device
	Rev         int    // that the edit started from; 0 for a new device
	Latest      bool   // Rev is not the first: the last edit can be undone
	Drawing     Drawing
	Findings    []Finding
	Models      []Option
	Families    []dut.LogicFamily
	Table       *dut.PinTable // of the paste, where it was just understood
	Assumptions []Finding
	Conflict    *Conflict
	CanDelete   bool
	Removed     bool
}

// pinCell describes one column of the grid of pins.
type pinCell struct {
	name, path, heading string // form field, field of the document, heading
	spoken              string
	unit                quantity.Unit
}

var pinCells = slices.Concat(ratingCells(false),
	[]pinCell{{name: "clamp", path: "clamp", heading: "Clamped to", spoken: "supply pin it is clamped to"}},
	ratingCells(true))

// ratingCells are the columns of the ratings that are, or are not, relative to
// the clamp supply.
func ratingCells(relative bool) []pinCell {
	var out []pinCell
	for _, r := range dut.Ratings() {
		if r.Relative == relative {
			out = append(out, pinCell{name: string(r.Means), path: string(r.Means), heading: r.Heading, spoken: r.Spoken, unit: r.Unit})
		}
	}
	return out
}

var stepCells = []pinCell{
	{name: "level", path: "level", heading: "Level", spoken: "level", unit: quantity.Volt},
	{name: "limit", path: "limit", heading: "Compliance", spoken: "compliance", unit: quantity.Ampere},
	{name: "ramp", path: "ramp", heading: "Ramp", spoken: "ramp", unit: quantity.Second},
	{name: "delay", path: "delay", heading: "Then wait", spoken: "delay after the ramp", unit: quantity.Second},
}

// CellID is the id of the field of a document's path in the editor:
// "pins[3].maxV" stands in "device-pins-3-maxV".
func CellID(form, path string) string {
	return form + "-" + strings.NewReplacer("[", "-", "].", "-", "]", "", ".", "-").Replace(path)
}

func pinPath(i int, field string) string  { return fmt.Sprintf("pins[%d].%s", i, field) }
func stepPath(i int, field string) string { return fmt.Sprintf("power[%d].%s", i, field) }

// rows returns the number of rows of a repeated field.
func (f Form) rows(name string) int { return len(f.Values[name]) }

// rowErrors are the messages of one row of a grid, in the order of its columns.
func (f Form) rowErrors(path func(int, string) string, i int, fields ...string) []Finding {
	var out []Finding
	for _, name := range fields {
		if m := f.Errors[path(i, name)]; m != "" {
			out = append(out, Finding{ID: CellID(f.ID, path(i, name)), Message: m})
		}
	}
	return out
}

// pinFields are the fields of a pin in the order of the columns.
var pinFields = func() []string {
	fields := []string{"number", "name", "function"}
	for _, c := range pinCells {
		fields = append(fields, c.path)
	}
	return append(fields, "logic")
}()

var stepFields = []string{"pin", "level", "limit", "ramp", "delay"}

func functionOptions() []Option {
	var out []Option
	for _, f := range dut.Functions() {
		out = append(out, Option{Value: string(f), Label: string(f)})
	}
	return out
}

func familyOptions() []Option {
	var out []Option
	for _, f := range dut.Families() {
		out = append(out, Option{Value: string(f), Label: string(f)})
	}
	return out
}

func logicOptions(families []dut.LogicFamily) []Option {
	out := []Option{{Value: "", Label: "none"}}
	for _, f := range families {
		out = append(out, Option{Value: f.Key, Label: f.Name})
	}
	return out
}

// usedFamilies are the logic families that the form names.
func (p DeviceEditProps) usedFamilies() []dut.LogicFamily {
	var out []dut.LogicFamily
	for _, f := range p.Families {
		for _, key := range p.Form.Values["logic"] {
			if key == f.Key {
				out = append(out, f)
				break
			}
		}
	}
	return out
}

// familyWords returns in words the standard that a logic family's levels come
// from.
func familyWords(f dut.LogicFamily) string {
	w := f.Source()
	if !f.Checked() {
		w += " (not all figures could be compared with it)"
	}
	return w
}

// spare is the number of empty rows that wait under a grid.
const spare = 1

// levelWords returns in words the levels of a family at its nominal supply.
func levelWords(f dut.LogicFamily) string {
	at := f.Nominal
	w := "at " + short(at, quantity.Volt) + " a low is at most " + short(f.VIL.At(at), quantity.Volt) + ", a high at least " + short(f.VIH.At(at), quantity.Volt)
	if f.Outputs {
		w += "; driven low at most " + short(f.VOL.At(at), quantity.Volt) + ", driven high at least " + short(f.VOH.At(at), quantity.Volt)
	}
	return w
}

// PastedRow is one line of a pasted table with the pins that were made of it.
type PastedRow struct {
	Line          int
	Pin           string
	Read          []string // "function from the name"
	Left          string   // why the line gave no pin
	Problems      []string
	Warnings      []string
	Name, Ratings string
	Function      dut.Function
	Used          bool
}

// mostPasted is the largest number of rows of a pasted table on a page.
const mostPasted = 200

// pastedRows lists the lines of a table in their order, and says how many are
// not shown.
func pastedRows(t *dut.PinTable) (rows []PastedRow, more int) {
	problems, warnings := notesByLine(t.Problems), notesByLine(t.Warnings)
	said := map[int]bool{}
	for _, r := range t.Rows {
		row := PastedRow{Line: r.Line, Pin: strconv.Itoa(r.Pin.Number), Name: r.Pin.Name, Function: r.Pin.Function, Used: r.Used,
			Ratings: pastedRatings(r), Read: origins(r)}
		row.Problems, row.Warnings = notesOf(problems[r.Line], r.Pin.Number), notesOf(warnings[r.Line], r.Pin.Number)
		said[r.Line] = true
		rows = append(rows, row)
	}
	for _, line := range t.Ignored {
		rows = append(rows, PastedRow{Line: line.Line, Name: line.Text, Left: line.Why})
		said[line.Line] = true
	}
	for line, notes := range problems {
		if line > 0 && !said[line] {
			rows = append(rows, PastedRow{Line: line, Problems: notesOf(notes, 0)})
		}
	}
	sortRows(rows)
	if len(rows) > mostPasted {
		more = len(rows) - mostPasted
		rows = rows[:mostPasted]
	}
	return rows, more
}

func notesByLine(notes []dut.Note) map[int][]dut.Note {
	out := map[int][]dut.Note{}
	for _, n := range notes {
		out[n.Line] = append(out[n.Line], n)
	}
	return out
}

// notesOf returns the messages of a line that concern one of its pins, or no
// pin in particular.
func notesOf(notes []dut.Note, pin int) []string {
	var out []string
	for _, n := range notes {
		if n.Pin == 0 || pin == 0 || n.Pin == pin {
			out = append(out, n.Message)
		}
	}
	return out
}

// pastedRatings are the ratings that the table itself gave.
func pastedRatings(r dut.TableRow) string {
	var w []string
	add := func(given bool, text string) {
		if given {
			w = append(w, text)
		}
	}
	rated := func(relative bool) {
		for _, rating := range dut.Ratings() {
			add(rating.Relative == relative && r.Gave(rating.Means), rating.Say(r.Pin))
		}
	}
	rated(false)
	add(r.Gave(dut.MeansClamp), "clamped to "+strconv.Itoa(r.Pin.Clamp))
	rated(true)
	add(r.Gave(dut.MeansLogic), r.Pin.Logic)
	return strings.Join(w, ", ")
}

// origins returns in words how each value came about that was not simply read.
func origins(r dut.TableRow) []string {
	var out []string
	for _, o := range r.From {
		if o.How != "read" && o.How != "" {
			out = append(out, meaningWords[o.Field]+" "+o.How)
		}
	}
	return out
}

// tableWords describes how a pasted table was split into columns.
func tableWords(t *dut.PinTable) string {
	w := "from " + count(len(t.Rows)+len(t.Ignored), "line", "lines")
	if t.Separator != "" {
		w += ", cells split by " + t.Separator
	}
	return w
}

// meaningWords name what a column of a pasted table holds.
var meaningWords = map[dut.Meaning]string{
	dut.MeansNumber: "pin number", dut.MeansName: "name", dut.MeansFunction: "function", dut.MeansMinV: "lowest voltage",
	dut.MeansMaxV: "highest voltage", dut.MeansMaxI: "highest current", dut.MeansClamp: "supply it is clamped to",
	dut.MeansAboveClamp: "how far above that supply", dut.MeansLogic: "logic family",
	dut.MeansDescription: "a description, not used", dut.MeansNothing: "not used",
}

// columnWords describes what was understood of a column of a pasted table.
func columnWords(c dut.TableColumn) string {
	w := c.Heading
	if w == "" {
		w = "column " + strconv.Itoa(c.Index)
	}
	means := meaningWords[c.Means]
	w += " → " + means
	if c.Unit != "" {
		w += " in " + c.Unit
	}
	if c.Why != "" {
		w += " (" + c.Why + ")"
	}
	return w
}

func sortRows(rows []PastedRow) {
	slices.SortStableFunc(rows, func(a, b PastedRow) int { return a.Line - b.Line })
}

func (p DeviceEditProps) hasPins() bool { return p.Form.rows("number") > 0 }

func (p DeviceEditProps) action() string {
	if p.Key == "" {
		return "/devices/new"
	}
	return "/devices/" + p.Key + "/edit"
}

// families are the choices of a package. A new device may leave it to the table.
func (p DeviceEditProps) families() []Option {
	if p.hasPins() {
		return familyOptions()
	}
	return append([]Option{{Value: "", Label: "as the table says"}}, familyOptions()...)
}
