package dut

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestPath(t *testing.T) {
	for text, p := range map[string]Path{
		"":                        {},
		"key":                     At("key"),
		"pins[3].maxV":            At("pins").Index(3).Name("maxV"),
		"channels[0].forceV[12]":  At("channels").Index(0).Name("forceV").Index(12),
		"limits.level low.high":   At("limits").Name("level low").Name("high"),
		"[2].key":                 Path{}.Index(2).Name("key"),
		"measurements[1].hold[0]": At("measurements").Index(1).Join(At("hold").Index(0)),
	} {
		if p.String() != text {
			t.Errorf("%q is written %q", text, p)
		}
		if got, err := ParsePath(text); err != nil || got != p {
			t.Errorf("%q is read as %q, %v", text, got, err)
		}
	}
	want := []Part{{Name: "pins"}, {Index: 3}, {Name: "maxV"}}
	if got := At("pins").Index(3).Name("maxV").Parts(); !slices.Equal(got, want) {
		t.Errorf("parts %v, want %v", got, want)
	}
}

func TestPathRefuses(t *testing.T) {
	for _, text := range []string{".", ".a", "a.", "a..b", "a[", "a[]", "a[x]", "a[-1]", "a[+1]", "a[01]", "a[1]b", "a]", "[1", "a[9999999999]", "a.[1]"} {
		if p, err := ParsePath(text); err == nil {
			t.Errorf("%q is read as %q", text, p)
		}
	}
	for what, make := range map[string]func(){
		"an empty name":     func() { At("") },
		"a name with a dot": func() { At("a").Name("b.c") },
		"an index below 0":  func() { At("a").Index(-1) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s makes a path", what)
				}
			}()
			make()
		}()
	}
}

// What is joined is the path through both.
func TestPathJoin(t *testing.T) {
	part := rapid.Custom(func(t *rapid.T) Part {
		if rapid.Bool().Draw(t, "index") {
			return Part{Index: rapid.IntRange(0, maxPathIndex).Draw(t, "i")}
		}
		return Part{Name: rapid.StringMatching(`[a-zA-Z0-9 -]{1,8}`).Draw(t, "name")}
	})
	build := func(parts []Part) Path {
		var p Path
		for _, x := range parts {
			if x.Name != "" {
				p = p.Name(x.Name)
			} else {
				p = p.Index(x.Index)
			}
		}
		return p
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.SliceOfN(part, 0, 5).Draw(t, "a"), rapid.SliceOfN(part, 0, 5).Draw(t, "b")
		all := slices.Concat(a, b)
		joined := build(a).Join(build(b))
		if got := joined.Parts(); !slices.Equal(got, all) || joined != build(all) {
			t.Fatalf("%v and %v: %q", a, b, joined)
		}
		if again, err := ParsePath(joined.String()); err != nil || again != joined {
			t.Fatalf("%q is read as %q, %v", joined, again, err)
		}
	})
}

// FuzzParsePath: what is read is written as it was, and its parts make it again.
func FuzzParsePath(f *testing.F) {
	for _, s := range []string{"", "pins[3].maxV", "a..b", "[0][1]", "a.b[007]", "ü.[", "a[1].b[2].c"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		p, err := ParsePath(text)
		if err != nil {
			return
		}
		var again Path
		for _, x := range p.Parts() {
			if x.Name != "" {
				again = again.Name(x.Name)
			} else {
				again = again.Index(x.Index)
			}
		}
		if p.String() != text || again != p {
			t.Fatalf("%q is read as %q, of parts %v", text, p, p.Parts())
		}
	})
}

func TestExcerpt(t *testing.T) {
	if got := Excerpt("short"); got != "short" {
		t.Errorf("%q", got)
	}
	long := "ÄÖÜ4567890123456789012345678901234567890 and more"
	if got := Excerpt(long); got != "ÄÖÜ4567890123456789012345678901234567890…" {
		t.Errorf("%q", got)
	}
}
