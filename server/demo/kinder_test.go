package demo

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal"
)

// oneNormal is what an interval of 0.95 of a bound holds where one normal error
// whose bound is two standard deviations is all there is: 2·Φ(1.9) - 1, 94.3 %. One
// in twenty of such errors is beyond the bound.
var oneNormal = math.Erf(2 * 0.95 / math.Sqrt2)

// TestKinderErrorsAreHeldMoreOften: intervals are made for errors of gain and offset
// that are anywhere within the stated accuracy alike. Where they are most often small
// the same intervals hold more often; where a few are beyond the bound, at least as
// often as such an error alone is held.
func TestKinderErrorsAreHeldMoreOften(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	benches := max(100, *loadBenches) // of fewer, chance alone parts the kinds of errors
	kinds := []bench.Distribution{bench.Rectangular, bench.Triangular, bench.Normal}
	for i, l := range loads {
		if i%3 != 0 {
			continue // from 0.1 Ω to 100 MΩ by three decades
		}
		t.Run(l.String(), func(t *testing.T) {
			t.Parallel()
			shares := map[string][]float64{}
			for _, d := range kinds {
				w := rehearsal.ServedWorld()
				w.Distribution = d
				for name, h := range l.tallies(t, w, benches) {
					shares[name] = append(shares[name], h.figures().share)
				}
			}
			for _, name := range slices.Sorted(maps.Keys(shares)) {
				var line strings.Builder
				for k, d := range kinds {
					fmt.Fprintf(&line, "  %s %5.1f %%", d, 100*shares[name][k])
				}
				t.Logf("%-33s%s", name, line.String())
				even := shares[name][0]
				slack := sureOfCounts * math.Sqrt(even*(1-even)/float64(benches))
				for k, least := range []float64{even, even, min(even, oneNormal)} {
					if shares[name][k] < least-slack {
						t.Errorf("%s, %s errors: %.1f %% held, want at least %.1f %%", name, kinds[k], 100*shares[name][k], 100*least)
					}
				}
			}
		})
	}
}
