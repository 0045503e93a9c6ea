package card

import (
	"context"
	"errors"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
)

// beat is the longest time between two messages to a card, from its watchdog.
func (c *conn) beat() time.Duration {
	if quarter := seconds(c.def.Watchdog) / 4; quarter > 0 {
		return min(quarter, idleEvery)
	}
	return idleEvery
}

// watch sends keep-alives whenever nothing else was sent for a while, until
// the session is lost; then it reports that.
func (c *conn) watch(ctx context.Context, s *session) {
	beat := c.beat()
	t := time.NewTimer(beat)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			t.Reset(c.keepAlive(ctx, s, beat))
			continue
		case <-s.line.Done():
			c.drop(s, s.line.Err())
		case <-ctx.Done():
			c.drop(s, wire.ErrClosed)
			return
		}
		if c.link.cfg.Lost != nil {
			c.link.cfg.Lost(c.def.Name + ": " + c.standing().Reason)
		}
		return
	}
}

// keepAlive sends a keep-alive, if one is due, and returns when the next one
// is.
func (c *conn) keepAlive(ctx context.Context, s *session, beat time.Duration) time.Duration {
	const busy = 4 // parts of a beat
	due := beat
	live := s.live.Load()
	if !live {
		due = idleEvery
	}
	if silent := time.Since(time.Unix(0, s.spoke.Load())); silent < due {
		return min(due-silent, beat)
	}
	began := c.link.safes.Load()
	select {
	case c.use <- struct{}{}:
	default:
		return beat / busy // somebody is talking to it
	}
	defer c.give()
	c.mu.Lock()
	here, owned := c.current == s, s.owned
	c.mu.Unlock()
	if !here || live && !owned {
		// Whoever energised it has lost hold of it: its watchdog must not be
		// kept from making it safe.
		return beat
	}
	err := c.exclusively(ctx, s, began, func(ctx context.Context) error { return c.enquire(ctx, s) })
	if err != nil && !errors.Is(err, bench.ErrMadeSafe) && ctx.Err() == nil {
		c.found(s, err)
	}
	return beat
}

// enquire asks the card for errors and a restart, and compares one thing after
// the other with what is known of it. Where an answer does not come or makes
// no sense, everything is compared: the answer that was lost may have been the
// one that said so.
func (c *conn) enquire(ctx context.Context, s *session) error {
	err := c.confirm(ctx, s, "", settingTime)
	var said CardErrors
	switch {
	case errors.As(err, &said) && said.ofTheLine():
		c.note("%v: something was spoilt on its way", said)
		err = nil
	case err == nil && c.owns(s):
		s.looked++
		err = c.compareOne(ctx, s, s.looked%(len(s.channels)+1))
	}
	if isOfTheLine(err) && ctx.Err() == nil {
		c.note("%v", err)
		return c.regain(ctx, s)
	}
	return err
}

// found acts on what a keep-alive has found out. A card that was thought to be
// safe and is not is greeted anew, which makes it safe.
func (c *conn) found(s *session, err error) {
	live := s.live.Load()
	switch {
	case errors.Is(err, ErrReported) && !live:
		c.note("while it was idle: %v", err)
	case errors.Is(err, ErrReported) || errors.Is(err, ErrState) && live:
		c.note("%v", err)
		c.disown(s)
		c.link.report(codeOf(err), err.Error())
		if lost := c.link.cfg.Lost; lost != nil {
			reason, _ := c.explain(err)
			// The connection is in use here, and whoever is told may want it.
			c.link.wg.Go(func() { lost(c.def.Name + ": " + reason) })
		}
	default:
		c.drop(s, err)
	}
}
