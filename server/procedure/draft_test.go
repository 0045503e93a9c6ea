package procedure

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// draftOn is the draft of two inverters on the bench of the check.
func draftOn(t *testing.T, change func(d *dut.Device, pm *bench.PinMap)) (Procedure, []Reason, *dut.Device, *bench.PinMap) {
	t.Helper()
	d := inverterDevice()
	pm := &bench.PinMap{Device: d.Key, Bench: "bench", Contacts: map[int]int{1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 6}}
	if change != nil {
		change(d, pm)
	}
	p, reasons := Draft(d, checkBench(), pm)
	if err := p.Validate(d); err != nil {
		t.Fatalf("the draft is not valid: %v", err)
	}
	return p, reasons, d, pm
}

func kindsOf(p Procedure) (out []string) {
	for _, m := range p.Measurements {
		out = append(out, m.Kind)
	}
	return slices.Compact(out)
}

func said(reasons []Reason) string {
	var out []string
	for _, r := range reasons {
		out = append(out, r.Words)
	}
	return strings.Join(out, "\n")
}

// What a draft of a whole device has, and that the check before power finds no
// error in it.
func TestDraftIsSafeToStart(t *testing.T) {
	p, reasons, d, pm := draftOn(t, nil)
	kinds := kindsOf(p)
	for _, k := range []string{"contact", "shorts", "leakage", "supply-current"} {
		if !slices.Contains(kinds, k) {
			t.Errorf("no %s in %v", k, kinds)
		}
	}
	if len(reasons) < len(p.Measurements) {
		t.Errorf("%d reasons for %d measurements", len(reasons), len(p.Measurements))
	}
	report := PrePower(CheckInput{Device: d, Procedure: &p, PinMap: pm, Bench: checkBench()})
	for _, f := range report.Errors() {
		t.Errorf("%s: %s", f.Name(), f.Message)
	}
	for _, m := range p.Measurements {
		if m.Note == "" && len(m.Limits) > 0 {
			t.Errorf("%s has limits and no word of where they come from", m.ID)
		}
	}
}

// A draft says what it leaves out and why, for each thing that a device or a
// board can be short of.
func TestDraftSaysWhatItLeavesOut(t *testing.T) {
	for name, c := range map[string]struct {
		change func(d *dut.Device, pm *bench.PinMap)
		says   string
		not    string // a kind that must not be there
	}{
		"no power step": {func(d *dut.Device, _ *bench.PinMap) { d.Power = nil }, "no power steps", "leakage"},
		"a pin goes both ways": {func(d *dut.Device, _ *bench.PinMap) { d.Pins[1].Function = dut.Bidirectional },
			"go both ways and would float", ""},
		"a pin without a contact":        {func(_ *dut.Device, pm *bench.PinMap) { delete(pm.Contacts, 5) }, "5 2A", ""},
		"a pin without a current rating": {func(d *dut.Device, _ *bench.PinMap) { d.Pins[4].MaxI = 0 }, "5 2A", ""},
	} {
		p, reasons, d, _ := draftOn(t, c.change)
		if !strings.Contains(said(reasons), c.says) {
			t.Errorf("%s: nothing said of %q:\n%s", name, c.says, said(reasons))
		}
		if c.not != "" && slices.Contains(kindsOf(p), c.not) {
			t.Errorf("%s: drafted %s", name, c.not)
		}
		if name == "a pin goes both ways" {
			for _, m := range p.Measurements {
				if m.Powered && !m.Disabled {
					t.Errorf("%s is on while a pin floats", m.ID)
				}
			}
		}
		if name == "a pin without a contact" {
			for _, m := range p.Measurements {
				if slices.Contains(m.Pins, 5) {
					t.Errorf("%s measures a pin that is on no contact", m.ID)
				}
			}
		}
		_ = d
	}
}

// For any device a draft is valid, always the same, without the same id twice,
// forces nothing beyond a rating, and has a reason wherever a reason points.
func TestDraftOfAnyDevice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		p, reasons := Draft(d, nil, nil)
		if err := p.Validate(d); err != nil {
			t.Fatalf("not valid: %v", err)
		}
		again, reasonsAgain := Draft(d, nil, nil)
		if !reflect.DeepEqual(p, again) || !reflect.DeepEqual(reasons, reasonsAgain) {
			t.Fatal("two drafts of one device differ")
		}
		ids := map[string]bool{"": true}
		for i := range p.Measurements {
			m := &p.Measurements[i]
			if ids[m.ID] {
				t.Fatalf("id %q is given twice, or empty", m.ID)
			}
			ids[m.ID] = true
			k, _ := KindByKey(m.Kind)
			for pt := range k.Points(m, d) {
				checkPoint(t, m, d, pt)
			}
			for key, l := range m.Limits {
				if l.Low == nil && l.High == nil || l.Low != nil && l.High != nil && *l.Low > *l.High {
					t.Fatalf("%s: limits of %s are %+v", m.ID, key, l)
				}
			}
		}
		for _, r := range reasons {
			if !ids[r.Measurement] || r.Words == "" {
				t.Fatalf("a reason of nothing: %+v", r)
			}
		}
		report := PrePower(CheckInput{Device: d, Procedure: &p, Bench: checkBench()})
		for _, f := range report.Errors() {
			ofDevice := slices.ContainsFunc(f.Fields, func(at string) bool { return strings.HasPrefix(at, "device.") })
			if f.Code != CodePinMap && f.Code != CodeNothingEnabled && !ofDevice {
				t.Fatalf("%s: %s", f.Name(), f.Message)
			}
		}
	})
}

// A leakage is measured on the smallest of the bench's ranges that is above its
// limit: a coarser one would say nothing of so little, and one that ends at the
// limit could not tell what is beyond it.
func TestDraftTakesTheBenchsRanges(t *testing.T) {
	p, _, _, _ := draftOn(t, nil)
	found := false
	for _, m := range p.Measurements {
		if m.Kind != "leakage" {
			continue
		}
		found = true
		limit := math.Max(math.Abs(*m.Limits["high"].High), math.Abs(*m.Limits["high"].Low))
		want := 0.0
		for _, r := range slices.Backward(checkBench().Channels[0].SenseI) {
			if r.FullScale > limit {
				want = r.FullScale
			}
		}
		if m.Compliance != want {
			t.Errorf("a limit of %g A is measured with a compliance of %g A, not %g A", limit, m.Compliance, want)
		}
	}
	if !found {
		t.Fatal("no leakage was drafted")
	}
}
