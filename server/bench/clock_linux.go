package bench

import (
	"context"
	"syscall"
	"time"
)

// lateness is how late a timer may fire: the runtime waits for timers in whole
// milliseconds on Linux.
const lateness = 1200 * time.Microsecond

// Sleep waits for d. The last millisecond is left to the kernel's own timer,
// which cannot be cut short but is late by some 60 µs instead of a millisecond:
// at a settle and an aperture for every reading the difference is the run's
// time.
func (FineClock) Sleep(ctx context.Context, d time.Duration) error {
	due := time.Now().Add(d)
	if d > lateness {
		if err := (RealClock{}).Sleep(ctx, d-lateness); err != nil {
			return err
		}
	}
	for left := time.Until(due); left > 0 && ctx.Err() == nil; left = time.Until(due) {
		ts := syscall.NsecToTimespec(int64(left))
		if err := syscall.Nanosleep(&ts, nil); err != nil && err != syscall.EINTR {
			return (RealClock{}).Sleep(ctx, left)
		}
	}
	return ctx.Err()
}
