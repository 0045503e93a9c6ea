package procedure

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func idsOf(p Procedure) []string {
	var out []string
	for _, m := range p.Measurements {
		out = append(out, m.ID)
	}
	return out
}

// TestEdits: each operation does what it says and leaves what it was given alone.
func TestEdits(t *testing.T) {
	d := inverterDevice()
	p := whole()
	before := p.Clone()
	n := len(p.Measurements)
	must := func(q Procedure, err error) Procedure {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(before, p); diff != "" {
			t.Fatalf("the procedure itself was changed: %s", diff)
		}
		return q
	}
	if q := must(p.Add("contact", d)); len(q.Measurements) != n+1 || q.Measurements[n].ID != "contact" {
		t.Errorf("added: %v", idsOf(q))
	}
	q, err := must(p.Add("contact", d)).Add("contact", d)
	if err != nil || q.Measurements[n+1].ID != "contact-2" {
		t.Errorf("added twice: %v, %v", idsOf(q), err)
	}
	q = must(p.Copy(2))
	if m := q.Measurements[3]; m.Name != p.Measurements[2].Name+", copy" || m.ID != "m3-2" {
		t.Errorf("copied: %q %q", m.ID, m.Name)
	}
	*q.Measurements[3].Limits["high"].High = 7 // of its own
	must(q, nil)
	if q := must(p.Move(0, n-1)); q.Measurements[n-1].Kind != "contact" || q.Measurements[0].Kind != "shorts" {
		t.Errorf("moved: %v", idsOf(q))
	}
	if q := must(p.Move(4, 1)); !slices.Equal(idsOf(q)[:5], []string{"m1", "m5", "m2", "m3", "m4"}) {
		t.Errorf("moved up: %v", idsOf(q))
	}
	if q := must(p.Remove(0)); len(q.Measurements) != n-1 || q.Measurements[0].Kind != "shorts" {
		t.Errorf("removed: %v", idsOf(q))
	}
	if q := must(p.SetDisabled(1, true)); !q.Measurements[1].Disabled {
		t.Error("not disabled")
	}
	if q := must(p.SetGroup(1, " Before power ")); q.Measurements[1].Group != "Before power" {
		t.Errorf("group %q", q.Measurements[1].Group)
	}
	for _, i := range []int{-1, n} {
		for name, f := range map[string]func() (Procedure, error){
			"copy": func() (Procedure, error) { return p.Copy(i) }, "remove": func() (Procedure, error) { return p.Remove(i) },
			"move": func() (Procedure, error) { return p.Move(i, 0) }, "move to": func() (Procedure, error) { return p.Move(0, i) },
			"disable": func() (Procedure, error) { return p.SetDisabled(i, true) }, "group": func() (Procedure, error) { return p.SetGroup(i, "") },
		} {
			if _, err := f(); err == nil {
				t.Errorf("%s %d was done", name, i)
			}
		}
	}
	if _, err := p.Add("other", d); err == nil {
		t.Error("a kind that does not exist was added")
	}
}

// TestEditsKeepIDsUnique: after any operations all ids differ, fit, and numbering
// them anew gives the same whatever they were.
func TestEditsKeepIDsUnique(t *testing.T) {
	d := inverterDevice()
	rapid.Check(t, func(t *rapid.T) {
		p := Procedure{Key: "k", Device: d.Key}
		for range rapid.IntRange(1, 30).Draw(t, "operations") {
			at := rapid.IntRange(0, max(0, len(p.Measurements)-1)).Draw(t, "at")
			var q Procedure
			var err error
			switch rapid.IntRange(0, 4).Draw(t, "operation") {
			case 0:
				q, err = p.Copy(at)
			case 1:
				q, err = p.Remove(at)
			case 2:
				q, err = p.Move(at, rapid.IntRange(0, max(0, len(p.Measurements)-1)).Draw(t, "to"))
			default:
				q, err = p.Add(rapid.SampledFrom(Kinds()).Draw(t, "kind").Key(), d)
			}
			if err == nil {
				p = q
			}
			long := strings.Repeat("x", maxID)
			if rapid.IntRange(0, 9).Draw(t, "rename") == 0 && len(p.Measurements) > 0 && !slices.Contains(idsOf(p), long) {
				p.Measurements[0].ID = long
			}
		}
		ids := idsOf(p)
		slices.Sort(ids)
		if len(slices.Compact(ids)) != len(p.Measurements) {
			t.Fatalf("ids %v", idsOf(p))
		}
		a := p.RenumberIDs()
		for i := range p.Measurements {
			p.Measurements[i].ID = "same"
		}
		if b := p.RenumberIDs(); !slices.Equal(idsOf(a), idsOf(b)) {
			t.Fatalf("%v and %v", idsOf(a), idsOf(b))
		}
		for _, id := range idsOf(a) {
			if len(id) > maxID || id == "" {
				t.Fatalf("id %q", id)
			}
		}
	})
}

func TestFullProcedure(t *testing.T) {
	p := Procedure{Measurements: make([]Measurement, MaxMeasurements)}
	if _, err := p.Add("contact", inverterDevice()); err == nil {
		t.Error("one more was added")
	}
	if _, err := p.Copy(0); err == nil {
		t.Error("one more was copied")
	}
}
