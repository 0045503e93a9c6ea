package bench

import (
	"math"
	"testing"
)

func TestPathError(t *testing.T) {
	def := &Definition{
		Channels: []Channel{{ID: 1, SourceR: 0.5}, {ID: 2}},
		Paths: []Path{
			{ID: 1, Channel: 1, Contact: 1, Resistance: 4, Leakage: 10e-12},
			{ID: 2, Channel: 1, Contact: 2, Resistance: 4, Leakage: 10e-12},
			{ID: 3, Channel: 2, Contact: 1, Resistance: 4, Leakage: 10e-12},
			{ID: 4, Channel: 2, Contact: 2, Resistance: 4, Leakage: 10e-12},
			{ID: 5, Contact: 1, Resistance: 4, Leakage: 20e-12},
		},
	}
	// Beside path 1: path 2 on the same channel, paths 3 and 5 on the same contact.
	if got, want := def.PathErrorOf(&def.Channels[0], 1, false), (PathError{4.5, 40e-12}); math.Abs(got.Shunt-want.Shunt) > 1e-24 || got.Series != want.Series {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if got := def.PathErrorOf(&def.Channels[0], 1, true).Series; got != 0 {
		t.Errorf("remote sense: %g Ω, want 0", got)
	}
	if got := def.PathErrorOf(&def.Channels[0], 0, false).Series; got != 0.5 {
		t.Errorf("strap: %g Ω, want the source's 0.5", got)
	}
	// Rectangular of half-width 4.5 Ω · 10 mA = 45 mV is 45/√3 mV (GUM 4.3.7).
	uv, ui := PathError{4.5, 40e-12}.Add(0, 0, 5, 10e-3)
	if math.Abs(uv-45e-3/math.Sqrt(3)) > 1e-15 || math.Abs(ui-200e-12/math.Sqrt(3)) > 1e-22 {
		t.Errorf("got %g V, %g A", uv, ui)
	}
	if uv, ui := (PathError{}).Add(3, 4, 5, 6); uv != 3 || ui != 4 {
		t.Errorf("nothing added gives %g, %g", uv, ui)
	}
}
