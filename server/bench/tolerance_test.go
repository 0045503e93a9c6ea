package bench

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// TestToleranceStatedOrAssumed: what is stated counts, and where nothing is the
// assumption does, and is said.
func TestToleranceStatedOrAssumed(t *testing.T) {
	d := small()
	if said := d.AssumedTolerances(); said != nil {
		t.Errorf("everything is stated, and yet %v is assumed", said)
	}
	p := &d.Paths[0]
	if p.ToleranceOfResistance() != 0.1 || p.ToleranceOfLeakage() != 0.5 {
		t.Errorf("stated: %g and %g", p.ToleranceOfResistance(), p.ToleranceOfLeakage())
	}
	p.ResistanceTolerance, p.LeakageTolerance = 0, 0
	if p.ToleranceOfResistance() != AssumedResistanceTolerance || p.ToleranceOfLeakage() != AssumedLeakageTolerance {
		t.Errorf("assumed: %g and %g", p.ToleranceOfResistance(), p.ToleranceOfLeakage())
	}
	d.Paths[1].LeakageTolerance = 0
	said := d.AssumedTolerances()
	if len(said) != 2 || !strings.Contains(said[0], "±25 %") || !strings.Contains(said[0], "1 of the 12") || !strings.Contains(said[1], "2 of the 12") {
		t.Errorf("it says %q", said)
	}
	warned := 0
	for _, w := range d.Warnings() {
		if strings.Contains(w.Message, "assumed") {
			warned++
		}
	}
	if warned != 2 {
		t.Errorf("%d warnings: %v", warned, d.Warnings())
	}
	// What is not there needs no tolerance.
	p.Resistance, p.Leakage, d.Paths[1].Leakage = 0, 0, 0
	if said := d.AssumedTolerances(); said != nil {
		t.Errorf("of nothing, %v is assumed", said)
	}
}

// TestToleranceInTheDocument: what is not stated is not written either, so that
// an older document stays as it was.
func TestToleranceInTheDocument(t *testing.T) {
	p := Path{ID: 1, Contact: 1, Resistance: 4}
	data, err := json.Marshal(p)
	if err != nil || strings.Contains(string(data), "olerance") {
		t.Errorf("%s, %v", data, err)
	}
	d := small()
	for _, bad := range []float64{-0.1, 1.1, math.NaN()} {
		d.Paths[2].ResistanceTolerance, d.Paths[3].LeakageTolerance = bad, bad
		err := d.Validate()
		if err == nil || !strings.Contains(err.Error(), "paths[2].resistanceTolerance") || !strings.Contains(err.Error(), "paths[3].leakageTolerance") {
			t.Errorf("%g: %v", bad, err)
		}
	}
	a, b := small(), small()
	b.Paths[0].ResistanceTolerance, b.Paths[0].LeakageTolerance = 0.2, 0
	diff := DiffDefinitions(&a, &b)
	if len(diff) != 2 || diff[0].Before != "10 %" || diff[0].After != "20 %" || diff[1].After != "not stated" {
		t.Errorf("%+v", diff)
	}
}

// TestWorldIsChecked: every size has its bounds, and what is wrong is said at
// its field.
func TestWorldIsChecked(t *testing.T) {
	good := World{Distribution: Arcsine, Errors: 1, Noise: 2, Ambient: 23, Settling: 1}
	if ps := good.Check(); len(ps) > 0 {
		t.Fatalf("%v", ps)
	}
	if k := good.Kelvin(); k != 296.15 {
		t.Errorf("23 °C are %g K", k)
	}
	sizes := map[string]func(*World) *float64{
		"errors": func(w *World) *float64 { return &w.Errors }, "steps": func(w *World) *float64 { return &w.Steps },
		"noise": func(w *World) *float64 { return &w.Noise }, "flicker": func(w *World) *float64 { return &w.Flicker },
		"hum": func(w *World) *float64 { return &w.Hum }, "drift": func(w *World) *float64 { return &w.Drift },
		"lineRipple": func(w *World) *float64 { return &w.LineRipple }, "switchingRipple": func(w *World) *float64 { return &w.SwitchingRipple },
		"paths": func(w *World) *float64 { return &w.Paths }, "leakage": func(w *World) *float64 { return &w.Leakage },
		"tolerance": func(w *World) *float64 { return &w.Tolerance }, "contact": func(w *World) *float64 { return &w.Contact },
		"thermal": func(w *World) *float64 { return &w.Thermal }, "thermalChange": func(w *World) *float64 { return &w.ThermalChange },
		"ambient": func(w *World) *float64 { return &w.Ambient }, "selfHeating": func(w *World) *float64 { return &w.SelfHeating },
		"settling": func(w *World) *float64 { return &w.Settling },
	}
	for field, size := range sizes {
		for _, bad := range []float64{-100, 1e6, math.NaN(), math.Inf(1)} {
			w := good
			*size(&w) = bad
			if ps := w.Check(); len(ps) != 1 || ps[0].Field != field || ps[0].Message == "" {
				t.Errorf("%s %g: %v", field, bad, ps)
			}
		}
	}
	w := good
	w.Distribution = "bell"
	if ps := w.Check(); len(ps) != 1 || ps[0].Field != "distribution" || !strings.Contains(ps[0].Message, "arcsine") {
		t.Errorf("%v", ps)
	}
	// No size is left out of the check.
	var fields map[string]any
	data, _ := json.Marshal(good)
	if err := json.Unmarshal(data, &fields); err != nil || len(fields) != len(sizes)+1 {
		t.Errorf("%d fields, %d of them are tried", len(fields), len(sizes)+1)
	}
}
