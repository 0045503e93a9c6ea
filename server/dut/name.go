package dut

import (
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// Name is a person's name as it is kept: without white space around
// it, and composed (Unicode Standard Annex 15, form C), so that é of one and é of
// two characters, which nobody can tell apart, are one name.
func Name(text string) string { return norm.NFC.String(strings.TrimSpace(text)) }

// NameKey is a name as it reads, for comparison alone: compatibility forms as the
// plain characters (Unicode Standard Annex 15, form KC), all dashes as one and any
// white space as one space. Two names of one key look alike in a list or a page.
func NameKey(text string) string {
	plain := strings.Map(func(r rune) rune {
		if r == minus || unicode.Is(unicode.Pd, r) {
			return '-'
		}
		return r
	}, norm.NFKC.String(text))
	return strings.Join(strings.Fields(plain), " ")
}

// minus is the sign of arithmetic, which Unicode does not count among the dashes.
const minus = '\u2212'

// together are the scripts that people write together in one name: "highly
// restrictive" of Unicode Technical Standard 39, 5.2.
var together = [][]string{
	{"Latin", "Han", "Hiragana", "Katakana"},
	{"Latin", "Han", "Bopomofo"},
	{"Latin", "Han", "Hangul"},
}

// MixedScripts returns the scripts of a name that are not written together, as a
// Cyrillic а among Latin letters, which passes one name off as another; nil where
// there is nothing of the kind. Characters of no script of their own go with all.
func MixedScripts(name string) []string {
	var scripts []string
	for _, r := range name {
		if s := scriptOf(r); s != "" && !slices.Contains(scripts, s) {
			scripts = append(scripts, s)
		}
	}
	if len(scripts) < 2 || slices.ContainsFunc(together, func(set []string) bool {
		return !slices.ContainsFunc(scripts, func(s string) bool { return !slices.Contains(set, s) })
	}) {
		return nil
	}
	slices.Sort(scripts)
	return scripts
}

// scriptOf is the script of a character (Unicode Standard Annex 24); "" for those
// that all scripts share.
func scriptOf(r rune) string {
	if r < 0x80 && !unicode.IsLetter(r) || unicode.In(r, unicode.Common, unicode.Inherited) {
		return ""
	}
	for name, table := range unicode.Scripts {
		if unicode.Is(table, r) {
			return name
		}
	}
	return ""
}
