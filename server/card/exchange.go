package card

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
	"ohmkeep/server/card/wire"
)

// Time limits of a card for carrying out a message, beside its connection's
// timeout; from the protocol.
const (
	settingTime = 20 * time.Millisecond
	readingTime = 50 * time.Millisecond // beside the aperture
	safeTime    = 50 * time.Millisecond
)

const (
	// answerBytes is the assumed length of an answer, for the time that it takes
	// on the line.
	answerBytes = 1024
	// maxErrors is the largest number of errors that are read from an error
	// queue at a time.
	maxErrors = 64
)

// Bits of the standard event status register: IEEE 488.2, 11.5.1.
const (
	eventErrors  = int(scpi.EventQuery | scpi.EventDevice | scpi.EventExecution | scpi.EventCommand)
	eventPowerOn = int(scpi.EventPowerOn)
)

// do carries out a call on a connection whose card is unchanged since the
// bench was made safe.
func (c *conn) do(ctx context.Context, at int64, f func(context.Context, *session) error) error {
	if err := c.take(ctx); err != nil {
		return err
	}
	defer c.give()
	c.mu.Lock()
	s := c.current
	var err error
	switch {
	case c.link.cutSince(at):
		err = bench.ErrMadeSafe
	case s == nil:
		err = c.down()
	case !s.owned:
		err = c.fault(ErrStale, "the connection was lost, or used for something else, since the bench was made safe", "Make the bench safe and start again")
	}
	c.mu.Unlock()
	if err != nil {
		return err
	}
	err = c.exclusively(ctx, s, at, func(ctx context.Context) error { return f(ctx, s) })
	var doubt *doubtful
	if err != nil && !errors.As(err, &doubt) {
		c.disown(s) // nobody knows what the card has taken of it
	}
	return err
}

// down is the error of a call while there is no card.
func (c *conn) down() error {
	what := "the card is not connected"
	if c.health.Reason != "" {
		what += ": " + c.health.Reason
	}
	return c.fault(ErrDown, what, c.health.Remedy)
}

// disown blocks all calls that set something until the bench was made safe.
func (c *conn) disown(s *session) {
	c.mu.Lock()
	defer c.mu.Unlock()
	s.owned = false
}

// cutSince reports whether MakeSafe was called since, or is at work.
func (l *Link) cutSince(at int64) bool { return l.safes.Load() != at || l.safing.Load() > 0 }

// exclusively runs f, which talks to the card, while nobody else uses the
// connection. MakeSafe ends its context; the error is bench.ErrMadeSafe then.
func (c *conn) exclusively(ctx context.Context, s *session, at int64, f func(context.Context) error) error {
	own, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	c.mu.Lock()
	if c.link.cutSince(at) {
		c.mu.Unlock()
		return bench.ErrMadeSafe
	}
	c.cut = cancel
	c.mu.Unlock()
	err := f(own)
	c.mu.Lock()
	c.cut = nil
	c.mu.Unlock()
	if errors.Is(context.Cause(own), bench.ErrMadeSafe) || errors.Is(err, wire.ErrCut) {
		return bench.ErrMadeSafe
	}
	return err
}

// cutOff ends the call at work.
func (c *conn) cutOff() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cut != nil {
		c.cut(bench.ErrMadeSafe)
	}
}

// ask sends a message and returns its answer. took is the card's own time. A
// line that had got out of step before is mended first: nothing was sent then.
func (c *conn) ask(ctx context.Context, s *session, message string, took time.Duration) (string, error) {
	answer, err := c.askOnce(ctx, s, message, took)
	if !errors.Is(err, wire.ErrOutOfStep) || errors.Is(err, wire.ErrCut) || s.mending {
		return answer, err
	}
	c.suspect(s)
	if err := c.regain(ctx, s); err != nil {
		return "", err
	}
	return c.askOnce(ctx, s, message, took)
}

// suspect reports an answer that an unexpected line came with: one of the two
// was the answer, and nobody can tell which.
func (c *conn) suspect(s *session) {
	if errors.Is(s.line.Reason(), wire.ErrUnexpected) && s.read.Swap(false) {
		c.link.report(CodeUnexpected, c.def.Name+": a line came after a reading that nobody asked for; the reading may be another's. "+
			"Check that nobody else talks to the card, and that its firmware answers every question once")
	}
}

func (c *conn) askOnce(ctx context.Context, s *session, message string, took time.Duration) (string, error) {
	if err := ctx.Err(); err != nil {
		return "", err
	}
	within := c.patience(len(message))
	if s.most > 0 {
		within = min(within, s.most)
	}
	within += took
	s.spoke.Store(time.Now().UnixNano())
	answer, err := s.line.Ask(ctx, message, within)
	if err == nil {
		s.read.Store(false)
	}
	s.spoke.Store(time.Now().UnixNano())
	if err == nil || ctx.Err() != nil || errors.Is(err, wire.ErrCut) {
		return answer, err
	}
	return "", c.trouble(err, message, within)
}

// patience returns the time limit of an answer beside the card's own time.
func (c *conn) patience(bytes int) time.Duration {
	return c.timeout + c.perByte*time.Duration(bytes+answerBytes)
}

// confirm sends settings, if there are any, and waits until the card says that
// they were carried out.
func (c *conn) confirm(ctx context.Context, s *session, message string, took time.Duration) error {
	text := c.say.Confirm
	if message != "" {
		text = message + "\n" + text
	}
	answer, err := c.ask(ctx, s, text, took)
	if err != nil {
		return err
	}
	bits, err := c.integer(answer, math.MaxUint8, c.say.Confirm)
	switch {
	case err != nil:
		return err
	case bits&eventPowerOn != 0:
		err := c.restarted()
		c.drop(s, err)
		return err
	case bits&eventErrors == 0:
		return nil
	}
	said, err := c.drain(ctx, s)
	if err != nil {
		return err
	}
	return c.reported(said, message)
}

