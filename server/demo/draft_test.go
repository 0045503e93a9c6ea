package demo

import (
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// TestDraftsOfTheParts: what is drafted for each part, on its own pin map and on
// the one proposed for it, is valid, can be carried out, and good units pass.
func TestDraftsOfTheParts(t *testing.T) {
	s, def := Scenario(), rehearsal.DefaultBench()
	for i := range s.Devices {
		d := &s.Devices[i]
		proposed, _, err := bench.Propose(&def, d)
		if err != nil {
			t.Fatal(err)
		}
		for name, pm := range map[string]*bench.PinMap{"own": s.pinMap(t, d.Key), "proposed": &proposed} {
			t.Run(d.Key+"/"+name, func(t *testing.T) {
				p, why := procedure.Draft(d, &def, pm)
				if err := p.Validate(d); err != nil {
					t.Fatal(err)
				}
				for _, r := range why {
					t.Logf("%s %s: %s", r.Measurement, r.Field, r.Words)
				}
				for _, f := range procedure.PrePower(procedure.CheckInput{Device: d, Procedure: &p, PinMap: pm, Bench: &def}).Findings {
					t.Logf("%s %s: %s", f.Severity, f.ID, f.Message)
					if f.Severity == procedure.SeverityError {
						t.Error("the check before power refuses the draft")
					}
				}
				if d.Key == "averlock-48" && name == "own" {
					return // its straps are those of the proposal
				}
				r := carryOutOn(t, p, def, *pm, 11, LotUnit{Serial: "good", Seed: 31})
				r.passes(t, p.Key)
			})
		}
	}
}

// TestProposedMaps: the proposal finds the lab's own maps, but for the straps
// that are there for a purpose of their own.
func TestProposedMaps(t *testing.T) {
	s, def := Scenario(), rehearsal.DefaultBench()
	for i := range s.Devices {
		d := &s.Devices[i]
		got, says, err := bench.Propose(&def, d)
		if err != nil {
			t.Fatal(err)
		}
		want := s.pinMap(t, d.Key)
		for pin, c := range want.Contacts {
			if got.Contacts[pin] != c {
				t.Errorf("%s: pin %d on contact %d, want %d", d.Key, pin, got.Contacts[pin], c)
			}
		}
		straps := map[string]int{"averlock-48": 8}
		if len(got.Straps) != straps[d.Key] || len(says) < 1 {
			t.Errorf("%s: %d straps, %q", d.Key, len(got.Straps), says)
		}
		if ps := bench.Conflicts(&def, &got, d); len(ps) > 0 {
			t.Errorf("%s: %v", d.Key, ps)
		}
	}
}

// TestDraftedOutputLevels: with a logic family, a good part's outputs keep the
// stiffness that the family promises at its test currents.
func TestDraftedOutputLevels(t *testing.T) {
	s, def := Scenario(), rehearsal.DefaultBench()
	for _, family := range []string{"5v-hc", "5v-hc-loaded"} {
		d := s.device(t, TarnelKey)
		for i := range d.Pins {
			if d.Pins[i].Function == dut.Output {
				d.Pins[i].Logic = family
			}
		}
		pm := s.pinMap(t, d.Key)
		p, _ := procedure.Draft(d, &def, pm)
		levels, err := dut.LogicLevels(family, tarnelV)
		if err != nil {
			t.Fatal(err)
		}
		var loads []float64
		for _, m := range p.Measurements {
			if m.Kind == "output-level" {
				loads = append(loads, m.Level)
				if !strings.Contains(m.Note, levels.Source) {
					t.Errorf("%s does not name its source: %s", m.ID, m.Note)
				}
			}
		}
		if !slices.Equal(loads, []float64{levels.IOH, levels.IOL}) {
			t.Errorf("%s: loads %v, want %v and %v", family, loads, levels.IOH, levels.IOL)
		}
		r := carryOutOn(t, p, def, *pm, 12, LotUnit{Serial: "good", Seed: 32})
		r.passes(t, family)
	}
}
