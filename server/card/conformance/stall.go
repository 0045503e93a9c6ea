package conformance

import (
	"context"
	"sync/atomic"
	"time"
)

const (
	beat = 5 * time.Millisecond
	// heldUp is the shortest delay of this process that casts doubt on the
	// result of a point.
	heldUp = 25 * time.Millisecond
)

// pulse is a measure of how late this process runs: then a late answer may be
// ours, and a watchdog may have acted for our silence.
type pulse struct {
	last  atomic.Int64 // ns since start
	worst atomic.Int64 // ns, since it was last taken
	start time.Time
}

// newPulse runs until the context ends.
func newPulse(ctx context.Context) *pulse {
	p := &pulse{start: time.Now()}
	go func() {
		ticker := time.NewTicker(beat)
		defer ticker.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-ticker.C:
				p.note(p.last.Swap(int64(time.Since(p.start))))
			}
		}
	}()
	return p
}

// note keeps how long it was since the last beat.
func (p *pulse) note(last int64) {
	late := int64(time.Since(p.start)) - last - int64(beat)
	for {
		worst := p.worst.Load()
		if late <= worst || p.worst.CompareAndSwap(worst, late) {
			return
		}
	}
}

// take returns the longest hold-up since it was last taken.
func (p *pulse) take() time.Duration {
	p.note(p.last.Load())
	return time.Duration(p.worst.Swap(0))
}

// patiently repeats a step that failed while this computer was held up, a few
// times.
func (c *check) patiently(ctx context.Context, f func() error) error {
	for try := 1; ; try++ {
		c.pulse.take()
		err := f()
		if err == nil || c.pulse.take() < heldUp || try == tries || ctx.Err() != nil {
			return err
		}
	}
}
