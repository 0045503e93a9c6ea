package bench

import (
	"context"
	"sync"
	"time"
)

// mostBehind is how far a paced clock may be behind the clock it follows. After
// a longer delay, such as the pause between two runs, it stands at the other
// clock's time again: there is no wait to take it off.
const mostBehind = 100 * time.Millisecond

// PacedClock is the clock of a computed bench: time that the program spends
// between two waits is taken off the next wait. A rehearsal bench has to work
// out what a real one does by itself, and without this clock every reading
// would take its computation longer than planned. It is never ahead of the
// clock it follows and at most 100 ms behind. It is not for a bench with cards:
// there a wait must last its whole time. Safe for concurrent use.
type PacedClock struct {
	clock Clock

	mu   sync.Mutex
	last time.Time // the end of the newest wait, on this clock
}

// NewPacedClock makes a clock that follows another one, the wall clock as a rule.
func NewPacedClock(follow Clock) *PacedClock { return &PacedClock{clock: follow} }

// Now is the end of the newest wait, or the other clock's time if that wait ended
// more than 100 ms ago.
func (c *PacedClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now()
}

func (c *PacedClock) now() time.Time {
	if now := c.clock.Now(); now.Sub(c.last) > mostBehind {
		c.last = now
	}
	return c.last
}

// Sleep waits until d has passed on this clock.
func (c *PacedClock) Sleep(ctx context.Context, d time.Duration) error {
	due := c.Now().Add(max(d, 0))
	if err := c.clock.Sleep(ctx, due.Sub(c.clock.Now())); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.last.Before(due) {
		c.last = due
	}
	return nil
}
