package rehearsal

import (
	"fmt"

	"ohmkeep/server/bench"
)

// output is what a channel really has between its force terminal and its sense
// point, Ω: series outside the sense point with local sense, and the tie from the
// force to the sense terminal. No definition states their tolerances: each is
// anywhere within what is assumed of it.
type output struct{ series, tie float64 }

func drawOutputs(def *bench.Definition, seed uint64, w *bench.World) []output {
	out := make([]output, len(def.Channels))
	for i, ch := range def.Channels {
		rng := stream(seed, ch.Name+"/output")
		within := func(stated, tolerance float64) float64 {
			return stated * (1 + symmetric(rng, w.Tolerance*tolerance))
		}
		// Both are always drawn, in this order.
		out[i].series = w.Paths * within(ch.SourceR, bench.AssumedResistanceTolerance)
		out[i].tie = within(senseTieR, bench.AssumedSenseTieTolerance)
	}
	return out
}

// drawLoops draws the time constants of a channel's loop in the ranges in which it
// senses or forces currents, s: within what is assumed of those that are stated.
func drawLoops(ranges []bench.Range, seed uint64, purpose string, w *bench.World) []float64 {
	out := make([]float64, len(ranges))
	for i, r := range ranges {
		rng := stream(seed, fmt.Sprintf("%s/%d/loop", purpose, i))
		out[i] = w.Settling * loopTime(r.FullScale) * (1 + symmetric(rng, w.Tolerance*bench.AssumedLoopTolerance))
	}
	return out
}
