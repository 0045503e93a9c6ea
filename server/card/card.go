// Package card is the link to real cards: a bench.Link over the connections of
// a bench's definition.
//
// Each connection has one goroutine that connects, and connects again with
// growing pauses, and speaks to the card when nobody else does. A card is used
// only after it has said who it is, has confirmed that its outputs are off and
// its paths open, and was reset. What it was set to is known only as long as
// the connection lasts: after that every call fails until the bench is made
// safe, so that nothing is ever set on a card that has forgotten the rest.
package card

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// logBytes is the memory of the log of all connections, in bytes.
const logBytes = 4 << 20

// Config is the configuration of a link that is to be opened.
type Config struct {
	Definition bench.Definition
	// Clock stamps samples and faults; nil is the real one. How long an answer
	// may take is always real time.
	Clock bench.Clock
	Log   *slog.Logger // may be nil
	// Dial finds the way to a card; nil: by its address.
	Dial func(bench.Connection) wire.Dialer
	// Lost is told when a connection that was ready is no more, and when a card
	// on which something was on is found not to be as it was set, or to have
	// reported an error, while nobody talked to it. Ready is told when all are
	// ready. They are called from goroutines of the link and may call it.
	// Either may be nil.
	Lost  func(reason string)
	Ready func()
}

// Link is a bench.Link to cards. Health, Recent, Say and Check may be called
// at any moment from any goroutine, as MakeSafe may.
type Link struct {
	cfg     Config
	def     bench.Definition
	clock   bench.Clock
	log     *slog.Logger
	traffic *wire.Log
	conns   []*conn
	of      map[bench.ChannelID]channelPlace
	paths   map[bench.PathID]int // index in the definition

	stop   context.CancelFunc
	wg     sync.WaitGroup
	safes  atomic.Int64  // counts the calls of MakeSafe
	safing atomic.Int64  // those at work
	safe   chan struct{} // holds a token while one is at work

	joining sync.Mutex // held while a card is compared with the others

	faultsMu sync.Mutex
	faults   []bench.Fault

	groups []group // of Read, used again
}

// channelPlace is the place of a channel: its connection, and its number
// there.
type channelPlace struct {
	conn  *conn
	index int // in its layout
}

var _ bench.Link = (*Link)(nil)

// Open begins to connect to the cards of a bench and returns at once. The
// error is about the definition.
func Open(cfg Config) (*Link, error) {
	if err := cfg.Definition.Validate(); err != nil {
		return nil, fmt.Errorf("card: bench: %w", err)
	}
	if len(cfg.Definition.Connections) == 0 {
		return nil, errors.New("card: the bench has no connections")
	}
	l := &Link{
		cfg: cfg, def: cfg.Definition, clock: cfg.Clock, log: cfg.Log,
		traffic: wire.NewLog(logBytes), of: map[bench.ChannelID]channelPlace{}, paths: map[bench.PathID]int{},
		safe: make(chan struct{}, 1),
	}
	if l.clock == nil {
		l.clock = bench.RealClock{}
	}
	if l.log == nil {
		l.log = slog.New(slog.DiscardHandler)
	}
	for i, p := range l.def.Paths {
		l.paths[p.ID] = i
	}
	for i := range l.def.Connections {
		c, err := l.newConn(&l.def.Connections[i])
		if err != nil {
			return nil, err
		}
		l.conns = append(l.conns, c)
		for k, ch := range c.layout.channels {
			l.of[ch.ID] = channelPlace{c, k}
		}
	}
	ctx, stop := context.WithCancel(context.Background())
	l.stop = stop
	for _, c := range l.conns {
		l.wg.Go(func() { c.work(ctx) })
	}
	return l, nil
}

// Disconnect ends all connections and waits until nothing of the link is at
// work any more. What is energised is made safe first, as far as the cards
// answer.
func (l *Link) Disconnect() error {
	var err error
	for _, c := range l.conns {
		if s := c.session(); s != nil && s.live.Load() {
			err = l.MakeSafe(context.Background())
			break
		}
	}
	l.stop()
	l.wg.Wait()
	return err
}

// Settled waits until every connection was tried once, whatever came of it.
func (l *Link) Settled(ctx context.Context) error {
	for _, c := range l.conns {
		select {
		case <-c.tried:
		case <-ctx.Done():
			return fmt.Errorf("card: waiting for %s: %w", c.def.Name, ctx.Err())
		}
	}
	return nil
}

// Health returns the state of each connection, in the definition's order.
func (l *Link) Health() []cardinfo.Health {
	out := make([]cardinfo.Health, 0, len(l.conns))
	for _, c := range l.conns {
		out = append(out, c.standing())
	}
	return out
}

// Recent returns the events of all connections after the one with that number,
// oldest first, at most the newest n.
func (l *Link) Recent(after uint64, n int) []cardinfo.Event { return l.traffic.Recent(after, n) }

// Faults returns and clears what has been noticed, without asking the cards.
func (l *Link) Faults(ctx context.Context) ([]bench.Fault, error) {
	for _, c := range l.conns {
		if s := c.session(); s != nil {
			c.suspect(s)
		}
	}
	l.faultsMu.Lock()
	defer l.faultsMu.Unlock()
	out := l.faults
	l.faults = nil
	return out, ctx.Err()
}

// clearFaults forgets what was noticed before the bench was made safe: whoever
// begins anew is not to be stopped by it. It is in the log.
func (l *Link) clearFaults() {
	l.faultsMu.Lock()
	defer l.faultsMu.Unlock()
	l.faults = nil
}

// named finds a connection by its name.
func (l *Link) named(name string) (*conn, error) {
	for _, c := range l.conns {
		if c.def.Name == name {
			return c, nil
		}
	}
	return nil, fmt.Errorf("card: there is no connection %q", name)
}

// channel finds a channel by its number.
func (l *Link) channel(id bench.ChannelID) (channelPlace, error) {
	a, known := l.of[id]
	if !known {
		return a, fmt.Errorf("card: there is no channel %d", id)
	}
	return a, nil
}

// allReady reports whether every connection is ready.
func (l *Link) allReady() bool {
	for _, c := range l.conns {
		if c.session() == nil {
			return false
		}
	}
	return true
}

// note adds words about a connection to the log of the wire.
func (c *conn) note(format string, args ...any) {
	words := fmt.Sprintf(format, args...)
	c.link.traffic.Add(c.def.Name, cardinfo.Note, []byte(words))
	c.link.log.Warn("card", "connection", c.def.Name, "note", words)
}

// seconds is a duration in seconds as a time.Duration.
func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