// drain empties the card's error queue.
func (c *conn) drain(ctx context.Context, s *session) (CardErrors, error) {
	var said CardErrors
	for range maxErrors {
		answer, err := c.ask(ctx, s, c.say.Error, settingTime)
		if err != nil {
			return said, err
		}
		one, err := scpi.ParseError(answer)
		if err != nil {
			return said, c.senseless(answer, c.say.Error)
		}
		if one.Code == scpi.NoError {
			return said, nil
		}
		said = append(said, one)
	}
	return said, c.fault(ErrAnswer, fmt.Sprintf("its error queue does not become empty: %v", said), "The firmware must take an entry out of the queue when it is read")
}

// collect fetches the card's errors: all that is in its error queue, whose
// bits in the event register it clears.
func (c *conn) collect(ctx context.Context, s *session) (CardErrors, error) {
	err := c.confirm(ctx, s, "", settingTime)
	var said CardErrors
	if err != nil && !errors.As(err, &said) {
		return nil, err
	}
	more, err := c.drain(ctx, s) // the bits may have been in an answer that was lost
	return append(said, more...), err
}

// integer reads a whole number from 0 to most.
func (c *conn) integer(answer string, most int, asked string) (int, error) {
	x, err := scpi.ParseNumber(answer)
	if err != nil || x != math.Trunc(x) || x < 0 || x > float64(most) {
		return 0, c.senseless(answer, asked)
	}
	return int(x), nil
}

// regain resynchronises the line, and then compares what is known of the card
// with what it says.
func (c *conn) regain(ctx context.Context, s *session) error {
	was := s.mending
	s.mending = true
	defer func() { s.mending = was }()
	c.note("bringing questions and answers into step again: %v", s.line.Reason())
	within := safeTime + c.patience(0)
	if err := s.line.Resync(ctx, within); err != nil {
		if ctx.Err() != nil || errors.Is(err, wire.ErrCut) {
			return err
		}
		err = c.trouble(err, "the question for a pair of numbers", within)
		c.drop(s, err)
		return err
	}
	return c.verify(ctx, s)
}

// verify compares what is known of the card with what it says: it has not
// restarted, reports nothing but what spoilt bytes explain, and its outputs and
// paths are as they were set. Levels come back with readings.
func (c *conn) verify(ctx context.Context, s *session) error {
	said, err := c.collect(ctx, s)
	if err != nil {
		return err
	}
	if len(said) > 0 {
		if !said.ofTheLine() {
			return c.reported(said, "")
		}
		c.note("%v: a message was spoilt on its way", said)
	}
	if !c.owns(s) {
		return nil
	}
	return c.compare(ctx, s)
}

func (c *conn) owns(s *session) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return s.owned
}

// compare asks for the outputs and paths and compares them with what is known.
func (c *conn) compare(ctx context.Context, s *session) error {
	for k := range len(s.channels) + 1 {
		if err := c.compareOne(ctx, s, k); err != nil {
			return err
		}
	}
	return nil
}

// compareOne compares one output, or after the last of them the paths.
func (c *conn) compareOne(ctx context.Context, s *session, k int) error {
	if k == len(s.channels) {
		return c.comparePaths(ctx, s)
	}
	ch := &s.channels[k]
	on, err := c.outputOn(ctx, s, ch)
	if err != nil || on == ch.on {
		return err
	}
	return c.changedBy(fmt.Errorf("%w: the output of channel %s is %s, and should be %s", ErrState, ch.def.Name, onOff(on), onOff(ch.on)), nil)
}

func (c *conn) comparePaths(ctx context.Context, s *session) error {
	closed, asked, err := c.closedPaths(ctx, s)
	if err != nil || !asked {
		return err
	}
	for i := range c.layout.paths {
		p := &c.layout.paths[i]
		if closed[p.item] != s.closed[p.id] {
			return c.changedBy(fmt.Errorf("%w: path %s is %s, and should be %s", ErrState, p.text, openClosed(closed[p.item]), openClosed(s.closed[p.id])), nil)
		}
	}
	return nil
}

func openClosed(closed bool) string {
	if closed {
		return "closed"
	}
	return "open"
}

// outputOn asks whether an output is on.
func (c *conn) outputOn(ctx context.Context, s *session, ch *channel) (bool, error) {
	message, err := c.say.ofChannel("outputState", c.say.OutputState, ch.number)
	if err != nil {
		return false, err
	}
	answer, err := c.ask(ctx, s, message, settingTime)
	if err != nil {
		return false, err
	}
	on, err := c.integer(answer, 1, message)
	return on == 1, err
}

// closedPaths asks which paths are closed; asked is false where the card cannot
// be asked.
func (c *conn) closedPaths(ctx context.Context, s *session) (closed map[scpi.Item]bool, asked bool, err error) {
	if c.say.ClosedPaths == bench.None {
		return nil, false, nil
	}
	answer, err := c.ask(ctx, s, c.say.ClosedPaths, settingTime)
	if err != nil {
		return nil, true, err
	}
	items, err := scpi.ParseChannelList(nil, answer)
	if err != nil {
		return nil, true, c.senseless(answer, c.say.ClosedPaths)
	}
	closed = map[scpi.Item]bool{}
	for _, item := range items {
		closed[item] = true
	}
	return closed, true, nil
}
