package calibrate

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/problem"
)

var measured = time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)

// twoByThree is a bench of one channel and a return at three contacts, 4 Ω a path and
// 0.5 Ω in the channel's output.
func twoByThree() *bench.Definition {
	def := &bench.Definition{Key: "b", Contacts: 3, Channels: []bench.Channel{{ID: 1, Name: "1A", SourceR: 0.5}}}
	for c := 1; c <= 3; c++ {
		def.Paths = append(def.Paths,
			bench.Path{ID: bench.PathID(c), Channel: 1, Contact: c, Mux: "1A", Resistance: 4, ResistanceTolerance: 0.1},
			bench.Path{ID: bench.PathID(10 + c), Contact: c, Mux: "R", Resistance: 4, ResistanceTolerance: 0.1})
	}
	return def
}

// checkOf is a check of that bench that measured each path at 4.2 Ω, and the channel's
// with its output.
func checkOf(def *bench.Definition, findings ...check.Finding) *check.Record {
	rec := &check.Record{ID: "c1", Built: def.Built()}
	step := check.StepResult{Step: check.Empty, Began: measured.Add(-time.Minute), Ended: measured, Findings: findings}
	for _, p := range def.Paths {
		ohms := 4.2
		if p.Channel > 0 {
			ohms += 0.5
		}
		step.Paths = append(step.Paths, check.PathValue{Path: p.ID, Ohms: ohms + 1e-9, U: 0.00412345})
	}
	rec.Put(step)
	return rec
}

// TestFromCheck: sound paths are corrected to what was measured, what a finding speaks
// of stays as stated, and what cannot be taken over says why.
func TestFromCheck(t *testing.T) {
	def := twoByThree()
	p, err := FromCheck(def, checkOf(def), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Corrections.Paths) != 6 || len(p.LeftOut) != 0 || !p.Corrections.PathsAt.Equal(measured) || p.Corrections.PathsFrom != "c1" {
		t.Errorf("%+v", p)
	}
	if err := p.Corrections.Check(def); err != nil {
		t.Error(err)
	}
	if got := p.Corrections.Path(1); got == nil || got.Ohms != 4.7 || got.U != 0.00412 {
		t.Errorf("digits that say nothing: %+v", got)
	}
	most := p.Largest() // the return: 0.2 of 0.4 Ω allowed, a channel's 0.2 of 0.525 Ω
	if most == nil || most.Path != 11 || math.Abs(most.FromStated()-0.2) > 1e-6 || !math.IsNaN(most.Since()) {
		t.Errorf("the largest: %+v", most)
	}

	fault := func(f check.Finding) check.Finding { f.Fault, f.Said = true, "it is off"; return f }
	for name, c := range map[string]struct {
		finding check.Finding
		left    []bench.PathID
	}{
		"a path":              {fault(check.Finding{Paths: []bench.PathID{2}, Contacts: []int{2}}), []bench.PathID{2}},
		"a contact":           {fault(check.Finding{Contacts: []int{2}}), []bench.PathID{2, 12}},
		"a channel":           {fault(check.Finding{Channels: []bench.ChannelID{1}}), []bench.PathID{1, 2, 3}},
		"a multiplexer":       {fault(check.Finding{Mux: "R"}), []bench.PathID{11, 12, 13}},
		"what is no fault":    {check.Finding{Contacts: []int{2}}, nil},
		"one path of several": {fault(check.Finding{Paths: []bench.PathID{2}, Mux: "R"}), []bench.PathID{2, 11, 12, 13}},
	} {
		p, err := FromCheck(def, checkOf(def, c.finding), nil)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var left []bench.PathID
		for _, x := range p.LeftOut {
			if left = append(left, x.Path); !strings.Contains(x.Why, "it is off") {
				t.Errorf("%s: %s", name, x.Why)
			}
		}
		slices.Sort(left)
		if !slices.Equal(left, c.left) || len(p.Corrections.Paths)+len(left) != 6 {
			t.Errorf("%s: %v are left out", name, left)
		}
	}
}

// TestMoved: what has moved since the last corrections is told, and their ranges stay.
func TestMoved(t *testing.T) {
	def := twoByThree()
	before := &bench.Corrections{Paths: []bench.PathCorrection{{Path: 1, Ohms: 4.6, U: 0.004}}, Ranges: []bench.RangeCorrection{{Channel: 1}}}
	p, err := FromCheck(def, checkOf(def), before)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(p.Moves, func(m Move) bool { return m.Path == 1 })
	if math.Abs(p.Moves[i].Since()-0.1) > 1e-6 || len(p.Corrections.Ranges) != 1 {
		t.Errorf("%+v", p)
	}
	if due := Due(measured); due.Sub(measured) < 28*24*time.Hour {
		t.Errorf("due on %v", due)
	}
}

// TestNothingToTakeOver: a check without the paths, of a bench built otherwise, or
// with nothing measured is refused in words.
func TestNothingToTakeOver(t *testing.T) {
	def := twoByThree()
	other := checkOf(def)
	other.Built = "another"
	none, some := checkOf(def), checkOf(def, check.Finding{Kind: check.EnableFloats, Fault: true, Said: "all float", Mux: "R", Channels: []bench.ChannelID{1}})
	none.Steps[0].Paths = nil
	for name, c := range map[string]struct {
		rec  *check.Record
		says string
	}{
		"no step":           {&check.Record{}, "has not measured the paths"},
		"built otherwise":   {other, "built otherwise"},
		"nothing measured":  {none, "could measure no path"},
		"everything is off": {some, "Nothing can be taken over"},
	} {
		p, err := FromCheck(def, c.rec, nil)
		if problem.CodeOf(err) != problem.Conflict || !strings.Contains(err.Error(), c.says) || p != nil {
			t.Errorf("%s: %+v, %v", name, p, err)
		}
	}
}
