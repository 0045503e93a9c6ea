package procedure

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// anyProcedure draws a procedure of a device, with conditions now and then.
func anyProcedure(t *rapid.T) Procedure {
	d := inverterDevice()
	p := Procedure{Key: "any", Name: "Any", Device: d.Key}
	for i := range rapid.IntRange(1, 6).Draw(t, "measurements") {
		m := anyMeasurement(t, rapid.SampledFrom(Kinds()).Draw(t, "kind"), d)
		m.ID = string(rune('a'+i)) + rapid.StringMatching(`[a-z]{0,3}(-[0-9]{1,2})?`).Draw(t, "id") // each its own
		m.Group = rapid.SampledFrom([]string{"", "Before power", "DC"}).Draw(t, "group")
		p.Measurements = append(p.Measurements, m)
	}
	for range rapid.IntRange(0, 3).Draw(t, "conditions") {
		c := Condition{Group: rapid.SampledFrom([]string{"", "", "DC"}).Draw(t, "group")}
		if rapid.Bool().Draw(t, "supply") {
			c.Supplies = []SupplyLevel{{6, rapid.Float64Range(0, 7).Draw(t, "level")}}
		}
		if rapid.Bool().Draw(t, "temperature") {
			at := rapid.Float64Range(-60, 150).Draw(t, "°C")
			c.Temperature = &at
		}
		p.Conditions = append(p.Conditions, c)
	}
	return p
}

// same holds two procedures against each other; NaN is the same as NaN.
func same(a, b Procedure) string {
	return cmp.Diff(a, b, cmp.Comparer(func(x, y float64) bool { return x == y || x != x && y != y }))
}

// Each edit can be taken back by another, and none changes what it was given.
func TestEditsCanBeTakenBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProcedure(t)
		before := p.Clone()
		n := len(p.Measurements)
		i, to := rapid.IntRange(0, n-1).Draw(t, "i"), rapid.IntRange(0, n-1).Draw(t, "to")
		must := func(q Procedure, err error) Procedure {
			if err != nil {
				t.Fatal(err)
			}
			return q
		}
		for name, q := range map[string]Procedure{
			"moved there and back":  must(must(p.Move(i, to)).Move(to, i)),
			"copied, copy removed":  must(must(p.Copy(i)).Remove(i + 1)),
			"added, then removed":   must(must(p.Add("contact", inverterDevice())).Remove(n)),
			"left out, and back in": must(must(p.SetDisabled(i, !p.Measurements[i].Disabled)).SetDisabled(i, p.Measurements[i].Disabled)),
			"under another heading": must(must(p.SetGroup(i, "Other")).SetGroup(i, p.Measurements[i].Group)),
		} {
			if diff := same(before, q); diff != "" {
				t.Fatalf("%s: %s", name, diff)
			}
		}
		moved := must(p.Move(i, to))
		if moved.Measurements[to].ID != p.Measurements[i].ID {
			t.Fatalf("moved from %d to %d: %v of %v", i, to, idsOf(moved), idsOf(p))
		}
		if got, want := slices.Sorted(slices.Values(idsOf(moved))), slices.Sorted(slices.Values(idsOf(p))); !slices.Equal(got, want) {
			t.Fatalf("moving made %v of %v", got, want)
		}
		if diff := same(before, p); diff != "" {
			t.Fatalf("the procedure itself was changed: %s", diff)
		}
	})
}

// A copy shares nothing with what it was made of: whatever is written into it
// is not seen there.
func TestCopiesShareNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProcedure(t)
		before, c := p.Clone(), p.Clone()
		for i := range c.Measurements {
			m := &c.Measurements[i]
			for j := range m.Pins {
				m.Pins[j] = -1
			}
			for j := range m.Hold {
				m.Hold[j] = Hold{Pin: -1}
			}
			if m.Sweep != nil {
				m.Sweep.Points = -7
				for j := range m.Sweep.List {
					m.Sweep.List[j] = -7
				}
			}
			if m.Step != nil {
				m.Step.Pin = -7
				for j := range m.Step.Sweep.List {
					m.Step.Sweep.List[j] = -7
				}
			}
			for key, l := range m.Limits {
				if l.Low != nil {
					*l.Low = -7
				}
				if l.High != nil {
					*l.High = -7
				}
				m.Limits[key] = Limit{}
			}
		}
		for i := range c.Conditions {
			for j := range c.Conditions[i].Supplies {
				c.Conditions[i].Supplies[j].Level = -7
			}
			if at := c.Conditions[i].Temperature; at != nil {
				*at = -7
			}
		}
		if diff := same(before, p); diff != "" {
			t.Fatalf("writing into the copy changed the procedure: %s", diff)
		}
	})
}

// An id that is made is new, fits, and keeps what it was made of where it can.
func TestFreeID(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var p Procedure
		for range rapid.IntRange(0, 8).Draw(t, "taken") {
			p.Measurements = append(p.Measurements, Measurement{ID: rapid.SampledFrom([]string{
				"", "a", "a-2", "a-3", "a-x", "-2", "measurement-2", strings.Repeat("é", maxID), strings.Repeat("é", maxID-5) + "-2"}).Draw(t, "id")})
		}
		wanted := rapid.SampledFrom([]string{"", "a", "a-2", "a-9", "a-x", "-2", "b", strings.Repeat("é", maxID)}).Draw(t, "wanted")
		got := p.freeID(wanted)
		if got == "" || slices.Contains(idsOf(p), got) || utf8.RuneCountInString(got) > maxID {
			t.Fatalf("%q of %q, taken %q", got, wanted, idsOf(p))
		}
		if wanted != "" && !slices.Contains(idsOf(p), wanted) && got != wanted {
			t.Fatalf("%q is free and became %q", wanted, got)
		}
	})
	for wanted, want := range map[string]string{"a": "a-3", "a-2": "a-3", "a-x": "a-x", "": "measurement-2", "b-9": "b-9"} {
		p := Procedure{Measurements: []Measurement{{ID: "a"}, {ID: "a-2"}, {ID: ""}}}
		if got := p.freeID(wanted); got != want {
			t.Errorf("%q becomes %q, want %q", wanted, got, want)
		}
	}
}
