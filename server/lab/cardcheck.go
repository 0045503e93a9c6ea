package lab

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/cardinfo"
	"ohmkeep/server/live"
	"ohmkeep/server/problem"
)

// Bounds of what is kept of a check.
const (
	KeptFindings  = 1000
	KeptEvents    = 40   // of one finding
	KeptEventsAll = 6000 // of all findings that passed
	checkingCards = "a check of the cards is at work"
)

// AllCards stands for every connection, one after the other.
const AllCards = ""

// What ends a check before its end: somebody stops it, or it panics.
var (
	errStopped    = errors.New("it was stopped")
	errCheckBroke = errors.New("it broke off by a fault of this program; the server’s log says where")
)

// CardCheck is a check of cards at work, or the last one.
type CardCheck struct {
	Running     bool
	By          string
	Started     time.Time // zero: none since the bench is in use
	Ended       time.Time
	Connections []string
	Findings    []CardFinding
	Dropped     int    // findings beyond what is kept
	Err         string // why it ended before its end
	// Turn counts the beginnings and ends of checks since the bench is in use.
	Turn uint64
}

// CardFinding is one point of a check; its events are the newest of it.
type CardFinding struct {
	cardinfo.Finding
	Connection string
}

// cardCheck is the state of the checks of one bench's cards.
type cardCheck struct {
	mu     sync.Mutex
	cancel context.CancelCauseFunc // nil where none is at work
	now    CardCheck
	events int    // in now
	change uint64 // counts what changed
}

// CardCheck is how the check of the cards stands, with a number that tells it
// from how it stood before.
func (b *Bench) CardCheck() (CardCheck, uint64) {
	c := &b.cardCheck
	c.mu.Lock()
	defer c.mu.Unlock()
	out := c.now
	out.Findings = slices.Clone(out.Findings)
	return out, c.change
}

func (c *cardCheck) found(connection string, f cardinfo.Finding) {
	f.Events = slices.Clone(f.Events[max(0, len(f.Events)-KeptEvents):])
	c.mu.Lock()
	defer c.mu.Unlock()
	c.change++
	if len(c.now.Findings) >= KeptFindings {
		c.now.Dropped++
		return
	}
	if c.events+len(f.Events) > KeptEventsAll && f.Verdict != cardinfo.Fail {
		f.Events = nil
	}
	c.events += len(f.Events)
	c.now.Findings = append(c.now.Findings, CardFinding{f, connection})
}

// stop ends a check at work and reports whether one was.
func (c *cardCheck) stop(why error) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cancel == nil {
		return false
	}
	c.cancel(why)
	return true
}

// CheckCards checks the cards of a connection, or AllCards, in the background,
// while nothing else runs. It holds the bench until the check has begun; from
// then on the station refuses whatever else would start.
func (l *Lab) CheckCards(ctx context.Context, b *Bench, who Person, connection string, confirm []string) error {
	if b.Cards == nil {
		return NoCards()
	}
	connections := []string{connection}
	if health := b.Cards.Health(); connection == AllCards {
		connections = nil
		for _, h := range health {
			connections = append(connections, h.Connection)
		}
	} else if !slices.ContainsFunc(health, func(h cardinfo.Health) bool { return h.Connection == connection }) {
		return problem.Field("connection", "choose a connection")
	}
	release, err := l.hold(b)
	if err != nil {
		return err
	}
	defer release()
	if _, err := l.Confirm(ctx, b, who, confirm, EmptySocket); err != nil {
		return err
	}
	if err := b.HoldsControl(who); err != nil {
		return err
	}
	if now, _ := b.CardCheck(); now.Running { // its end is being written down
		return problem.New(problem.Busy, problem.Sentence(checkingCards)+".")
	}
	work, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	begun, refused := make(chan struct{}), make(chan error, 1)
	go func() {
		defer cancel(nil)
		var why error
		err := b.Station.WhileIdle(func() error {
			why = l.goThrough(work, cancel, b, who, connections, func() { close(begun) })
			return nil
		})
		if err == nil { // the station is free again: only now may it be said that the check has ended
			b.cardCheck.end(l.Now(), why)
		}
		refused <- err
	}()
	select {
	case <-begun:
	case err := <-refused:
		if err != nil {
			return b.inTheWay(err)
		}
	}
	l.Note(ctx, who, "check cards", b.Definition.Key, connection)
	return nil
}

// end writes down that the check at work has ended, and why; nil: it went through.
func (c *cardCheck) end(at time.Time, why error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cancel, c.now.Running, c.now.Ended, c.now.Err = nil, false, at, errText(why)
	c.now.Turn++
	c.change++
}

// goThrough checks the connections, leaves the bench safe, and returns why it did
// not go through all. It is called while the station is idle.
func (l *Lab) goThrough(ctx context.Context, cancel context.CancelCauseFunc, b *Bench, who Person, connections []string, begun func()) error {
	c := &b.cardCheck
	c.mu.Lock()
	c.cancel, c.events = cancel, 0
	c.change++
	c.now = CardCheck{Running: true, By: who.Name, Started: l.Now(), Connections: connections, Turn: c.now.Turn + 1}
	c.mu.Unlock()
	b.byHand.set(checkingCards)
	begun()
	var err error
	for _, connection := range connections {
		err = l.checkCard(ctx, b, connection)
		if cause := context.Cause(ctx); cause != nil {
			err = cause
		}
		if err != nil {
			break
		}
	}
	if safe := b.Station.MakeSafe(context.WithoutCancel(ctx), who.Name); safe != nil {
		err = errors.Join(err, safe)
	}
	b.byHand.set("")
	return err
}

// checkCard goes through one connection. A panic ends the check and nothing
// else: outputs may be on, and what follows makes the bench safe.
func (l *Lab) checkCard(ctx context.Context, b *Bench, connection string) error {
	err := live.Protected(func() error {
		return b.Cards.Check(ctx, connection, func(f cardinfo.Finding) { b.cardCheck.found(connection, f) })
	})
	if panicked := (*live.PanicError)(nil); errors.As(err, &panicked) {
		l.Log.Error("check of cards broke off", "connection", connection, "err", err)
		return errCheckBroke
	}
	return err
}

// StopCardCheck ends a check of cards. Where none is at work, that is what was
// wanted.
func (l *Lab) StopCardCheck(ctx context.Context, b *Bench, who Person) error {
	if err := b.mayUse(who); err != nil {
		return err
	}
	if b.cardCheck.stop(errStopped) {
		l.Note(ctx, who, "stop check of cards", b.Definition.Key, "")
	}
	return nil
}
