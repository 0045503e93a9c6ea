package demo

import (
	"slices"
	"testing"

	"ohmkeep/server/procedure"
)

// TestContactOfASupply: the diode of a supply pin is told as truly as that of any
// other pin, though every pin leads to it by a diode of its own.
func TestContactOfASupply(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	s := Scenario()
	p := *s.procedure(t, "tarnel-6-quick")
	p.Measurements = slices.DeleteFunc(slices.Clone(p.Measurements), func(m procedure.Measurement) bool { return m.Kind != "contact" })
	m := p.Measurements[0]
	m.Pins = []int{tarnelVCC}
	p.Measurements = []procedure.Measurement{m}
	for key, h := range coverage(t, p, 60) {
		f := h.figures()
		t.Logf("%s %v", key, f)
		if f.share < 0.85 {
			t.Errorf("%s: %.1f %% hold the truth", key, 100*f.share)
		}
	}
}
