package card

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

const (
	// firstPause and lastPause are the shortest and the longest pause between
	// attempts to connect: the pause doubles with each attempt.
	firstPause = 100 * time.Millisecond
	lastPause  = 5 * time.Second
	// steady is the time after which a connection counts as stable, and the pauses
	// begin anew.
	steady = 5 * time.Second
	// idleEvery is the interval of questions to an idle card, so that it is
	// noticed when it is gone.
	idleEvery = time.Second
)

// conn is one connection of the bench.
type conn struct {
	link    *Link
	def     *bench.Connection
	layout  layout
	say     dialect
	dial    wire.Dialer
	timeout time.Duration
	perByte time.Duration // on the line

	use   chan struct{} // holds a token while somebody talks to the card
	hurry chan struct{} // an attempt is wanted now
	tried chan struct{} // closed after the first attempt

	mu      sync.Mutex
	current *session                // nil while it is not ready
	cut     context.CancelCauseFunc // of the call at work
	health  cardinfo.Health
	moved   chan struct{} // closed, and made anew, when current changes
	serial  string        // of the only card that is accepted; "" before the first
	counts  struct{ exchanges, late, garbled uint64 }
}

// session is the time from when a card was found ready to when it is lost.
type session struct {
	line   *wire.Line
	stream io.Writer // what the line writes to
	began  time.Time
	who    identity
	// owned is true once the bench was made safe with this session. It is
	// guarded by the connection's mu.
	owned bool
	live  atomic.Bool  // an output may be on, or a path closed
	read  atomic.Bool  // the last answer was taken for a reading
	spoke atomic.Int64 // when something was said last, ns since 1970

	// Only who has the use of the connection touches these.
	channels []channel
	closed   map[bench.PathID]bool
	room     []string      // for the values of an answer
	asked    time.Time     // when readings that tell no state were last followed by an enquiry
	looked   int           // counts what the keep-alive has compared
	byHand   bool          // opened for one exchange by hand, which closes it
	mending  bool          // who talks to the card sees to the line's step itself
	most     time.Duration // that is waited beside the card's own time; 0: no bound
}

func (l *Link) newConn(def *bench.Connection) (*conn, error) {
	lay, err := layoutOf(&l.def, def)
	if err != nil {
		return nil, err
	}
	address, err := bench.ParseAddress(def.Address)
	if err != nil {
		return nil, fmt.Errorf("card: the address of %s: %w", def.Name, err)
	}
	c := &conn{
		link: l, def: def, layout: lay, say: newDialect(def.Commands, l.def.LineHz),
		timeout: seconds(def.Timeout), serial: def.Serial,
		use: make(chan struct{}, 1), hurry: make(chan struct{}, 1), tried: make(chan struct{}), moved: make(chan struct{}),
		health: cardinfo.Health{Connection: def.Name, Address: def.Address, Condition: cardinfo.Connecting, Since: time.Now()},
	}
	if l.cfg.Dial != nil {
		c.dial = l.cfg.Dial(*def)
	} else {
		c.dial = wire.DialerOf(address)
	}
	if address.Baud > 0 {
		c.perByte = 10 * time.Second / time.Duration(address.Baud)
	}
	return c, nil
}

func (c *conn) newSession(line *wire.Line, stream io.Writer) *session {
	s := &session{line: line, stream: stream, asked: time.Now(), closed: map[bench.PathID]bool{}}
	for _, ch := range c.layout.channels {
		s.channels = append(s.channels, channel{def: ch, number: ch.NumberOf()})
	}
	s.forget()
	return s
}

// forget resets what is known of a card that has confirmed that it is safe.
func (s *session) forget() {
	for i := range s.channels {
		s.channels[i].forget()
	}
	clear(s.closed)
	s.live.Store(false)
}

// stillLive computes whether anything is on or closed, from what is known.
func (s *session) stillLive() {
	on := len(s.closed) > 0
	for i := range s.channels {
		on = on || s.channels[i].on
	}
	s.live.Store(on)
}

// session returns the current session, nil where the connection is not ready.
func (c *conn) session() *session {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.current
}

