package lab

import (
	"context"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// Times of control, where nobody says otherwise.
const (
	ControlIdle = 15 * time.Minute // after which a holder who does nothing loses control
	ControlGone = 2 * time.Minute  // after which one without an open page does
	controlWarn = 2 * time.Minute  // before it lapses everybody sees that it will
	controlLook = time.Second      // between two looks at it
)

// claim is what is known of the control of a bench beside who holds it: who
// asks for it, and what its holder last did. The zero claim is ready.
type claim struct {
	mu     sync.Mutex
	holder string // session that the rest is about
	used   time.Time
	pages  map[string]int // open pages by session
	left   time.Time      // when the holder's last page was closed
	asked  Person         // the zero Person: nobody asks
}

// Control is who controls a bench, who asks for it, and when it lapses.
type Control struct {
	Holder  string
	Session string // of the holder; "" is nobody
	Asks    string // who asks for it; "" is nobody
	Asker   string // their session
	// Lapses is when it ends by itself, where that is near; zero: it is not.
	Lapses time.Time
	Why    string // it lapses
}

// of makes the claim that of a session. What was known of another is forgotten,
// but for a request that is still to be answered. The lock must be held.
func (c *claim) of(session string, now time.Time) {
	if c.holder == session {
		return
	}
	c.holder, c.used, c.left = session, now, time.Time{}
	if c.asked.Session == session {
		c.asked = Person{}
	}
}

// lapses is when control ends by itself, and why. The lock must be held.
func (c *claim) lapses(idle time.Duration) (at time.Time, why string) {
	at, why = c.used.Add(idle), "its holder does nothing"
	if c.left.IsZero() || c.pages[c.holder] > 0 {
		return at, why
	}
	since := c.left
	if c.used.After(since) {
		since = c.used
	}
	if gone := since.Add(ControlGone); gone.Before(at) {
		return gone, "its holder has no page open"
	}
	return at, why
}

func (l *Lab) controlIdle() time.Duration {
	if l.ControlIdle > 0 {
		return l.ControlIdle
	}
	return ControlIdle
}

// AtWork reports whether something goes on at the bench that its holder would
// not want to be interrupted: control never changes hands meanwhile.
func (b *Bench) AtWork() bool {
	return b.Station.Snapshot().Run != "" || b.ByHand() != ""
}

// Control returns who controls a bench, who asks, and whether it lapses soon.
func (l *Lab) Control(b *Bench) Control {
	now := b.Station.Snapshot()
	c := &b.claim
	c.mu.Lock()
	defer c.mu.Unlock()
	c.of(now.Session, l.Now())
	out := Control{Holder: now.Holder, Session: now.Session, Asks: c.asked.Name, Asker: c.asked.Session}
	if at, why := c.lapses(l.controlIdle()); now.Session != "" && !b.AtWork() && at.Sub(l.Now()) <= controlWarn {
		out.Lapses, out.Why = at, why
	}
	return out
}

// AskControl asks whoever holds control of a bench to hand it over. Where nobody
// holds it, whoever asks has it.
func (l *Lab) AskControl(ctx context.Context, b *Bench, who Person) error {
	now := b.Station.Snapshot()
	switch now.Session {
	case who.Session:
		return nil
	case "":
		return l.TakeControl(ctx, b, who)
	}
	c := &b.claim
	c.mu.Lock()
	c.of(now.Session, l.Now())
	other := c.asked
	if other.Session == "" {
		c.asked = who
	}
	c.mu.Unlock()
	switch other.Session {
	case who.Session:
		return nil
	case "":
		l.Note(ctx, who, "ask for control", b.Definition.Key, "of "+now.Holder)
		l.Live.BenchChanged(now)
		return nil
	}
	return problem.New(problem.Conflict, other.Name+" has asked already.")
}

// HandOver gives control to whoever has asked for it. Its holder does that, and
// not while a run is at work.
func (l *Lab) HandOver(ctx context.Context, b *Bench, who Person) error {
	if err := b.HoldsControl(who); err != nil {
		return err
	}
	if b.AtWork() {
		return problem.New(problem.Busy, "A run is at work on this bench: control changes hands when it has ended.")
	}
	asked := l.answered(b)
	if asked.Session == "" {
		return problem.New(problem.Conflict, "Nobody asks for control any more.")
	}
	return l.giveControl(ctx, b, who.Session, who, asked, "hand over control")
}

// giveControl gives control from the session that has it to somebody else, while
// nothing can start. By is who does it.
func (l *Lab) giveControl(ctx context.Context, b *Bench, from string, by, to Person, action string) error {
	err := b.whileHeld(from, func() error { return b.Station.TakeOver(to.Name, to.Session) })
	if err != nil {
		return err
	}
	b.confirmed.forget()
	l.Note(ctx, by, action, b.Definition.Key, "to "+to.Name)
	return nil
}

// whileHeld calls f while nothing is at work and the session has control.
func (b *Bench) whileHeld(session string, f func() error) error {
	return b.Station.WhileIdle(func() error {
		if b.Station.Snapshot().Session != session {
			return problem.New(problem.Conflict, "Control has changed hands meanwhile.")
		}
		return f()
	})
}

// answered takes the request for control off the bench and returns who asked.
func (l *Lab) answered(b *Bench) Person {
	c := &b.claim
	c.mu.Lock()
	defer c.mu.Unlock()
	asked := c.asked
	c.asked = Person{}
	return asked
}

// RefuseControl keeps control where somebody asks for it; whoever asks takes
// their request back by it.
func (l *Lab) RefuseControl(ctx context.Context, b *Bench, who Person) error {
	asker := l.Control(b).Asker
	if asker == "" || asker != who.Session {
		if err := b.HoldsControl(who); err != nil {
			return err
		}
	}
	if asked := l.answered(b); asked.Session != "" {
		l.Note(ctx, who, "refuse control", b.Definition.Key, "to "+asked.Name)
		l.Live.BenchChanged(b.Station.Snapshot())
	}
	return nil
}

// Acted notes that somebody did something: where they hold control it does not
// lapse for a while.
func (l *Lab) Acted(who Person) {
	for _, b := range l.Benches() {
		if c := &b.claim; b.Station.Snapshot().Session == who.Session && who.Session != "" {
			c.mu.Lock()
			c.of(who.Session, l.Now())
			c.used = l.Now()
			c.mu.Unlock()
		}
	}
}

// Present notes that somebody has a page open until left is called.
func (l *Lab) Present(who Person) (left func()) {
	var leave []func()
	for _, b := range l.Benches() {
		leave = append(leave, b.claim.present(who.Session, l.Now))
	}
	return func() {
		for _, f := range leave {
			f()
		}
	}
}

func (c *claim) present(session string, now func() time.Time) (left func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.pages == nil {
		c.pages = map[string]int{}
	}
	c.pages[session]++
	return sync.OnceFunc(func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		if c.pages[session]--; c.pages[session] > 0 {
			return
		}
		delete(c.pages, session)
		if c.holder == session {
			c.left = now()
		}
	})
}

