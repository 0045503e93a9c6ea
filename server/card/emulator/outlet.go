package emulator

import (
	"context"
	"io"
	"sync"
	"time"

	"ohmkeep/server/bench"
)

// chunk is bytes to send after a wait.
type chunk struct {
	after time.Duration
	bytes []byte
}

// outlet is the sender of the card's answers, in order, so that a host that
// does not read holds up nothing but its own answers.
type outlet struct {
	w     io.Writer
	clock bench.Clock
	mu    sync.Mutex
	queue []chunk
	came  chan struct{}
}

func newOutlet(w io.Writer, clock bench.Clock) *outlet {
	return &outlet{w: w, clock: clock, came: make(chan struct{}, 1)}
}

// maxUnsent is the largest number of chunks that wait for a host that does not
// read.
const maxUnsent = 4096

// send queues chunks behind those that wait. What a host that does not read
// leaves no room for is lost.
func (o *outlet) send(chunks ...chunk) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.queue)+len(chunks) > maxUnsent {
		return
	}
	o.queue = append(o.queue, chunks...)
	select {
	case o.came <- struct{}{}:
	default:
	}
}

// run sends until the context ends or the stream does.
func (o *outlet) run(ctx context.Context) {
	for {
		o.mu.Lock()
		queue := o.queue
		o.queue = nil
		o.mu.Unlock()
		for _, c := range queue {
			if c.after > 0 && o.clock.Sleep(ctx, c.after) != nil {
				return
			}
			if _, err := o.w.Write(c.bytes); err != nil {
				return
			}
		}
		if len(queue) > 0 {
			continue
		}
		select {
		case <-o.came:
		case <-ctx.Done():
			return
		}
	}
}
