package demo

import (
	"flag"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
)

var everyCurve = flag.Bool("everycurve", false, "TestCoarseDiodeCurve goes through all its numbers of points, not only those that are hard")

// TestCoarseDiodeCurve: the intervals of a diode's curve hold with few points as with
// many. Half a decade or a decade apart, no parabola of the current follows it.
func TestCoarseDiodeCurve(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	const benches = 100
	s := Scenario()
	counts := []int{6, 11}
	if *everyCurve {
		counts = []int{6, 8, 11, 21}
	}
	for _, points := range counts {
		t.Run(fmt.Sprint(points), func(t *testing.T) {
			p := *s.procedure(t, LotProcedure)
			p.Measurements = slices.DeleteFunc(slices.Clone(p.Measurements), func(m procedure.Measurement) bool { return !strings.HasPrefix(m.ID, "diode-") })
			for i := range p.Measurements {
				sweep := *p.Measurements[i].Sweep
				sweep.Points = points
				p.Measurements[i].Sweep = &sweep
			}
			all := coverage(t, p, benches)
			if len(all) == 0 {
				t.Fatal("no result")
			}
			for _, key := range slices.Sorted(maps.Keys(all)) {
				f := all[key].figures()
				t.Logf("%-45s %v", key, f)
				for _, words := range f.misses(benches, stated) {
					t.Errorf("%s: %s", key, words)
				}
			}
		})
	}
}
