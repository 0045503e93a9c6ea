package dut

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Text is what a text that a person writes must be like.
type Text struct {
	Least, Most int  // characters; 0 is none, and no bound
	Lines       bool // it may have more than one line
}

// Check says what is wrong with a text, to follow its name; "" where nothing is.
// A name must show all it holds: a character that cannot be seen, or that changes the
// direction of what follows, makes two names look the same, or one look like another.
func (w Text) Check(text string) string {
	n := utf8.RuneCountInString(text)
	switch {
	case !utf8.ValidString(text):
		return "is not valid UTF-8 text"
	case w.Least > 0 && strings.TrimSpace(text) == "":
		return "must not be empty"
	case w.Most > 0 && n > w.Most:
		return fmt.Sprintf("has %d characters; at most %d fit", n, w.Most)
	}
	place := 0
	for _, r := range text {
		place++
		switch {
		case r == '\n' || r == '\r' || r == '\t' || unicode.In(r, unicode.Zl, unicode.Zp):
			if !w.Lines {
				return "must be one line of plain text"
			}
		case directs(r):
			return fmt.Sprintf("has a character that changes the direction of text, U+%04X, at place %d: delete it", r, place)
		case unicode.Is(unicode.Cc, r) || !w.Lines && unseen(r):
			return fmt.Sprintf("has a character that cannot be seen, U+%04X, at place %d: delete it", r, place)
		}
	}
	return ""
}

// Add puts what is wrong with a text among the problems of a document.
func (w Text) Add(ps *Problems, field, text string) {
	if words := w.Check(text); words != "" {
		ps.Add(field, "%s", words)
	}
}

// unseen reports whether a character takes up no room, or shows nothing in it
// (Unicode Standard Annex 44, default ignorable code points; a braille pattern of no
// dots; fillers).
func unseen(r rune) bool {
	return unicode.In(r, unicode.Cf, unicode.Co, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector) || r == 0x2800
}

// directs reports whether a character changes the direction of text (Unicode
// Standard Annex 9, explicit directional formatting characters).
func directs(r rune) bool {
	return r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0x200e || r == 0x200f || r == 0x061c
}
