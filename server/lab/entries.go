package lab

import (
	"strings"
	"unicode/utf8"

	"ohmkeep/server/dut"
)

// Bounds of what a person writes, in characters.
const (
	MaxSerial = 64
	MaxNote   = 4000
)

// CheckLine holds one line of plain text against its bound.
func CheckLine(ps *dut.Problems, field, text string, most int) {
	switch {
	case !utf8.ValidString(text):
		ps.Add(field, "is not valid UTF-8 text")
	case utf8.RuneCountInString(text) > most:
		ps.Add(field, "has %d characters; at most %d fit", utf8.RuneCountInString(text), most)
	case strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }):
		ps.Add(field, "must be one line of plain text")
	}
}

// CheckNote holds a note against its bound.
func CheckNote(ps *dut.Problems, text string) {
	switch {
	case !utf8.ValidString(text):
		ps.Add("note", "is not valid UTF-8 text")
	case utf8.RuneCountInString(text) > MaxNote:
		ps.Add("note", "has %d characters; at most %d fit", utf8.RuneCountInString(text), MaxNote)
	}
}
