package liverun

import (
	"context"
	"log/slog"
	"maps"
	"sync"
	"time"

	"ohmkeep/server/live"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

const (
	// Tick is the interval between two drawings of what changed: one for all
	// viewers.
	Tick = time.Second / 15
	// keepAfter is the time that a finished run's stream stays for pages that
	// come back late; after that they are told to load the permanent page.
	keepAfter = time.Minute
)

// Runs is the register of live runs, and the Observer of the stations. What it
// shows has been committed before it is told.
type Runs struct {
	hub    *live.Hub
	store  *store.Store
	log    *slog.Logger
	screen func(run string) Screen // nil: nothing is drawn

	loops sync.WaitGroup
	mu    sync.Mutex
	m     map[string]*liveRun
	// making are the pictures that somebody gathers from the store, by run and
	// measurement; each is closed at its end.
	making map[string]chan struct{}
}

// New makes the register of live runs, streamed by hub. Long pictures are kept
// in the store, where the readings are too; with none, nowhere.
func New(hub *live.Hub, s *store.Store, log *slog.Logger) *Runs {
	return &Runs{hub: hub, store: s, log: log, m: map[string]*liveRun{}, making: map[string]chan struct{}{}}
}

// DrawOn sets what renders each run. It is called once, before any run begins.
func (rs *Runs) DrawOn(screen func(run string) Screen) { rs.screen = screen }

// Topic and SharedTopic name the streams of a run: for those who are signed in,
// and for those with a share link, whose page has no buttons.
func Topic(id string) string       { return "run/" + id }
func SharedTopic(id string) string { return "shared/" + id }

// Open begins to show a run. It must be called before the run can be observed.
func (rs *Runs) Open(rec *procedure.Record) {
	b := newLiveRun(rec, rs.hub.Open(Topic(rec.ID)), rs.log)
	if rs.screen != nil {
		b.screen = rs.screen(rec.ID)
	}
	rs.mu.Lock()
	rs.m[rec.ID] = b
	rs.mu.Unlock()
	b.draw(false)
	rs.loops.Add(1)
	go func() {
		defer rs.loops.Done()
		b.loop(func() { rs.keepPictures(b) })
		time.AfterFunc(keepAfter, func() { rs.forget(rec.ID) })
	}()
}

// Discard removes a run that was opened and never began.
func (rs *Runs) Discard(id string) {
	if b := rs.find(id); b != nil {
		b.finish()
		rs.forget(id)
	}
}

func (rs *Runs) forget(id string) {
	rs.mu.Lock()
	delete(rs.m, id)
	rs.mu.Unlock()
	rs.hub.Drop(Topic(id))
	rs.hub.Drop(SharedTopic(id))
}

// Wait waits until the last part of every run that has ended is drawn, or the
// context ends. It is called once no run can start any more, before the store
// is closed.
func (rs *Runs) Wait(ctx context.Context) error {
	drawn := make(chan struct{})
	go func() {
		rs.loops.Wait()
		close(drawn)
	}()
	select {
	case <-drawn:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// BenchChanged marks the bench's state as changed on every live page.
func (rs *Runs) BenchChanged(run.Snapshot) {
	rs.mu.Lock()
	defer rs.mu.Unlock()
	for _, b := range rs.m {
		b.head.Store(true)
	}
}

// Share starts the stream for those with a share link, where it has not
// started yet.
func (rs *Runs) Share(id string) {
	b := rs.find(id)
	if b == nil {
		return
	}
	b.mu.Lock()
	if b.shared == nil {
		b.shared = rs.hub.Open(SharedTopic(id))
		b.touchAll()
	}
	b.mu.Unlock()
	b.draw(false)
}

func (rs *Runs) find(id string) *liveRun {
	rs.mu.Lock()
	defer rs.mu.Unlock()
	return rs.m[id]
}

// Observe implements run.Observer.
func (rs *Runs) Observe(u run.Update) {
	if b := rs.find(u.Run); b != nil {
		b.observe(u)
	}
}

// Snapshot returns the state of a run as of now, at work or ended a short
// while ago; ok is false for any other. m is the measurement whose picture it
// has; m < 0 follows the one at work.
func (rs *Runs) Snapshot(id string, m int) (s *Snapshot, ok bool) {
	b := rs.find(id)
	if b == nil {
		return nil, false
	}
	return b.snapshot(m), true
}

// Progress returns the progress of a run; ok is false where it is not known.
func (rs *Runs) Progress(id string) (at run.Progress, ok bool) {
	b := rs.find(id)
	if b == nil {
		return at, false
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.at, true
}

// loop draws once a tick until the run has ended, and then once more. Keep is
// called after each drawing.
func (b *liveRun) loop(keep func()) {
	t := time.NewTicker(Tick)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			b.protect("drawing", func() { b.draw(false) })
			b.protect("picture", keep)
		case <-b.done:
			b.protect("drawing", func() { b.draw(true) })
			b.protect("picture", keep)
			return
		}
	}
}

// draw publishes what has changed since the last time; the last time, as the
// end of both streams.
func (b *liveRun) draw(last bool) {
	b.draws.Lock()
	defer b.draws.Unlock()
	s, changed, sharing := b.takeChanges()
	parts, shared := b.render(s, changed, false), map[string]string(nil)
	if sharing {
		shared = b.render(s, changed, true)
	}
	send := (*live.Topic).Publish
	if last {
		send = (*live.Topic).End
	}
	send(b.topic, parts)
	if sharing {
		send(b.shared, shared)
	}
}

// render draws what has changed, for one of the two streams, on the snapshot
// alone: the run goes on meanwhile. A screen that panics loses this drawing and
// nothing else.
func (b *liveRun) render(s *Snapshot, changed []Part, shared bool) map[string]string {
	parts := map[string]string{}
	if b.screen == nil {
		return parts
	}
	b.protect("drawing", func() {
		if s != nil {
			maps.Copy(parts, b.screen.Draw(s, changed, shared))
		}
	})
	if shared || !b.head.Swap(false) {
		return parts
	}
	b.protect("head", func() { maps.Copy(parts, b.screen.Head()) })
	return parts
}

// protect logs the first panic of each kind, and goes on.
func (b *liveRun) protect(what string, f func()) {
	err := live.Protected(func() error { f(); return nil })
	if err != nil && !b.told[what] {
		b.told[what] = true
		b.log.Error("run not drawn", "run", b.rec.ID, "what", what, "err", err)
	}
}
