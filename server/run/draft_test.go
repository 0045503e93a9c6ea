package run

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// drawDevice draws a valid device of up to 48 pins.
func drawDevice(t *rapid.T) *dut.Device {
	d := &dut.Device{Key: "drawn", Name: "Drawn"}
	d.Package.Family = rapid.SampledFrom(dut.Families()).Draw(t, "family")
	d.Package.Pins = rapid.IntRange(1, dut.MaxPins/4).Draw(t, "quarter") * 4
	if d.Package.Family == dut.SingleRow || d.Package.Family == dut.Grid {
		d.Package.Pins -= rapid.IntRange(0, 3).Draw(t, "less")
	}
	var logic []string
	for _, f := range dut.LogicFamilies() {
		logic = append(logic, f.Key)
	}
	supplies := rapid.IntRange(0, min(6, d.Package.Pins)).Draw(t, "supplies")
	levels := []float64{5, 5, 5, 3.3, 1.8}
	for n := 1; n <= d.Package.Pins; n++ {
		p := dut.Pin{Number: n, Name: fmt.Sprintf("P%d", n), Function: rapid.SampledFrom(dut.Functions()).Draw(t, "function"),
			MinV: rapid.SampledFrom([]float64{-0.5, -0.5, -5, 0}).Draw(t, "minV"), MaxV: rapid.SampledFrom([]float64{7, 7, 20, 1, 3.6}).Draw(t, "maxV"),
			MaxI: rapid.SampledFrom([]float64{20e-3, 20e-3, 1, 50e-6, 0}).Draw(t, "maxI"), Logic: rapid.SampledFrom(append(logic, "")).Draw(t, "logic")}
		if n <= supplies {
			p.Function, p.MaxV, p.Logic = dut.Supply, 7, ""
			if rapid.IntRange(0, 4).Draw(t, "step") > 0 {
				d.Power = append(d.Power, dut.PowerStep{Pin: n, Level: rapid.SampledFrom(levels).Draw(t, "level"),
					Limit: rapid.SampledFrom([]float64{20e-3, 20e-3, 50e-3}).Draw(t, "limit")})
			}
		} else if p.Function == dut.Supply {
			p.Function = dut.Ground
		}
		if supplies > 0 && n > supplies && rapid.Bool().Draw(t, "clamped") {
			p.Clamp = rapid.IntRange(1, supplies).Draw(t, "clamp")
			p.AboveClamp = rapid.SampledFrom([]float64{0.5, 0.3, 0}).Draw(t, "above")
		}
		d.Pins = append(d.Pins, p)
	}
	return d
}

// TestDrafts: the draft for any device, on the pin map proposed for it, is valid,
// passes the check before power and can be carried out on the default bench.
func TestDrafts(t *testing.T) {
	def := rehearsal.DefaultBench()
	drafted := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		d := drawDevice(t)
		if err := d.Validate(); err != nil {
			t.Fatalf("drew a device that is not valid: %v", err)
		}
		pm, says, err := bench.Propose(&def, d)
		var clash *bench.Clash
		if err != nil && !errors.As(err, &clash) {
			t.Fatalf("no map: %v", err)
		}
		if len(says) == 0 {
			t.Fatal("nothing was assumed")
		}
		var pins []int
		for _, p := range d.Pins {
			pins = append(pins, p.Number)
		}
		if err := pm.Validate(&def, pins); err != nil {
			t.Fatalf("the map is not valid: %v", err)
		}
		p, why := procedure.Draft(d, &def, &pm)
		if err := p.Validate(d); err != nil {
			t.Fatalf("the draft is not valid: %v", err)
		}
		if len(p.Measurements) == 0 && len(why) < 2 {
			t.Fatalf("nothing drafted and no reason: %+v", why)
		}
		report := procedure.PrePower(procedure.CheckInput{Device: d, Procedure: &p, PinMap: &pm, Bench: &def})
		for _, f := range report.Errors() {
			if f.Code != procedure.CodeNothingEnabled {
				t.Fatalf("the check before power refuses the draft: %+v", f)
			}
		}
		all := p.Clone()
		for i := range all.Measurements {
			drafted[all.Measurements[i].Kind]++
			all.Measurements[i].Disabled = false
		}
		if len(all.Measurements) > 0 {
			if _, err := Check(&procedure.Record{Device: *d, Procedure: all, PinMap: pm, Bench: def}); err != nil {
				t.Fatalf("the draft cannot be carried out: %v", err)
			}
		}
		for _, r := range why {
			if r.Words == "" || r.Measurement != "" && !slices.ContainsFunc(p.Measurements, func(m procedure.Measurement) bool { return m.ID == r.Measurement }) {
				t.Fatalf("a reason for nothing: %+v", r)
			}
		}
	})
	for _, kind := range []string{"contact", "shorts", "leakage", "supply-current", "output-level", "voltage"} {
		if drafted[kind] == 0 {
			t.Errorf("no device was drawn for which %s is drafted", kind)
		}
	}
}

// part48 is a part with every contact in use.
func part48() *dut.Device {
	d := &dut.Device{Key: "p48", Name: "48 pins", Package: dut.Package{Family: dut.Quad, Pins: 48},
		Power: []dut.PowerStep{{Pin: 12, Level: 3.3, Limit: 20e-3}, {Pin: 24, Level: 3.3, Limit: 20e-3}, {Pin: 36, Level: 3.3, Limit: 20e-3}, {Pin: 48, Level: 3.3, Limit: 20e-3}}}
	for n := 1; n <= 48; n++ {
		p := dut.Pin{Number: n, Name: fmt.Sprintf("P%d", n), MinV: -0.5, MaxV: 4.6, AboveClamp: 0.5, MaxI: 25e-3, Logic: "3v3-lvttl"}
		switch {
		case n%12 == 0:
			p.Function, p.Logic, p.AboveClamp = dut.Supply, "", 0
		case n%12 == 11:
			p.Function, p.Logic = dut.Ground, ""
		case n%2 == 0:
			p.Function, p.Clamp = dut.Output, 48
		default:
			p.Function, p.Clamp = dut.Input, 48
		}
		d.Pins = append(d.Pins, p)
	}
	return d
}

// proposeToCheck goes the way from a 48-pin part to a checked procedure.
func proposeToCheck(t testing.TB, d *dut.Device, def *bench.Definition) {
	pm, _, err := bench.Propose(def, d)
	if err != nil {
		t.Fatal(err)
	}
	p, _ := procedure.Draft(d, def, &pm)
	if len(p.Measurements) != 6 {
		t.Fatalf("%d measurements", len(p.Measurements))
	}
	if _, err := Check(&procedure.Record{Device: *d, Procedure: p, PinMap: pm, Bench: *def}); err != nil {
		t.Fatal(err)
	}
	report := procedure.PrePower(procedure.CheckInput{Device: d, Procedure: &p, PinMap: &pm, Bench: def})
	if e := report.Errors(); len(e) > 0 {
		t.Fatalf("%+v", e)
	}
}

func TestDraftOf48Pins(t *testing.T) {
	d, def := part48(), rehearsal.DefaultBench()
	if err := d.Validate(); err != nil {
		t.Fatal(err)
	}
	proposeToCheck(t, d, &def)
}

// BenchmarkDraft48 is proposal, draft, plan and check of a 48-pin part; to
// reach: 200 ms.
func BenchmarkDraft48(b *testing.B) {
	d, def := part48(), rehearsal.DefaultBench()
	for b.Loop() {
		proposeToCheck(b, d, &def)
	}
}
