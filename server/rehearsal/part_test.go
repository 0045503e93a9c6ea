package rehearsal

import (
	"math"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

// TestSchmittRemembers sweeps an input up and down and finds the output to
// switch at two different voltages: the bench keeps the state of the part from
// one level to the next.
func TestSchmittRemembers(t *testing.T) {
	r := newRig(t, Config{Seed: 2, Seat: Seat{Model: "hex-inverter-schmitt", Seed: 1, PinMap: straight(14)}})
	// Supply on 14, ground on 7, input 1, output 2.
	r.wire(path(1, 14), path(0, 7), path(2, 1), path(4, 2))
	r.on(1, remote(forceV(5, 100e-3)))
	r.on(2, forceV(0, 1e-3))
	r.on(4, forceI(0, 10))
	out := func(level float64) float64 {
		r.must(r.Set(t.Context(), 2, forceV(level, 1e-3)))
		r.wait(100 * time.Millisecond)
		s, err := r.Read(t.Context(), []bench.ChannelID{2, 4}, cycle, nil)
		r.must(err)
		return s[1].V
	}
	const steps, top = 100, 5.0
	up, down := math.NaN(), math.NaN()
	for k := 0; k <= steps; k++ {
		if v := top * float64(k) / steps; out(v) < 2.5 && math.IsNaN(up) {
			up = v
		}
	}
	for k := steps; k >= 0; k-- {
		if v := top * float64(k) / steps; out(v) > 2.5 && math.IsNaN(down) {
			down = v
		}
	}
	if !(up-down > 0.3 && up < 4 && down > 1) {
		t.Errorf("switches at %g V going up and %g V going down", up, down)
	}
}

// TestRegulatorReadsItsTruth: the output that the bench reads at no load is
// what the unit has, within the accuracy of the range and the loop's gain.
func TestRegulatorReadsItsTruth(t *testing.T) {
	for unit := range uint64(5) {
		r := newRig(t, Config{Seed: unit + 10, Seat: Seat{Model: "regulator", Seed: unit, PinMap: straight(5)}})
		r.wire(path(1, 1), path(0, 2), path(2, 3), path(3, 5))
		r.on(1, remote(forceV(5, 10e-3)))
		r.on(2, forceV(5, 1e-3))
		r.on(3, remote(forceI(0, 10)))
		r.wait(time.Second)
		s := r.read(3, 10*cycle)
		want := r.Truth().Unit["output voltage"]
		// The amplifier's gain of about 3000 leaves up to 5 V/3000 at the reference.
		near(t, "output", s.V, want, r.def.Channels[2].SenseV[1].MaxError(want)+want/1.2*5/2000)
		if s.Flags != 0 {
			t.Errorf("unit %d: %+v", unit, s)
		}
	}
}
