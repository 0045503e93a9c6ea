package emulator

import (
	"context"
	"errors"
	"io"
	"sync"
)

// Serve talks to one host until it goes, the context ends or an ordered fault
// cuts the connection (ErrCut); the stream is closed then. At the end of the
// context everything is made safe at once. After a host that has just gone the
// watchdog does what is left to do, as on any card: Serve returns when nothing
// is on or closed any more, or another host is served. ErrTaken: another host
// is served already; the stream is closed.
func (c *Card) Serve(ctx context.Context, stream io.ReadWriteCloser) error {
	turn, ok := c.begin()
	if !ok {
		return errors.Join(ErrTaken, stream.Close())
	}
	return c.serve(ctx, stream, turn)
}

// begin takes the card for a host; turn counts the hosts.
func (c *Card) begin() (turn int, ok bool) {
	c.hosts.Lock()
	defer c.hosts.Unlock()
	if c.taken || c.clock.Now().Before(c.dark) {
		return 0, false
	}
	c.taken = true
	c.turn++
	return c.turn, true
}

// Powered waits until the card has power: after a power cut to order it has
// none for a while, and turns hosts away.
func (c *Card) Powered(ctx context.Context) error {
	c.hosts.Lock()
	dark := c.dark
	c.hosts.Unlock()
	return c.clock.Sleep(ctx, dark.Sub(c.clock.Now()))
}

func (c *Card) finish() {
	c.hosts.Lock()
	defer c.hosts.Unlock()
	c.taken = false
}

// alone reports whether no host has come since.
func (c *Card) alone(turn int) bool {
	c.hosts.Lock()
	defer c.hosts.Unlock()
	return c.turn == turn
}

// serve is Serve for the holder of the card.
func (c *Card) serve(ctx context.Context, stream io.ReadWriteCloser, turn int) error {
	// The end of the context does not wait for the call in flight, nor for a
	// host that does not read.
	stop := context.AfterFunc(ctx, func() {
		_ = c.link.MakeSafe(context.WithoutCancel(ctx)) // again below, and judged there
		_ = stream.Close()
	})
	defer stop()
	err := c.converse(ctx, stream)
	c.finish()
	c.unattended(ctx, turn)
	if ctx.Err() == nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return errors.Join(err, c.makeSafe())
}

// converse talks to a host until it has gone.
func (c *Card) converse(ctx context.Context, stream io.ReadWriteCloser) error {
	talking, cancel := context.WithCancel(ctx)
	h := newHost(c, stream)
	var others sync.WaitGroup
	others.Go(h.listen)
	others.Go(func() { h.out.run(talking) })
	others.Go(func() { c.watch(talking, func() bool { return true }) })
	c.log.Debug("host came")
	err := c.work(ctx, h)
	cancel()
	_ = stream.Close() // it may be closed already
	others.Wait()
	c.log.Debug("host went", "err", err)
	if err == nil && ctx.Err() == nil && !errors.Is(h.gone, io.EOF) {
		return h.gone
	}
	return err
}

// work carries out messages one after the other.
func (c *Card) work(ctx context.Context, h *host) error {
	for {
		m, ok := h.next(ctx)
		if !ok {
			return nil
		}
		if err := c.handle(ctx, h, m); err != nil {
			return err
		}
	}
}
