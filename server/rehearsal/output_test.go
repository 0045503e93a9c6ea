package rehearsal

import (
	"math"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

// within reports by how much draws, as parts of the middle, lie within half of it: the
// least and the greatest, and their standard deviation, which for an even spread is
// half/√3.
func within(t *testing.T, name string, draws []float64, half float64) {
	t.Helper()
	most, squares := 0.0, 0.0
	for _, x := range draws {
		most, squares = max(most, math.Abs(x)), squares+x*x
	}
	n := float64(len(draws))
	sd := math.Sqrt(squares / n)
	if most > half || most < 0.97*half || math.Abs(sd*math.Sqrt(3)/half-1) > 3*0.45/math.Sqrt(n) {
		t.Errorf("%s: up to %g with a standard deviation of %g, want an even spread within %g", name, most, sd, half)
	}
}

// Output resistances, the resistors between the terminals and the time constants of
// the loops spread evenly within all that budgets assume of them, each by itself; a
// world without tolerances has them as stated.
func TestOutputsSpread(t *testing.T) {
	var source, tie, loop []float64
	for seed := range uint64(250) {
		for _, tolerance := range []float64{0, 1} {
			w := ServedWorld()
			w.Tolerance = tolerance
			r := newRig(t, Config{Seed: seed, World: &w})
			for k, c := range r.Truth().Channels {
				of := []float64{c.SourceR/sourceR - 1, c.Tie/senseTieR - 1, c.LoopV[0]/2e-3 - 1, c.LoopI[3]/20e-6 - 1}
				if tolerance == 0 {
					for _, x := range of {
						near(t, "as stated", x, 0, 1e-12)
					}
					continue
				}
				source, tie, loop = append(source, of[0]), append(tie, of[1]), append(loop, of[2], of[3])
				if k > 0 && source[len(source)-1] == source[len(source)-2] || of[2] == of[3] {
					t.Fatalf("seed %d: channels or ranges are alike: %v", seed, of)
				}
			}
		}
	}
	within(t, "output resistance", source, bench.AssumedResistanceTolerance)
	within(t, "sense tie", tie, bench.AssumedSenseTieTolerance)
	within(t, "time constant", loop, bench.AssumedLoopTolerance)
}

// A reading shows what was drawn: the output resistance in a local sense, and the time
// constant of the range in what is left of a step after a while.
func TestOutputsShow(t *testing.T) {
	w := asStated()
	w.Tolerance, w.Leakage = 1, 0
	for seed := range uint64(5) {
		r := newRig(t, Config{Seed: seed, World: w, Seat: Seat{PinMap: straight(2), place: resistor(1e3)}})
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceI(1e-3, 5))
		r.wait(time.Second)
		truth := r.Truth()
		ch := truth.Channels[1]
		ohms := 1e3 + ch.SourceR + truth.Paths[path(2, 1)].Force + truth.Paths[path(0, 2)].Force
		near(t, "V", r.read(2, cycle).V, 1e-3*ohms, 1e-9)
		r.must(r.Output(t.Context(), 2, false))
		r.must(r.Set(t.Context(), 2, forceI(1e-6, 5)))
		r.must(r.Output(t.Context(), 2, true))
		r.wait(time.Second)
		r.must(r.Set(t.Context(), 2, forceI(0.5e-6, 5)))
		const wait = 3e-3
		r.wait(3 * time.Millisecond)
		got := r.read(2, 10*time.Microsecond).V / (1e-6 * ohms)
		tau := ch.LoopI[0] + ohms*1.5*(contactC+cableC) // within 0.01 % whatever hangs on the line
		near(t, "left", got, 0.5+0.5*math.Exp(-(wait+5e-6)/tau), 1e-3)
		if stated := 0.5 + 0.5*math.Exp(-(wait+5e-6)/2e-3); math.Abs(ch.LoopI[0]-2e-3) > 4e-5 && math.Abs(got-stated) < 1e-3 {
			t.Errorf("seed %d: %g left is as stated", seed, got)
		}
	}
}
