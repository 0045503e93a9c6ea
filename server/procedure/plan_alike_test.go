package procedure

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Pins are alike if they are used alike and held at the same levels and
// compliances at every point, and then the first of them stands for all.
func TestPinsAreAlikeWhileTheirLevelsAre(t *testing.T) {
	shared := 0
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 7).Draw(t, "pins")
		var holds []Hold
		for pin := range n {
			holds = append(holds, Hold{Pin: pin + 1, Kelvin: rapid.IntRange(0, 5).Draw(t, "kelvin") == 0,
				Use: rapid.SampledFrom([]Use{UseVoltage, UseVoltage, UseCurrent, UseReturn, UseOpen}).Draw(t, "use")})
		}
		seg := newSegment(holds)
		all := make([][][2]float64, n+1) // level and compliance, by pin
		for range rapid.IntRange(1, 5).Draw(t, "points") {
			at := slices.Clone(holds)
			for i := range at {
				at[i].Level = rapid.SampledFrom([]float64{0, 0, 0, 1, 2}).Draw(t, "level")
				at[i].Compliance = rapid.SampledFrom([]float64{1, 1, 1, 1, 2}).Draw(t, "compliance")
				all[at[i].Pin] = append(all[at[i].Pin], [2]float64{at[i].Level, at[i].Compliance})
			}
			if err := seg.add(&Point{Hold: at}, 50); err != nil {
				t.Fatal(err)
			}
		}
		for i, c := range seg.Conns {
			if !c.Use.TakesChannel() {
				continue
			}
			want := slices.IndexFunc(seg.Conns, func(o *Conn) bool {
				return o.Use == c.Use && o.Kelvin == c.Kelvin && slices.Equal(all[o.Pin], all[c.Pin])
			})
			if c.like != want {
				t.Fatalf("pin %d is like pin %d, want %d", c.Pin, seg.Conns[c.like].Pin, seg.Conns[want].Pin)
			}
			if want != i {
				shared++
			}
		}
	})
	if shared == 0 && !testing.Short() { // of the few short draws there may be none
		t.Error("no two pins were alike: the test shows nothing")
	}
}
