package card

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
)

const (
	// dialTime is the time limit of opening a connection.
	dialTime = 2 * time.Second
	// startTime is the time limit of a card's first answer after its
	// connection was opened: opening a serial device restarts many of them.
	startTime = 3 * time.Second
)

// rehearsing is the prefix of the model name of a card that only rehearses.
const rehearsing = "Rehearsal"

// identity is the name that a card gives itself: the four fields of its answer
// to *IDN?.
type identity struct{ maker, model, serial, version string }

func (i identity) rehearsal() bool { return strings.HasPrefix(i.model, rehearsing) }

// open opens the connection.
func (c *conn) open(ctx context.Context) (*session, error) {
	dialling, cancel := context.WithTimeout(ctx, dialTime)
	defer cancel()
	stream, err := c.dial(dialling)
	if err != nil {
		return nil, c.unreachable(err)
	}
	return c.newSession(wire.NewLine(stream, wire.Options{
		Connection: c.def.Name, Log: c.link.traffic, Echo: c.def.Echo, Timeout: safeTime + c.patience(0),
	}), stream), nil
}

// connect opens the connection and gets the card ready: it must say who it is,
// confirm that it is safe, and be reset.
func (c *conn) connect(ctx context.Context) (*session, error) {
	s, err := c.open(ctx)
	if err != nil {
		return nil, err
	}
	s.mending = true // here nothing is to be compared
	if err := c.greet(ctx, s); err != nil {
		_ = s.line.Close()
		return nil, err
	}
	s.mending = false
	return s, nil
}

func (c *conn) greet(ctx context.Context, s *session) error {
	within := startTime + c.patience(0)
	if err := s.line.Resync(ctx, within); err != nil {
		return c.silent(err, within)
	}
	who, err := c.askWho(ctx, s)
	if err != nil {
		return err
	}
	if err := c.expected(who); err != nil {
		return err
	}
	s.who = who
	// What happened before is not this session's: power came on, somebody
	// else's mistakes.
	if _, err := c.ask(ctx, s, c.say.Confirm, settingTime); err != nil {
		return err
	}
	if said, err := c.drain(ctx, s); err != nil {
		return err
	} else if len(said) > 0 {
		c.note("from before: %v", said)
	}
	if err := c.confirm(ctx, s, c.say.Safe, c.safeTime()); err != nil {
		return err
	}
	if err := c.atRest(ctx, s); err != nil {
		return err
	}
	if err := c.confirm(ctx, s, c.say.Reset, c.safeTime()); err != nil {
		return err
	}
	_, err = c.drain(ctx, s)
	return err
}

// safeTime is the time limit of a card for making itself safe.
func (c *conn) safeTime() time.Duration { return safeTime + seconds(c.link.def.SwitchTime) }

// askWho asks a card who it is.
func (c *conn) askWho(ctx context.Context, s *session) (identity, error) {
	answer, err := c.ask(ctx, s, c.say.Identify, settingTime)
	if err != nil {
		return identity{}, err
	}
	parts := strings.Split(answer, ",")
	if len(parts) != 4 {
		return identity{}, c.fault(ErrRefused, fmt.Sprintf("it says that it is %s, and not who made it, its model, serial number and version", shown(answer)),
			"Check that the address is that of a card, or the firmware's answer to "+c.say.Identify)
	}
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	return identity{parts[0], parts[1], parts[2], parts[3]}, nil
}

// expected returns the reason why a card is not the one that is expected, or
// nil.
func (c *conn) expected(who identity) error {
	c.mu.Lock()
	want := c.serial
	c.mu.Unlock()
	if want == "" || want == who.serial {
		return nil
	}
	why := "the bench's definition names it"
	if c.def.Serial == "" {
		why = "it was there when the bench was put in use"
	}
	return c.fault(ErrRefused, fmt.Sprintf("the card with serial number %s answers; %s is expected: %s", who.serial, want, why),
		"Connect the right card, or correct the connection and put the bench in use again")
}

