package dut

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

// TestTextShowsAllItHolds: what cannot be seen or turns the direction of a text is
// refused with its place, in names; a note may have lines.
func TestTextShowsAllItHolds(t *testing.T) {
	name, note := Text{Least: 1, Most: 20}, Text{Most: 20, Lines: true}
	for _, c := range []struct {
		text, inName, inNote string
	}{
		{"VCC", "", ""},
		{"Spannung Ω µ 供电 éà", "", ""},
		{"", "empty", ""},
		{"  ", "empty", ""},
		{strings.Repeat("x", 21), "21 characters; at most 20", "21 characters; at most 20"},
		{"a\nb", "one line", ""},
		{"a\u2028b", "one line", ""},
		{"ab\u202ecd", "direction of text, U+202E, at place 3", "direction of text, U+202E, at place 3"},
		{"a\u2066b", "direction of text, U+2066, at place 2", "direction"},
		{"Ωx\u200b", "cannot be seen, U+200B, at place 3", ""},
		{"\ufeffx", "cannot be seen, U+FEFF, at place 1", ""},
		{"a\u3164", "cannot be seen, U+3164, at place 2", ""},
		{"\u115f", "cannot be seen, U+115F, at place 1", ""},
		{"a\u034fb", "cannot be seen, U+034F, at place 2", ""},
		{"a\ufe0f", "cannot be seen, U+FE0F, at place 2", ""},
		{"a\U000e0100", "cannot be seen, U+E0100, at place 2", ""},
		{"\u2800", "cannot be seen, U+2800, at place 1", ""},
		{"\u17b4x", "cannot be seen, U+17B4, at place 1", ""},
		{"a\x07", "cannot be seen, U+0007, at place 2", "cannot be seen, U+0007, at place 2"},
		{"a\tb", "one line", ""},
		{"\xff", "UTF-8", "UTF-8"},
	} {
		for what, got := range map[string][2]string{"name": {name.Check(c.text), c.inName}, "note": {note.Check(c.text), c.inNote}} {
			if (got[0] == "") != (got[1] == "") || !strings.Contains(got[0], got[1]) {
				t.Errorf("%s %q: %q, want %q", what, c.text, got[0], got[1])
			}
		}
	}
}

// TestNamesOfADeviceAreChecked: the place stands beside the field.
func TestNamesOfADeviceAreChecked(t *testing.T) {
	d := Device{Key: "part", Name: "Pa\u200brt", Package: Package{Family: SingleRow, Pins: 1}, Pins: []Pin{{Number: 1, Name: "V\u202eCC", Function: Analog}}}
	err := d.Validate()
	if err == nil {
		t.Fatal("it is taken")
	}
	for _, want := range []string{"U+200B, at place 3", "U+202E, at place 2"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%v lacks %q", err, want)
		}
	}
}

// FuzzText: a name that is taken is valid, within its bound, and every character of
// it takes up room on a line.
func FuzzText(f *testing.F) {
	for _, s := range []string{"VCC", "a\u202eb", "\xff", "a\nb", "Ω\u00ad"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if (Text{Least: 1, Most: 32}).Check(s) != "" {
			return
		}
		if !utf8.ValidString(s) || utf8.RuneCountInString(s) > 32 || strings.TrimSpace(s) == "" {
			t.Errorf("%q is taken", s)
		}
		for _, r := range s {
			if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || unicode.Is(unicode.Cf, r) {
				t.Errorf("%q is taken with %U", s, r)
			}
		}
	})
}
