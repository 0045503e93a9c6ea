package emulator

import "context"

// watch is the watchdog: while an output is on or a path closed and the host
// is silent for too long, everything is made safe. It is counted from the
// later of the last LF and the end of the last command.
func (c *Card) watch(ctx context.Context, h *host) {
	wait := c.watchdog
	for c.clock.Sleep(ctx, wait) == nil {
		c.mu.Lock() // no command is being carried out
		silent, idle := h.silence()
		switch {
		case !idle || silent < c.watchdog:
			wait = max(c.watchdog-silent, c.watchdog/100)
		default:
			if c.energised() {
				c.fire()
			}
			wait = c.watchdog
		}
		c.mu.Unlock()
	}
}

// fire is what the watchdog does.
func (c *Card) fire() {
	c.log.Warn("watchdog: the host is silent, outputs switched off")
	c.trip("watchdog")
}
