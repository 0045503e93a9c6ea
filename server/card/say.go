package card

import (
	"context"
	"errors"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

const (
	// mostSaid is the largest message of Say, in bytes.
	mostSaid = 64 << 10
	// mostEvents is the largest number of events that are returned of an
	// exchange.
	mostEvents = 4096
)

// Say sends one message and gathers what comes back within wait, and then what
// the card's error queue holds. Where the card is not ready, which may be what
// is to be found out, a connection is opened for it alone. Unless the message
// only asks, nothing can be set afterwards until the bench was made safe.
func (l *Link) Say(ctx context.Context, connection, message string, wait time.Duration) (cardinfo.Exchange, error) {
	out := cardinfo.Exchange{Connection: connection, Sent: message, Answers: []string{}, Events: []cardinfo.Event{}}
	c, err := l.named(connection)
	if err != nil {
		return out, err
	}
	if len(message) > mostSaid {
		return out, c.fault(nil, "the message is too long", "Send less than 64 KiB")
	}
	err = c.exchangeByHand(ctx, func(ctx context.Context, s *session, ready bool) error {
		if ready && !onlyAsks(message) {
			s.live.Store(true)
			c.disown(s)
		}
		after := l.traffic.Last()
		if !ready && s.line.Resync(ctx, min(safeTime+c.patience(0), safeOnce)) == nil {
			// That it had restarted before is not this message's doing.
			_, _ = c.ask(ctx, s, c.say.Confirm, settingTime)
		}
		began := time.Now()
		s.spoke.Store(began.UnixNano())
		lines, err := s.line.Gather(ctx, message, wait)
		out.Took = time.Since(began)
		out.Answers = append(out.Answers, lines...)
		if err == nil {
			var said CardErrors
			said, err = c.collect(ctx, s)
			for _, one := range said {
				out.Errors = append(out.Errors, one.String())
			}
		}
		if !ready && !onlyAsks(message) {
			if unsafe := c.leaveSafe(ctx, s); unsafe != nil {
				reason, _ := c.explain(unsafe)
				words := "the card is not confirmed safe afterwards, check the bench: " + reason
				out.Errors = append(out.Errors, words)
				c.note("%s", words)
			}
		}
		for _, e := range l.traffic.Recent(after, mostEvents) {
			if e.Connection == connection {
				out.Events = append(out.Events, e)
			}
		}
		if err != nil && !ready && (len(lines) > 0 || isOfTheLine(err)) {
			// A card that is not ready need not do more than answer.
			return nil
		}
		return err
	})
	return out, err
}

// leaveSafe makes a card safe, and waits for its confirmation, before a
// connection is closed after which nobody looks after it. It does so even if
// ctx has ended.
func (c *conn) leaveSafe(ctx context.Context, s *session) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), safeWithin)
	defer cancel()
	within := c.safeTime() + min(c.patience(len(c.say.Safe)), safeOnce-safeTime)
	s.most = safeSilence
	var err error
	for range 2 { // the first answer may be lost
		if err = s.line.Urgent(ctx, c.say.Safe, within); err != nil {
			err = c.trouble(err, c.say.Safe, within)
		} else if err = c.atRest(ctx, s); err == nil {
			return nil
		}
	}
	return err
}

// exchangeByHand runs an exchange by hand: on the session where the card is
// ready, and otherwise on a connection that lasts only as long.
func (c *conn) exchangeByHand(ctx context.Context, f func(ctx context.Context, s *session, ready bool) error) error {
	began := c.link.safes.Load()
	if err := c.take(ctx); err != nil {
		return err
	}
	defer c.give()
	s := c.session()
	ready := s != nil
	if !ready {
		var err error
		if s, err = c.open(ctx); err != nil {
			return err
		}
		s.byHand = true
		defer s.line.Close()
	}
	was := s.mending
	s.mending = true
	defer func() { s.mending = was }()
	err := c.exclusively(ctx, s, began, func(ctx context.Context) error { return f(ctx, s, ready) })
	if err == nil || errors.Is(err, bench.ErrMadeSafe) || ctx.Err() != nil || !isOfTheLine(err) || !ready {
		return err
	}
	if resync := s.line.Resync(ctx, safeTime+c.patience(0)); resync != nil && !errors.Is(resync, wire.ErrCut) {
		c.drop(s, err)
	}
	return err
}
