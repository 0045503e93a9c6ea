package emulator

import (
	"context"
	"sync"
	"time"

	"ohmkeep/server/bench"
)

// pulse records when the host was last heard or served, for the watchdog.
type pulse struct {
	mu   sync.Mutex
	last time.Time // of the last LF, or the end of the last command
	busy bool      // a message is being carried out
}

func (p *pulse) heard(now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.last = now
}

func (p *pulse) begin() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.busy = true
}

func (p *pulse) end(now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.last, p.busy = now, false
}

// silence returns the time since the host was last heard or served.
func (p *pulse) silence(now time.Time) (d time.Duration, busy bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return now.Sub(p.last), p.busy
}

// watch is the watchdog: while an output is on or a path closed and the host
// is silent for too long, everything is made safe. It is counted from the
// later of the last LF and the end of the last command. It watches as long as
// going says, and the context lasts.
func (c *Card) watch(ctx context.Context, going func() bool) {
	for wait := time.Duration(0); going() && c.clock.Sleep(ctx, wait) == nil; {
		silent, busy := c.pulse.silence(c.clock.Now())
		wait = c.watchdog / 20
		switch {
		case busy:
		case silent < c.watchdog:
			wait = c.watchdog - silent
		case c.mu.TryLock(): // else a command has just begun
			if silent, busy = c.pulse.silence(c.clock.Now()); !busy && silent >= c.watchdog && c.energised() {
				c.fire()
			}
			c.mu.Unlock()
			wait = c.watchdog
		}
	}
}

// fire carries out the watchdog's action.
func (c *Card) fire() {
	c.log.Warn("watchdog: the host is silent, everything switched off")
	c.trip("watchdog")
}

// unattended runs the watchdog after a host has gone, until nothing is on or
// closed or the next host is served.
func (c *Card) unattended(ctx context.Context, turn int) {
	c.watch(ctx, func() bool { return c.alone(turn) && c.State() == bench.Energised })
}
