// Package run executes a procedure on a bench: it plans, switches in order,
// reads, has every batch committed before anybody sees it, and always leaves
// the bench safe.
package run

import (
	"context"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// Recorder keeps what a run produces. Each method returns only when what it
// was given will survive a crash. The readings of a batch are written over once
// Append has returned and the batch has been observed: whoever keeps them copies
// them.
type Recorder interface {
	Begin(ctx context.Context, r *procedure.Record) error
	Append(ctx context.Context, runID string, b procedure.Batch) error
	Finish(ctx context.Context, runID string, e procedure.Ending) error
}

// Observer is told what has been committed. It must return at once.
type Observer interface {
	Observe(u Update)
}

// Update is one step of a run as everybody may see it. The slices belong to
// the observer and are not written again, but for the readings: their memory is
// used again when Observe has returned.
type Update struct {
	Run      string
	Batch    procedure.Batch
	Progress Progress
	Pins     []PinState        // what each connected pin is at now; nil if unchanged
	Ending   *procedure.Ending // set once, on the last update
}

// Progress is the position of a run in its plan.
type Progress struct {
	Measurement int           `json:"measurement"` // index of the one at work
	Point       int           `json:"point"`       // of it
	Points      int           `json:"points"`      // in it
	Done        []bool        `json:"done"`        // per measurement
	Elapsed     time.Duration `json:"elapsed"`
	Left        time.Duration `json:"left"` // estimate
	Readings    int64         `json:"readings"`
}

// PinState is what a pin is connected to.
type PinState struct {
	Pin     int
	Use     procedure.Use
	Channel bench.ChannelID // 0: the return or none
	Path    bench.PathID
	Level   float64
	V, I    float64 // last sensed, NaN before the first
	Flags   bench.Flags
}