// fits returns the reason why a card cannot belong to the same bench as those
// that are ready, or nil.
func (c *conn) fits(s *session) error {
	for _, other := range c.link.conns {
		o := other.session()
		if other == c || o == nil || o.who.rehearsal() == s.who.rehearsal() {
			continue
		}
		is, not := "rehearses", "measures"
		if o.who.rehearsal() {
			is, not = not, is
		}
		return c.fault(ErrRefused, fmt.Sprintf("this card %s, and that of %s %s", is, other.def.Name, not),
			"A bench is made of real cards, or of cards that rehearse; not of both")
	}
	return nil
}

// atRest asks a card whether all outputs are off and all paths open.
func (c *conn) atRest(ctx context.Context, s *session) error {
	for i := range s.channels {
		ch := &s.channels[i]
		on, err := c.outputOn(ctx, s, ch)
		if err != nil {
			return err
		}
		if on {
			return c.fault(ErrState, "the output of channel "+ch.def.Name+" is still on after the card was made safe", "Check the bench: switch off its power before touching anything")
		}
	}
	closed, asked, err := c.closedPaths(ctx, s)
	if err != nil {
		return err
	}
	if !asked && len(c.layout.paths) > 0 {
		return c.fault(ErrState, "nobody knows whether its paths are open: it cannot be asked which paths are closed", "Give the connection a command that asks which paths are closed")
	}
	for item := range closed {
		return c.fault(ErrState, fmt.Sprintf("path %d!%d is still closed after the card was made safe", item.A, item.B), "Check the bench: switch off its power before touching anything")
	}
	return nil
}

// Identify asks every card who it is.
func (l *Link) Identify(ctx context.Context) (bench.Identity, error) {
	began := l.safes.Load()
	said := make([]identity, len(l.conns))
	err := l.each(l.conns, func(i int, c *conn) error {
		var err error
		said[i], err = c.identify(ctx, began)
		return err
	})
	if err != nil {
		return bench.Identity{}, err
	}
	var id bench.Identity
	var names, serials, versions []string
	rehearsing := 0
	for _, who := range said {
		names = append(names, strings.TrimSpace(who.maker+" "+who.model))
		serials, versions = append(serials, who.serial), append(versions, who.version)
		if who.rehearsal() {
			rehearsing++
		}
	}
	if rehearsing > 0 && rehearsing < len(said) {
		return id, fmt.Errorf("card: %w: some cards of the bench rehearse and others measure", ErrRefused)
	}
	return bench.Identity{
		Name: joined(names), Serial: strings.Join(serials, " + "), Version: joined(versions), Rehearsal: rehearsing > 0,
	}, nil
}

// joined is one word where all are the same, and all of them otherwise.
func joined(words []string) string {
	for _, w := range words {
		if w != words[0] {
			return strings.Join(words, " + ")
		}
	}
	return words[0]
}

// identify asks one card who it is, which must be who it was.
func (c *conn) identify(ctx context.Context, began int64) (who identity, err error) {
	if err := c.take(ctx); err != nil {
		return who, err
	}
	defer c.give()
	c.mu.Lock()
	s := c.current
	if s == nil {
		err = c.down()
	}
	c.mu.Unlock()
	if err != nil {
		return who, err
	}
	err = c.exclusively(ctx, s, began, func(ctx context.Context) error {
		who, err = c.askWho(ctx, s)
		if isOfTheLine(err) && ctx.Err() == nil {
			if err = c.regain(ctx, s); err == nil {
				who, err = c.askWho(ctx, s)
			}
		}
		return err
	})
	if err == nil && who != s.who {
		err = c.fault(ErrRefused, fmt.Sprintf("it was %v and says now that it is %v", s.who, who), "Connect the right card")
	}
	if errors.Is(err, ErrRefused) {
		c.drop(s, err)
	}
	return who, err
}
