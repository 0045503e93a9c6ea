// Package form turns what a browser's form sends (url.Values) into documents
// and documents into what a form shows. It is pure: it knows no HTTP, no store
// and no bench at work. What is wrong with a form is a dut.Problems whose
// fields are paths, of the document where it has the field, of the form where
// it has not.
package form

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// Field is one entry of a form: what was typed, and the path under which a
// problem with it is reported.
type Field struct {
	At   dut.Path
	Text string // without blanks around it
}

// Given tells whether anything was typed.
func (f Field) Given() bool { return f.Text != "" }

// Reader reads the fields of a form. It gathers everything that is wrong, so
// that a person is told all of it at once, each beside its field. What cannot
// be read is given as zero.
type Reader struct {
	Values   url.Values
	Problems dut.Problems
}

// NewReader makes a reader of a form.
func NewReader(v url.Values) *Reader { return &Reader{Values: v} }

// Field is the field that the form has under its path.
func (r *Reader) Field(at dut.Path) Field { return r.Named(at, at.String()) }

// Named is the field that the form has under another name than its path.
func (r *Reader) Named(at dut.Path, name string) Field {
	return Field{at, strings.TrimSpace(r.Values.Get(name))}
}

// Cell is row i, from 0, of a repeated field.
func (r *Reader) Cell(at dut.Path, column string, i int) Field {
	return Field{at, cell(r.Values, column, i)}
}

// Fail reports a problem with a field.
func (r *Reader) Fail(f Field, format string, args ...any) {
	r.Problems.Add(f.At.String(), format, args...)
}

// Failed tells whether a problem with exactly this field has been reported.
func (r *Reader) Failed(at dut.Path) bool {
	return slices.ContainsFunc(r.Problems, func(p dut.Problem) bool { return p.Field == at.String() })
}

// Quantity reads a quantity in SI units; nothing is 0.
func (r *Reader) Quantity(f Field, unit quantity.Unit) float64 {
	if !f.Given() {
		return 0
	}
	return r.NeedQuantity(f, unit)
}

// NeedQuantity reads a quantity in SI units that must be given.
func (r *Reader) NeedQuantity(f Field, unit quantity.Unit) float64 {
	v, err := quantity.Parse(f.Text, unit)
	if err != nil {
		r.Fail(f, "%s", err.Error())
	}
	return v
}

// mostWhole bounds what Whole reads: four digits number everything that a
// document numbers.
const mostWhole = 9999

// Whole reads a whole number of at most four digits; nothing is 0.
func (r *Reader) Whole(f Field) int {
	if !f.Given() {
		return 0
	}
	return r.NeedWhole(f)
}

// NeedWhole reads a whole number of at most four digits that must be given.
func (r *Reader) NeedWhole(f Field) int {
	n, _ := r.TryWhole(f)
	return n
}

// TryWhole reads what NeedWhole does, and tells whether it could.
func (r *Reader) TryWhole(f Field) (n int, ok bool) {
	if !f.Given() {
		r.Fail(f, "enter a number")
		return 0, false
	}
	n, err := strconv.Atoi(f.Text)
	if err != nil || n < -mostWhole || n > mostWhole {
		r.Fail(f, "%q is not a whole number such as 14", dut.Excerpt(f.Text))
		return 0, false
	}
	return n, true
}

// Wholes reads whole numbers with commas, semicolons or spaces between them.
func (r *Reader) Wholes(f Field) []int {
	var out []int
	for _, part := range parts(f, ",; ") {
		if n, ok := r.TryWhole(part); ok {
			out = append(out, n)
		}
	}
	return out
}

// Integer reads a whole number of any size; nothing is 0. What bounds it is said
// with the document.
func (r *Reader) Integer(f Field) int {
	if !f.Given() {
		return 0
	}
	n, err := strconv.Atoi(f.Text)
	if err != nil {
		r.Fail(f, "%q is no whole number", dut.Excerpt(f.Text))
	}
	return n
}

// Count reads a whole number from 1 to most that must be given.
func (r *Reader) Count(f Field, most int) int {
	n, err := strconv.Atoi(f.Text)
	if err != nil || n < 1 || n > most {
		r.Fail(f, "give a whole number, 1 to %d", most)
	}
	return n
}

// Pin reads the number of a pin of the device that must be given.
func (r *Reader) Pin(f Field, d *dut.Device) int {
	n, err := strconv.Atoi(f.Text)
	if _, ok := d.Pin(n); err != nil || !ok {
		r.Fail(f, "pick a pin of the device")
	}
	return n
}

// PinOrReturn reads the number of a pin of the device; nothing and 0 are the
// return, 0.
func (r *Reader) PinOrReturn(f Field, d *dut.Device) int {
	if !f.Given() || f.Text == "0" {
		return 0
	}
	return r.Pin(f, d)
}

// KnownPin reads a pin of the device by its number, or by a name that only it
// has; nothing is 0.
func (r *Reader) KnownPin(f Field, d *dut.Device) int {
	if !f.Given() {
		return 0
	}
	n, err := pinNumber(f.Text, d)
	if err != nil {
		r.Fail(f, "%s", err.Error())
	}
	return n
}

// Pins reads pins of the device as ParsePins does; nothing is none.
func (r *Reader) Pins(f Field, d *dut.Device) []int {
	pins, err := ParsePins(f.Text, d)
	if err != nil {
		r.Fail(f, "%s", err.Error())
	}
	return pins
}

// Choice reads one of a set of words that must be chosen; missing is what is
// said where none of them was.
func (r *Reader) Choice(f Field, missing string, words ...string) string {
	if !slices.Contains(words, f.Text) {
		r.Fail(f, "%s", missing)
		return ""
	}
	return f.Text
}

// YesNo reads yes or no in the words that people write; nothing is no.
func (r *Reader) YesNo(f Field) bool {
	switch strings.ToLower(f.Text) {
	case "", "no", "n", "0", "false", "-", "none":
		return false
	case "yes", "y", "1", "true", "x", "own":
		return true
	}
	r.Fail(f, "%q is neither yes nor no", dut.Excerpt(f.Text))
	return false
}

// Checked tells whether a box was ticked.
func (r *Reader) Checked(name string) bool { return r.Values.Get(name) == "1" }

// Line is a text of one line.
func (r *Reader) Line(name string) string { return strings.TrimSpace(r.Values.Get(name)) }

// Lines is a text of several lines, with the line ends of a document.
func (r *Reader) Lines(name string) string { return PlainLines(r.Values.Get(name)) }

// PlainLines turns the line ends that forms send, those of mail, into those of
// a document.
func PlainLines(s string) string { return strings.ReplaceAll(s, "\r\n", "\n") }

// parts splits a list that was typed into one field, at any of the marks.
// Empty parts are left out.
func parts(f Field, marks string) []Field {
	var out []Field
	for part := range strings.FieldsFuncSeq(f.Text, func(c rune) bool { return strings.ContainsRune(marks, c) }) {
		out = append(out, Field{f.At, strings.TrimSpace(part)})
	}
	return out
}

// Number writes a whole number into a field; 0 leaves it empty.
func Number(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// yes writes what YesNo reads.
func yes(v bool) string {
	if v {
		return "yes"
	}
	return ""
}
