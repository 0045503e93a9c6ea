package lab

import (
	"ohmkeep/server/dut"
)

// Bounds of what a person writes, in characters.
const (
	MaxSerial = 64
	MaxNote   = 4000
)

// CheckLine holds one line of plain text against its bound.
func CheckLine(ps *dut.Problems, field, text string, most int) {
	dut.Text{Most: most}.Add(ps, field, text)
}

// CheckNote holds a note against its bound.
func CheckNote(ps *dut.Problems, text string) {
	dut.Text{Most: MaxNote, Lines: true}.Add(ps, "note", text)
}
