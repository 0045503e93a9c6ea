package emulator

import (
	"context"
	"errors"
	"net"
	"sync"
	"time"
)

// grace is the time that a new host waits for the one before to be gone for
// good.
const grace = 20 * time.Millisecond

// Listen serves hosts one at a time until the context ends. A host that comes
// while another is served is turned away at once. The listener is closed.
func (c *Card) Listen(ctx context.Context, l net.Listener) error {
	stop := context.AfterFunc(ctx, func() { _ = l.Close() })
	defer stop()
	var hosts sync.WaitGroup
	defer hosts.Wait()
	for {
		conn, err := l.Accept()
		if ctx.Err() != nil {
			if err == nil {
				_ = conn.Close()
			}
			return nil
		}
		if err != nil {
			return err
		}
		hosts.Go(func() {
			log := c.log.With("host", conn.RemoteAddr().String())
			turn, ok := c.begin()
			if !ok {
				turn, ok = c.later(ctx)
			}
			if !ok {
				log.Warn("host turned away: the card is taken, or has no power")
				_ = conn.Close()
				return
			}
			log.Info("host connected")
			err := c.serve(ctx, conn, turn)
			if err != nil && !errors.Is(err, net.ErrClosed) {
				log.Warn("host gone", "err", err)
				return
			}
			log.Info("host gone")
		})
	}
}

// later retries to take the card for a host.
func (c *Card) later(ctx context.Context) (turn int, ok bool) {
	select {
	case <-time.After(grace):
	case <-ctx.Done():
	}
	return c.begin()
}