// CheckControl ends control that has lapsed, or whose holder may not have it any
// more, and gives it to whoever asks for it. Never while a run is at work.
func (l *Lab) CheckControl(ctx context.Context) {
	for _, b := range l.Benches() {
		l.checkControl(ctx, b)
	}
}

func (l *Lab) checkControl(ctx context.Context, b *Bench) {
	held := b.Station.Snapshot()
	c := &b.claim
	c.mu.Lock()
	c.of(held.Session, l.Now())
	if b.AtWork() {
		c.used = l.Now() // what is at work keeps control, and a while after it
	}
	at, why := c.lapses(l.controlIdle())
	asked := c.asked
	c.mu.Unlock()
	if held.Session == "" || b.AtWork() {
		return
	}
	if asked.Session != "" && !l.stands(ctx, asked.Session) {
		l.answered(b)
		asked = Person{}
	}
	switch {
	case !l.stands(ctx, held.Session):
		why = "the access of its holder was taken back"
	case at.After(l.Now()):
		return
	}
	if err := b.whileHeld(held.Session, func() error { b.letGo(held.Session); return nil }); err != nil {
		return // a run has begun, or control was given up meanwhile
	}
	l.Log.Info("control lapsed", "bench", b.Definition.Key, "holder", held.Holder, "why", why)
	l.Note(ctx, Person{Name: held.Holder}, "control lapsed", b.Definition.Key, why)
	if asked.Session == "" {
		return
	}
	if err := l.TakeControl(ctx, b, asked); err != nil {
		l.Log.Info("control not taken by who had asked", "err", err)
	}
}

// stands reports whether a session may still hold control.
func (l *Lab) stands(ctx context.Context, session string) bool {
	return l.Stands == nil || strings.TrimSpace(session) == "" || l.Stands(ctx, session, store.Operator)
}

// WatchControl looks after the control of all benches until the context ends.
func (l *Lab) WatchControl(ctx context.Context) {
	tick := time.NewTicker(controlLook)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			l.CheckControl(ctx)
		case <-ctx.Done():
			return
		}
	}
}
