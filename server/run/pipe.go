package run

import (
	"context"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

const (
	// commitEvery is the shortest time between two commits that are not full and
	// that nobody waits for. A commit costs whole pages on the disk however few
	// readings it has; a page is to move four times a second.
	commitEvery = 240 * time.Millisecond
	// commitFull is the number of readings that are committed without waiting
	// for more.
	commitFull = 64 << 10
	// pipeFull is the number of readings that may wait for the disk before the
	// measuring goroutine waits too.
	pipeFull = 2 * commitFull
)

// span is a stretch of readings of one measurement.
type span struct {
	step    int // index in the plan
	attempt int // at it, from 0
	n       int
	end     bool // the attempt is complete
}

// load is a batch of readings that the measuring goroutine hands over and the
// committer commits.
type load struct {
	readings []bench.Reading
	senses   []*procedure.Sense // of each reading
	spans    []span
	progress Progress
	pins     []PinState // nil if unchanged
	acks     []chan struct{}
}

// count counts the reading added last to its stretch.
func (l *load) count(step, attempt int) {
	if n := len(l.spans); n > 0 && l.spans[n-1].step == step && l.spans[n-1].attempt == attempt {
		l.spans[n-1].n++
		return
	}
	l.spans = append(l.spans, span{step: step, attempt: attempt, n: 1})
}

// reset empties the load and keeps the memory of what nobody else may have.
func (l *load) reset() {
	l.readings, l.senses, l.spans = l.readings[:0], l.senses[:0], l.spans[:0]
	l.pins, l.acks = nil, nil
}

// pipe is the queue between the goroutine that measures and the one that
// commits. It gathers what is handed over while a commit is on its way.
type pipe struct {
	mu     sync.Mutex
	load   load
	closed bool

	wake  chan struct{} // something waits
	hurry chan struct{} // and should be committed at once
	room  chan struct{} // space again
}

func newPipe() *pipe {
	return &pipe{wake: make(chan struct{}, 1), hurry: make(chan struct{}, 1), room: make(chan struct{}, 1)}
}

// poke makes a channel of capacity one ready without waiting.
func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// put hands over; it waits only while the pipe is full. ack, if any, is closed
// once all of it is committed or given up.
func (p *pipe) put(ctx context.Context, l *load, ack chan struct{}) error {
	for {
		p.mu.Lock()
		if len(p.load.readings) < pipeFull || len(l.readings) == 0 {
			break
		}
		p.mu.Unlock()
		select {
		case <-p.room:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	defer p.mu.Unlock()
	if n := len(p.load.readings) + len(l.readings); n > cap(p.load.readings) && n > handFull {
		// In few steps, since each copies what has gathered, and to no more than a full
		// pipe takes, since new memory is cleared.
		more := max(n, min(4*n, pipeFull+handFull)) - len(p.load.readings)
		p.load.readings, p.load.senses = slices.Grow(p.load.readings, more), slices.Grow(p.load.senses, more)
	}
	p.load.readings, p.load.senses = append(p.load.readings, l.readings...), append(p.load.senses, l.senses...)
	p.load.spans = append(p.load.spans, l.spans...)
	p.load.progress = l.progress
	if l.pins != nil {
		p.load.pins = l.pins
	}
	if ack != nil {
		p.load.acks = append(p.load.acks, ack)
	}
	if ack != nil || len(p.load.readings) >= commitFull {
		poke(p.hurry)
	}
	poke(p.wake)
	return nil
}

// end closes the pipe: nothing more will be put into it.
func (p *pipe) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	p.urge()
}

// urge has take return at once with what there is, be it nothing.
func (p *pipe) urge() {
	poke(p.hurry)
	poke(p.wake)
}

// take waits for something to commit, and until then unless it is urgent, and
// swaps it into l. It reports whether more may come.
func (p *pipe) take(l *load, until time.Time) bool {
	<-p.wake
	if pause := time.Until(until); pause > 0 { // what comes late has waited long enough
		t := time.NewTimer(pause)
		defer t.Stop()
		select {
		case <-t.C:
		case <-p.hurry:
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	*l, p.load = p.load, *l
	p.load.reset()
	p.load.progress = l.progress
	select {
	case <-p.hurry:
	default:
	}
	select {
	case <-p.wake:
	default:
	}
	poke(p.room)
	return !p.closed
}
