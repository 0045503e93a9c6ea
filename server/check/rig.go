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
	// Before is what earlier steps of the same check measured: the plug needs
	// the resistances of paths.
	Before *Record
}

// Run carries a step out. An error is one of the link: what was found until
// then is lost, and the state of the outputs unknown unless it was cut short.
func Run(ctx context.Context, rig Rig, s Step) (StepResult, error) {
	return StepResult{}, fmt.Errorf("there is no step %q", s)
}
