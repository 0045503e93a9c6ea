package card

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"ohmkeep/server/bench"
)

const (
	// safeWithin is the time limit of one call of MakeSafe.
	safeWithin = 4 * time.Second
	// returnWithin is the time that MakeSafe waits for a card that is not
	// connected.
	returnWithin = time.Second
	// safeOnce is the time limit of one attempt where the card is silent,
	// whatever the connection's timeout, beside the card's own time.
	safeOnce = 1500 * time.Millisecond
	// safeSilence is the time limit of one answer of a card that has answered
	// before: two of them fit into safeOnce.
	safeSilence = 600 * time.Millisecond
)

// MakeSafe takes all outputs to zero and off and opens all paths, now, and cuts
// short the call that is in flight. It is nil only where every card has
// confirmed that its outputs are off and its paths open. Where a connection is
// down one attempt is made to get it back. It does all this even if ctx has
// ended. Every channel must be Set again before it is used.
func (l *Link) MakeSafe(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), safeWithin)
	defer cancel()
	l.safing.Add(1)
	defer l.safing.Add(-1)
	l.safes.Add(1)
	for _, c := range l.conns {
		c.cutOff()
	}
	select {
	case l.safe <- struct{}{}:
	case <-ctx.Done():
		return errors.New("the bench's state is unknown, check the bench: it is still being made safe")
	}
	defer func() { <-l.safe }()
	sessions := make([]*session, len(l.conns))
	err := l.each(l.conns, func(i int, c *conn) error {
		var err error
		sessions[i], err = c.makeSafe(ctx)
		return err
	})
	if err == nil {
		err = l.own(sessions)
	}
	if err != nil {
		return fmt.Errorf("the bench's state is unknown, check the bench: %w", err)
	}
	l.clearFaults()
	return nil
}

// own permits calls again, on the sessions whose cards have been made safe.
func (l *Link) own(sessions []*session) error {
	var err error
	for i, c := range l.conns {
		c.mu.Lock()
		if c.current == sessions[i] {
			sessions[i].owned = true
		} else {
			err = errors.Join(err, c.down())
		}
		c.mu.Unlock()
	}
	return err
}

// each runs a function on several connections at once.
func (l *Link) each(conns []*conn, f func(i int, c *conn) error) error {
	if len(conns) == 1 {
		return f(0, conns[0])
	}
	errs := make([]error, len(conns))
	var wg sync.WaitGroup
	for i, c := range conns {
		wg.Go(func() { errs[i] = f(i, c) })
	}
	wg.Wait()
	for _, err := range errs {
		if errors.Is(err, bench.ErrMadeSafe) {
			return bench.ErrMadeSafe
		}
	}
	return errors.Join(errs...)
}

// makeSafe makes one card safe, and returns the session that has confirmed it.
// A session that does not is given up, and the next one tried.
func (c *conn) makeSafe(ctx context.Context) (*session, error) {
	var err error
	for range 2 {
		s, back := c.comeBack(ctx)
		if back != nil {
			return nil, errors.Join(err, back)
		}
		if err = c.safeNow(ctx, s); err == nil {
			return s, nil
		}
		c.drop(s, err)
	}
	return nil, err
}

// comeBack waits for the session of a card that is being connected, and
// returns it. Where there is none the connection is tried at once.
func (c *conn) comeBack(ctx context.Context) (*session, error) {
	if s := c.session(); s != nil {
		return s, nil
	}
	t := time.NewTimer(returnWithin)
	defer t.Stop()
	select {
	case c.hurry <- struct{}{}:
	default:
	}
	for {
		c.mu.Lock()
		s, moved := c.current, c.moved
		down := c.down()
		c.mu.Unlock()
		if s != nil {
			return s, nil
		}
		select {
		case <-moved:
		case <-t.C:
			return nil, down
		case <-ctx.Done():
			return nil, down
		}
	}
}

// safeNow sends what makes a card safe before anything else, and has it
// confirmed.
func (c *conn) safeNow(ctx context.Context, s *session) error {
	c.disown(s)
	within := c.safeTime() + min(c.patience(len(c.say.Safe)), safeOnce-safeTime)
	if err := s.line.Urgent(ctx, c.say.Safe, within); err != nil {
		return c.trouble(err, c.say.Safe, within)
	}
	// The call that was cut off leaves at once.
	if err := c.take(ctx); err != nil {
		return err
	}
	defer c.give()
	s.mending, s.most = true, safeSilence
	defer func() { s.mending, s.most = false, 0 }()
	err := c.safeConfirmed(ctx, s)
	if err == nil {
		return nil
	}
	// What was sent may have met half a message, or have been overtaken by
	// the last of the call that was cut off.
	c.note("not confirmed safe, asking again: %v", err)
	within = min(within, c.safeTime()+safeSilence)
	if err := s.line.Resync(ctx, within); err != nil {
		return c.trouble(err, "the question for a pair of numbers", within)
	}
	if err := c.confirm(ctx, s, c.say.Safe, c.safeTime()); err != nil {
		return err
	}
	return c.safeConfirmed(ctx, s)
}

// safeConfirmed has a card confirm that it is safe, and forgets what was set.
func (c *conn) safeConfirmed(ctx context.Context, s *session) error {
	answer, err := c.ask(ctx, s, c.say.Confirm, settingTime)
	if err != nil {
		return err
	}
	bits, err := c.integer(answer, 255, c.say.Confirm)
	if err != nil {
		return err
	}
	if bits&eventErrors != 0 {
		said, err := c.drain(ctx, s)
		if err != nil {
			return err
		}
		if len(said) > 0 {
			c.note("while it was made safe: %v", said)
		}
	}
	if bits&eventPowerOn != 0 {
		c.note("the card has restarted")
	}
	if err := c.atRest(ctx, s); err != nil {
		return err
	}
	if bits&eventPowerOn != 0 || c.say.Reset != bench.ProtocolCommands().Reset {
		// It may set more than what Safe has taken back.
		if err := c.confirm(ctx, s, c.say.Reset, c.safeTime()); err != nil {
			return err
		}
		if err := c.atRest(ctx, s); err != nil {
			return err
		}
	}
	s.forget()
	return nil
}
