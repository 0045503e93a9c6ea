package card

import (
	"context"
	"errors"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/conformance"
	"ohmkeep/server/cardinfo"
)

// Check goes through what a card must do, one finding at a time. The connection
// is taken from the bench meanwhile; a call of MakeSafe ends the check. At the
// end the card is made safe and reset, and its connection is lost where it does
// not confirm that. Where the card is not ready, which may be what is to be
// found out, a connection is opened for the check alone.
func (l *Link) Check(ctx context.Context, connection string, found func(cardinfo.Finding)) error {
	c, err := l.named(connection)
	if err != nil {
		return err
	}
	options, err := conformance.OptionsOf(&l.def, connection)
	if err != nil {
		return err
	}
	options.Log = l.traffic
	if !c.isSerial() { // of which there is one only
		options.Dial = c.dial
	}
	return c.exchangeByHand(ctx, func(ctx context.Context, s *session, ready bool) error {
		options.Stream = s.stream
		owned := c.owns(s)
		if ready {
			c.disown(s)
			s.live.Store(true)
		}
		err := conformance.Run(ctx, s.line, options, found)
		if !ready || errors.Is(context.Cause(ctx), bench.ErrMadeSafe) {
			return err // MakeSafe sees to the card
		}
		if after := c.restore(context.WithoutCancel(ctx), s); after != nil {
			c.drop(s, after)
			return errors.Join(err, after)
		}
		if owned {
			c.mu.Lock()
			s.owned = true
			c.mu.Unlock()
		}
		return err
	})
}

// restore brings a card back to the state after MakeSafe, when somebody else
// has talked to it.
func (c *conn) restore(ctx context.Context, s *session) error {
	within := safeTime + c.patience(0)
	if err := s.line.Resync(ctx, within); err != nil {
		return c.trouble(err, "the question for a pair of numbers", within)
	}
	if err := c.confirm(ctx, s, c.say.Safe, c.safeTime()); err != nil && !errors.Is(err, ErrReported) {
		return err
	}
	if err := c.confirm(ctx, s, c.say.Reset, c.safeTime()); err != nil {
		return err
	}
	if err := c.atRest(ctx, s); err != nil {
		return err
	}
	s.forget()
	_, err := c.drain(ctx, s)
	return err
}
