package dut_test

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/text/unicode/norm"

	"ohmkeep/server/dut"
)

func TestNamesAreComposed(t *testing.T) {
	for in, want := range map[string]string{
		"Ren\u0065\u0301e": "Ren\u00e9e", "Ren\u00e9e": "Ren\u00e9e", "  Ada ": "Ada",
		"\u212bse":           "\u00c5se", // the sign for the unit is the letter (UAX 15, 1.2)
		"Nguye\u0302\u0303n": "Nguy\u1ec5n", "\u1112\u1161\u11ab": "\ud55c", "": "",
	} {
		if got := dut.Name(in); got != want {
			t.Errorf("%+q: %+q, want %+q", in, got, want)
		}
	}
}

// TestNamesThatReadAlikeHaveOneKey: what no reader can tell apart is one, and what
// they can is not.
func TestNamesThatReadAlikeHaveOneKey(t *testing.T) {
	for key, names := range map[string][]string{
		"Eva B":    {"Eva B", "Eva  B", "Eva\u00a0B", " Eva \t\u2003B ", "\uff25\uff56\uff41\u3000\uff22", "\U0001d5a4\U0001d5cf\U0001d5ba B"},
		"Eva-B":    {"Eva-B", "Eva\u2011B", "Eva\u2010B", "Eva\u2013B", "Eva\u2212B", "Eva\uff0dB"},
		"the host": {"the host", "the\u00a0host", "the\u2009host"},
		"x (y)":    {"x (y)", "x \uff08y\uff09"},
		"eva":      {"eva"}, "Evá": {"Evá", "Eva\u0301"}, "EvaB": {"EvaB"}, "": {"", " \u00a0"},
	} {
		for _, name := range names {
			if got := dut.NameKey(name); got != key {
				t.Errorf("%+q: %+q, want %+q", name, got, key)
			}
		}
	}
}

// TestMixedScripts: the examples of mixed and of single scripts are those of UTS 39,
// 5.1 and 5.2, and names as people have them.
func TestMixedScripts(t *testing.T) {
	for name, want := range map[string][]string{
		"Ada Bell": nil, "Ольга Иванова": nil, "Ελένη": nil, "山田 Taro": nil, "やまだ タロウ 山田": nil, "김 Kim 金": nil, "שרה": nil, "أحمد": nil,
		"Jürgen O’Neill-Ångström, 2nd": nil, "Nguyễn": nil, "Zoe\u0301": nil, "123": nil, "": nil, "Circle": nil, "अनु": nil, "สมชาย": nil, "陳 ㄔㄣˊ Chen": nil,
		"\u0410da Bell":    {"Cyrillic", "Latin"}, // А
		"Circl\u0435":      {"Cyrillic", "Latin"}, // UTS 39, table 1a: е
		"\u0391da":         {"Greek", "Latin"},
		"Ольга Ivanova":    {"Cyrillic", "Latin"},
		"やまだ 김":            {"Hangul", "Hiragana"},
		"Ad\u0561":         {"Armenian", "Latin"},
		"\u13aada \u0430x": {"Cherokee", "Cyrillic", "Latin"},
	} {
		if d := cmp.Diff(want, dut.MixedScripts(name)); d != "" {
			t.Errorf("%q: %s", name, d)
		}
	}
}

func FuzzName(f *testing.F) {
	for _, s := range []string{"Ada", "e\u0301", "\u0410da", "\xff", " "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		name := dut.Name(text)
		if key := dut.NameKey(name); dut.NameKey(key) != key || dut.NameKey(text) != key {
			t.Errorf("%+q has the key %+q, whose key is another, or is not that of the name as it is kept", text, key)
		}
		if dut.Name(name) != name {
			t.Errorf("%+q is not the name of itself", name)
		}
		if !slices.Equal(dut.MixedScripts(norm.NFD.String(name)), dut.MixedScripts(name)) && norm.NFC.String(norm.NFD.String(name)) == name {
			t.Errorf("%+q: decomposed it has other scripts", name)
		}
	})
}
