// Package lab is what people do at the benches, with its rules of safety: who
// may, what must be confirmed first, what keeps something from starting. Pages
// and API call the same actions and get the same refusals. It knows no HTTP.
package lab

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"ohmkeep/server/check"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// LiveRuns shows runs at work. What it shows has been committed before it is
// told.
type LiveRuns interface {
	// Open is called before a run can be observed.
	Open(rec *procedure.Record)
	// Discard is called for an opened run that never began.
	Discard(id string)
	// BenchChanged is called when a bench stands otherwise than before.
	BenchChanged(run.Snapshot)
}

// CarryOut carries a step of a bench check out, as check.Run does.
type CarryOut func(ctx context.Context, rig check.Rig, step check.Step) (check.StepResult, error)

// Config is what a lab works on.
type Config struct {
	Store *store.Store
	Live  LiveRuns
	Log   *slog.Logger
	Now   func() time.Time // nil is time.Now
	// ControlIdle is how long whoever holds control of a bench may do nothing; 0:
	// ControlIdle.
	ControlIdle time.Duration
	// Stands reports whether a session still gives that role; nil: always.
	Stands func(ctx context.Context, session string, role store.Role) bool
	// Protocol makes what tells what a message to a card does.
	Protocol func() Protocol
	// CarryOut carries a step of a bench check out; nil is check.Run.
	CarryOut CarryOut
	// CheckFresh is how long a step of a bench check speaks for the runs after it;
	// 0: standing.Fresh.
	CheckFresh time.Duration
	// Demo is the operator of the demonstration's runs, of which no check speaks.
	Demo string
	// Open puts another bench in use and gives up the one that was; nil where
	// there is only one. Where it fails it returns what had to step in, or nil
	// where nothing has changed.
	Open func(ctx context.Context, key string) (*Bench, error)
}

// Lab carries out what people ask for. Safe for concurrent use.
type Lab struct {
	Config
	inUse atomic.Pointer[Bench]
	// choosing is held while another bench is put in use, and while one is
	// deleted.
	choosing       sync.Mutex
	shareAddresses sync.Map // of links made since the start, string by id
}

// New makes a lab with one bench in use.
func New(cfg Config, first *Bench) *Lab {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	l := &Lab{Config: cfg}
	l.inUse.Store(first)
	return l
}

// InUse is the bench that pages without a bench in their address are about.
func (l *Lab) InUse() *Bench { return l.inUse.Load() }

// Benches are all benches in use.
func (l *Lab) Benches() []*Bench { return []*Bench{l.InUse()} }

// Bench returns the bench of a key, where it is in use.
func (l *Lab) Bench(key string) (*Bench, error) {
	b := l.InUse()
	if b.Definition.Key != key {
		return nil, problem.New(problem.Conflict, "This bench is not in use; "+b.Definition.Key+" is.")
	}
	return b, nil
}

// hold keeps anybody else from seating or starting something on a bench, or from
// talking to its cards, until release is called. Stopping and making safe never
// take it. It refuses a bench that is not in use any more: whoever
// asks looks at a page of before.
func (l *Lab) hold(b *Bench) (release func(), err error) {
	b.socket.Lock()
	if !slices.Contains(l.Benches(), b) {
		b.socket.Unlock()
		return nil, problem.New(problem.Conflict, b.Definition.Name+" is not in use any more.")
	}
	return b.socket.Unlock, nil
}

// Note writes a line into the log of who did what. A line that cannot be
// written is no reason to undo what was done.
func (l *Lab) Note(ctx context.Context, who Person, action, subject, detail string) {
	err := l.Store.Log(context.WithoutCancel(ctx), store.Event{By: who.Name, Action: action, Subject: subject, Detail: detail})
	if err != nil {
		l.Log.Error("event not logged", "action", action, "err", err)
	}
}