// work connects, watches, and connects again, until the context ends.
func (c *conn) work(ctx context.Context) {
	pause := time.Duration(0)
	for first := true; ; first = false {
		if !c.wait(ctx, pause) {
			return
		}
		s, err := c.attempt(ctx)
		if first {
			close(c.tried)
		}
		if err == nil {
			if c.link.cfg.Ready != nil && c.link.allReady() {
				c.link.wg.Go(c.link.cfg.Ready)
			}
			c.watch(ctx, s)
			if time.Since(s.began) >= steady {
				pause = 0
				continue
			}
		}
		if ctx.Err() != nil {
			return
		}
		pause = min(max(2*pause, firstPause), lastPause)
	}
}

// wait waits before an attempt, and reports whether to go on. A pause is spread
// by a fifth, so that several hosts do not come at the same moments.
func (c *conn) wait(ctx context.Context, pause time.Duration) bool {
	if pause > 0 {
		t := time.NewTimer(time.Duration(float64(pause) * (0.8 + 0.4*rand.Float64())))
		defer t.Stop()
		select {
		case <-t.C:
		case <-c.hurry:
		case <-ctx.Done():
		}
	}
	return ctx.Err() == nil
}

// attempt tries once to get the card ready.
func (c *conn) attempt(ctx context.Context) (*session, error) {
	if err := c.take(ctx); err != nil {
		return nil, err
	}
	defer c.give()
	s, err := c.connect(ctx)
	c.link.joining.Lock()
	defer c.link.joining.Unlock()
	if err == nil {
		if err = c.fits(s); err != nil {
			_ = s.line.Close()
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	h := &c.health
	h.Tries++
	if err != nil {
		if ctx.Err() == nil {
			c.refused(err)
		}
		return nil, err
	}
	s.began = time.Now()
	c.current, c.serial = s, s.who.serial
	h.Condition, h.Since, h.Reason, h.Remedy = cardinfo.Ready, s.began, "", ""
	h.Model, h.Serial, h.Version, h.Tries = s.who.model, s.who.serial, s.who.version, 0
	c.changed()
	c.link.log.Info("card ready", "connection", c.def.Name, "model", s.who.model, "serial", s.who.serial)
	return s, nil
}

// refused notes why an attempt came to nothing. c.mu is held.
func (c *conn) refused(err error) {
	h := &c.health
	now := cardinfo.Connecting
	switch {
	case errors.Is(err, ErrRefused):
		now = cardinfo.Refused
	case h.Model != "":
		now = cardinfo.Lost
	}
	reason, remedy := c.explain(err)
	if h.Condition != now {
		h.Condition, h.Since = now, time.Now()
	}
	if h.Reason != reason {
		c.link.log.Warn("card", "connection", c.def.Name, "reason", reason)
	}
	h.Reason, h.Remedy = reason, remedy
}

// changed wakes whoever waits for another session.
func (c *conn) changed() {
	close(c.moved)
	c.moved = make(chan struct{})
}

// drop ends a session for a reason. Only the first reason counts.
func (c *conn) drop(s *session, why error) {
	c.mu.Lock()
	if c.current == s {
		c.current = nil
		reason, remedy := c.explain(why)
		h := &c.health
		h.Condition, h.Since, h.Reason, h.Remedy = cardinfo.Lost, time.Now(), reason, remedy
		exchanges, late, garbled := s.line.Counts()
		c.counts.exchanges += exchanges
		c.counts.late += late
		c.counts.garbled += garbled
		if s.live.Load() {
			c.link.report(codeOf(why), c.def.Name+": "+reason)
		}
		c.changed()
		c.mu.Unlock()
		c.note("lost: %s", reason)
	} else {
		c.mu.Unlock()
	}
	if !s.byHand {
		_ = s.line.Close()
	}
}

// standing is the connection's condition for screens, with reason and remedy.
func (c *conn) standing() cardinfo.Health {
	c.mu.Lock()
	defer c.mu.Unlock()
	h := c.health
	h.Exchanges, h.Late, h.Garbled = c.counts.exchanges, c.counts.late, c.counts.garbled
	if c.current != nil {
		exchanges, late, garbled := c.current.line.Counts()
		h.Exchanges, h.Late, h.Garbled = h.Exchanges+exchanges, h.Late+late, h.Garbled+garbled
	}
	return h
}

// countGarbled counts an answer that came in time and made no sense.
func (c *conn) countGarbled() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.counts.garbled++
}

// take acquires the connection for one exchange; give releases it.
func (c *conn) take(ctx context.Context) error {
	select {
	case c.use <- struct{}{}:
		return nil
	default:
	}
	select {
	case c.use <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (c *conn) give() { <-c.use }
