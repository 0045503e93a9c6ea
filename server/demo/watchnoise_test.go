package demo

import (
	"math"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// TestWatchNoise holds the standard and the Allan deviation of a watch against the
// noise that the bench is known to have: white, of the range's noise over a line
// cycle, and the converter's rounding, a step/√12 (GUM F.2.2.1; noise wider than
// half a step makes it independent). Over m readings it falls with √m.
func TestWatchNoise(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	def := coarse()
	r, _ := bench.RangeFor(def.Channels[0].SenseV, 6)
	truth := math.Hypot(r.Noise, r.Step/math.Sqrt(12))
	all := map[string]*tally{}
	s := Scenario()
	p := *s.procedure(t, LotProcedure)
	p.Measurements = []procedure.Measurement{tarnelWatch()}
	for seed := range uint64(max(24, *coverageRuns)) {
		got := carryOut(t, p, def, 4000+seed, LotUnit{Serial: "noise", Seed: 900 + seed/4})
		octave := 0
		for _, x := range got.held.Results {
			key, want := x.Key, truth
			switch key {
			case "sd":
			case "allan-deviation":
				key += " " + x.Group
				want /= math.Sqrt(math.Pow(2, float64(octave)))
				octave++
			default:
				continue
			}
			if all[key] == nil {
				all[key] = &tally{}
			}
			all[key].add(x.Value, x.U, x.From, x.To, want)
		}
	}
	if len(all) != 6 {
		t.Fatalf("%d results, want a standard deviation and five octaves", len(all))
	}
	for key, h := range all {
		f := h.figures()
		t.Logf("%-30s %v", key, f)
		if f.share < 0.88 {
			t.Errorf("%s: %.1f %% of %d intervals hold the noise", key, 100*f.share, f.n)
		}
	}
}
