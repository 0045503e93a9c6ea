package routes

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"ohmkeep/server/live"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/web"
)

const (
	// tick is how often what changed is drawn and sent: once for all viewers.
	tick = time.Second / 15
	// keepAfter is how long a finished run's stream stays for pages that come
	// back late; after that they are told to load the permanent page.
	keepAfter = time.Minute
	// latestRows is how many readings the page lists.
	latestRows = 12
)

// Boards holds one board for each run at work and is the Observer of its
// station. What it shows has been committed before it is told.
type Boards struct {
	hub *live.Hub
	log *slog.Logger
	// brief is the bench as the head of every page shows it; set by New.
	brief func(context.Context) web.BenchBrief

	loops sync.WaitGroup
	mu    sync.Mutex
	m     map[string]*board
}

// Wait waits until the last part of every run that has ended is drawn, or the
// context ends. It is called once no run can start any more, before the store
// is closed.
func (bs *Boards) Wait(ctx context.Context) error {
	drawn := make(chan struct{})
	go func() {
		bs.loops.Wait()
		close(drawn)
	}()
	select {
	case <-drawn:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// BenchChanged has every live page show the bench's new state.
func (bs *Boards) BenchChanged(run.Snapshot) {
	bs.mu.Lock()
	defer bs.mu.Unlock()
	for _, b := range bs.m {
		b.changed.Store(true)
	}
}

// NewBoards makes the boards that draw into hub.
func NewBoards(hub *live.Hub, log *slog.Logger) *Boards {
	return &Boards{hub: hub, log: log, m: map[string]*board{}}
}

// runTopic and sharedTopic name the streams of a run: for those who are signed
// in, and for those with a share link, whose page has no buttons.
func runTopic(id string) string    { return "run/" + id }
func sharedTopic(id string) string { return "shared/" + id }

// Open starts the board of a run. It must be called before the run can be
// observed.
func (bs *Boards) Open(rec *procedure.Record) {
	b := newBoard(rec, bs.hub.Open(runTopic(rec.ID)), bs.log)
	b.brief = bs.brief
	bs.mu.Lock()
	bs.m[rec.ID] = b
	bs.mu.Unlock()
	b.draw()
	bs.loops.Add(1)
	go func() {
		defer bs.loops.Done()
		b.loop()
		time.AfterFunc(keepAfter, func() { bs.forget(rec.ID) })
	}()
}

// Discard ends the board of a run that never began.
func (bs *Boards) Discard(id string) {
	if b := bs.find(id); b != nil {
		b.finish()
		bs.forget(id)
	}
}

func (bs *Boards) forget(id string) {
	bs.mu.Lock()
	delete(bs.m, id)
	bs.mu.Unlock()
	bs.hub.Drop(runTopic(id))
	bs.hub.Drop(sharedTopic(id))
}

// Share starts the stream for those with a share link, where it has not
// started yet.
func (bs *Boards) share(id string) {
	b := bs.find(id)
	if b == nil {
		return
	}
	b.mu.Lock()
	if b.shared == nil {
		b.shared = bs.hub.Open(sharedTopic(id))
		b.touchAll()
	}
	b.mu.Unlock()
	b.draw()
}

func (bs *Boards) find(id string) *board {
	bs.mu.Lock()
	defer bs.mu.Unlock()
	return bs.m[id]
}

// Observe implements run.Observer.
func (bs *Boards) Observe(u run.Update) {
	if b := bs.find(u.Run); b != nil {
		b.observe(u)
	}
}
