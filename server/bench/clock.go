package bench

import (
	"context"
	"errors"
	"sync"
	"time"
)

// ErrMadeSafe is returned by a link call that MakeSafe cut short.
var ErrMadeSafe = errors.New("bench: made safe")

// RealClock is the wall clock.
type RealClock struct{}

func (RealClock) Now() time.Time { return time.Now() }

func (RealClock) Sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// FineClock is the wall clock with waits that end on time: the clock of a
// server. It must not be used under a test's clock (testing/synctest).
type FineClock struct{}

func (FineClock) Now() time.Time { return time.Now() }

// CountingClock moves its own time forward instead of waiting, so that a
// rehearsed procedure takes only as long as its computation. Safe for
// concurrent use.
type CountingClock struct {
	mu  sync.Mutex
	now time.Time
}

// NewCountingClock starts a counting clock at the given time.
func NewCountingClock(start time.Time) *CountingClock { return &CountingClock{now: start} }

func (c *CountingClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *CountingClock) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if d > 0 {
		c.now = c.now.Add(d)
	}
	return nil
}
