package demo

import (
	"testing"

	"ohmkeep/server/procedure"
)

// TestHumIsCounted: a reading over no whole number of line cycles has the hum in
// it, and its interval holds the truth all the same.
func TestHumIsCounted(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	s := Scenario()
	p := *s.procedure(t, "dunmoss-8-resistances")
	for _, aperture := range []procedure.Aperture{{Cycles: 1}, {Seconds: 2e-3}} {
		of := p
		of.Measurements = nil
		for _, m := range p.Measurements {
			if m.ID == "reversal" {
				m.Aperture, m.Repeats = aperture, 1 // repeats would show it as scatter
				of.Measurements = append(of.Measurements, m)
			}
		}
		all := coverage(t, of, 100)
		for key, h := range all {
			f := h.figures()
			t.Logf("%+v %s %v", aperture, key, f)
			if f.share < leastHeld-0.04 {
				t.Errorf("%+v: %s: %.1f %% hold the truth", aperture, key, 100*f.share)
			}
		}
		if len(all) == 0 {
			t.Error("nothing was measured")
		}
	}
}
