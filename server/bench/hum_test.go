package bench

import (
	"math"
	"testing"

	"ohmkeep/server/budget"
)

// What an aperture leaves of the hum is the mean of a sine over it: 2/π of the
// amplitude over half a cycle, a third of that over one and a half, nothing over
// whole cycles (the integral of a sine).
func TestHumOfAnAperture(t *testing.T) {
	r := &RangeErrors{Range: Range{FullScale: 1, Noise: 1e-6}, Name: "x"}
	for cycles, want := range map[float64]float64{0: 0, 1: 0, 10: 0, 0.5: 2 / math.Pi, 1.5: 2 / (3 * math.Pi), 2.5: 2 / (5 * math.Pi)} {
		if got := r.HumOf(cycles) / (AssumedHum * r.Noise); math.Abs(got-want) > 1e-9 {
			t.Errorf("%g cycles let %g of the hum through, want %g", cycles, got, want)
		}
	}
	for cycles, humming := range map[float64]bool{1: false, 1.5: true} {
		for name, v := range map[string]budget.Value{"few": r.Reading(0, 3, 1e-7, cycles), "series": r.Series(0, 50, 1e-4, 0, cycles)} {
			found := false
			for _, term := range v.Terms {
				found = found || term.Source.Class == budget.Hum && term.Source.Assumed
			}
			if found != humming {
				t.Errorf("%s over %g cycles: hum counted %v", name, cycles, found)
			}
		}
	}
}
