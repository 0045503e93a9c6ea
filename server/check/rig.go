package check

import (
	"context"
	"fmt"

	"ohmkeep/server/bench"
)

// Rig is the bench that is checked, as it is reached. Its outputs must be off
// and its paths open; the caller makes it safe afterwards, however a step ends.
type Rig struct {
	Link  bench.Link
	Clock bench.Clock
	Def   *bench.Definition
	// Progress is told how many readings of about how many are done. It must
	// return at once; nil: nobody is told.
	Progress func(done, of int)
	// Before is what earlier steps of the same check found: which paths a later
	// one can use. nil: nothing is known.
	Before *Record
}

// Run carries a step out. An error is one of the link or of the context: what
// was found until then is lost, and the state of the outputs unknown unless it
// was cut short.
func Run(ctx context.Context, rig Rig, s Step) (StepResult, error) {
	q := newSequence(ctx, rig, s)
	q.result.Step, q.result.Began = s, rig.Clock.Now()
	switch s {
	case Empty:
		q.emptySocket()
	case Channels:
		q.channels()
	case Plug:
		q.shortingPlug()
	case Numbers:
		q.numberedPlug()
	default:
		return StepResult{}, fmt.Errorf("there is no step %q", s)
	}
	q.rest()
	q.result.Ended = rig.Clock.Now()
	q.result.Took = q.result.Ended.Sub(q.result.Began).Seconds()
	return q.result, q.err
}
