package form

import (
	"maps"
	"net/url"
	"testing"

	"ohmkeep/server/bench"
)

// TestRule: a rule makes the paths of multiplexers, in place of those that join
// the same, which keep their numbers.
func TestRule(t *testing.T) {
	d := deskBench()
	before := len(d.Paths)
	good := url.Values{"ruleLines": {"1A, return"}, "ruleFrom": {"3"}, "ruleTo": {"8"}, "ruleWays": {"4"}, "ruleAddress": {"{channel}!{mux}{way}"},
		"ruleResistance": {"2,5"}, "ruleLeakage": {"200 GΩ"}, "ruleTolerance": {"10 %"}, "ruleLeakageTolerance": {"50 %"}, "ruleMax": {"50 mA"}, "ruleSense": {"1"}}
	rule, ps := ReadRule(good, &d)
	if len(ps) > 0 {
		t.Fatal(ps)
	}
	if n := rule.Apply(&d); n != 12 || len(d.Paths) != before {
		t.Errorf("%d made, %d paths, were %d", n, len(d.Paths), before)
	}
	want := bench.Path{ID: d.Paths[6].ID, Channel: 1, Contact: 7, Mux: "1A/7-8", Address: "1!21", Resistance: 2.5, Leakage: 5e-12, Kelvin: true, MaxCurrent: 0.05,
		ResistanceTolerance: 0.1, LeakageTolerance: 0.5}
	if got := d.Paths[6]; got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	ids := map[bench.PathID]bool{}
	for _, p := range d.Paths {
		ids[p.ID] = true
	}
	if len(ids) != len(d.Paths) {
		t.Errorf("%d numbers for %d paths", len(ids), len(d.Paths))
	}
	for name, c := range map[string]struct{ field, value string }{
		"no line": {"ruleLines", ""}, "a line": {"ruleLines", "7Q"}, "beyond": {"ruleTo", "9"}, "backwards": {"ruleTo", "2"}, "no ways": {"ruleWays", "0"},
		"a place": {"ruleAddress", "{pin}"}, "a brace": {"ruleAddress", "{channel"}, "a unit": {"ruleResistance", "5 V"}, "leakage": {"ruleLeakage", "5 V"}, "a card": {"ruleCard", "x"},
	} {
		bad := maps.Clone(good)
		bad[c.field] = []string{c.value}
		if _, ps := ReadRule(bad, &d); len(ps) != 1 || ps[0].Field != c.field {
			t.Errorf("%s: %v, want %s", name, ps, c.field)
		}
	}
	all := maps.Clone(good)
	all.Set("ruleLines", "All")
	all.Del("ruleWays")
	all.Del("ruleAddress")
	rule, ps = ReadRule(all, &d)
	if n := rule.Apply(&d); n != 12 || len(ps) > 0 || d.Paths[2].Mux != "1A/3" || d.Paths[2].Address != "1!3" {
		t.Errorf("%d made, %v, %+v", n, ps, d.Paths[2])
	}
}

// FuzzRule: a rule that is read makes no path twice and none beyond the bench.
func FuzzRule(f *testing.F) {
	f.Add("1A,return", "1", "8", "4", "{channel}!{way}")
	f.Add("all", "8", "1", "0", "{line")
	f.Add("#2;#2", "3", "3", "48", "")
	f.Fuzz(func(t *testing.T, lines, from, to, ways, address string) {
		d := deskBench()
		rule, ps := ReadRule(url.Values{"ruleLines": {lines}, "ruleFrom": {from}, "ruleTo": {to}, "ruleWays": {ways}, "ruleAddress": {address}}, &d)
		if len(ps) > 0 {
			return
		}
		d.Paths = nil
		rule.Apply(&d)
		seen := map[[2]int]bool{}
		for _, p := range d.Paths {
			ends := [2]int{int(p.Channel), p.Contact}
			if seen[ends] || p.Contact < 1 || p.Contact > d.Contacts || p.ID < 1 {
				t.Fatalf("%+v, again: %v", p, seen[ends])
			}
			seen[ends] = true
		}
	})
}
