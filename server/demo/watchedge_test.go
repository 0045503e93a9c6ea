package demo

import (
	"testing"

	"ohmkeep/server/procedure"
)

// TestWatchAtARangesEdge holds the mean of a watch whose level lies just above the
// end of a range, so that moving it by 1 % changes the range: 100.5 µA through a
// resistor of 10 kΩ, where the range below ends at 100 µA. How the voltage follows
// the current is then told with the errors of both ranges.
func TestWatchAtARangesEdge(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	p := dunmossProcedure()
	for _, r := range coarse().Channels[0].SenseI {
		if r.FullScale > 99.495e-6 && r.FullScale < 100.5e-6 {
			watchAtEdge(t, p, 100.5e-6)
			return
		}
	}
	t.Fatal("no range of the bench ends between the level and the moved one")
}

// watchAtEdge asserts the bars of coverage for a watch at a current.
func watchAtEdge(t *testing.T, p procedure.Procedure, level float64) {
	t.Helper()
	m := p.Measurements[0] // as a resistance, its far end at the return
	p.Measurements = []procedure.Measurement{{ID: "edge", Name: "Watch at a range's edge", Kind: "watch", Pins: m.Pins[:1],
		Use: procedure.UseCurrent, Level: level, Compliance: 2, Hold: append([]procedure.Hold{{Pin: m.Against, Use: procedure.UseReturn}}, m.Hold...),
		Settle: m.Settle, Aperture: m.Aperture, Duration: 1, Interval: 0.1}}
	const benches = 60
	h := coverage(t, p, benches)["watch/edge/mean"]
	if h == nil {
		t.Fatal("no mean")
	}
	f := h.figures()
	t.Log(f)
	if f.n != benches {
		t.Errorf("%d means of %d benches", f.n, benches)
	}
	for _, words := range f.misses(benches, bars{1, mostSharp, mostMeanZ}) {
		t.Error(words)
	}
}
