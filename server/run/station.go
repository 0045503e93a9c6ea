package run

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

// Errors of a station that refuses a call.
var (
	ErrBusy    error = problem.New(problem.Busy, "a run is at work on this bench")
	ErrUnknown error = problem.New(problem.Conflict, "the state of the bench is unknown: check it, then make it safe")
	ErrHeld    error = problem.New(problem.Held, "someone else holds control of this bench")
	ErrClosed  error = problem.New(problem.Unavailable, "The server is stopping.")
)

// UnknownError is ErrUnknown with the reason why the state is unknown.
func UnknownError(reason string) error {
	return &problem.Error{Code: problem.Conflict, Message: ErrUnknown.Error() + " (" + reason + ")", Err: ErrUnknown}
}

// HeldError is the error of a call without control, with the name of the
// person who has it. It is ErrHeld.
type HeldError struct{ Name string }

func (e *HeldError) Error() string        { return e.Name + " holds control of this bench" }
func (e *HeldError) Is(target error) bool { return target == ErrHeld }

// ProblemCode implements problem.Coded.
func (e *HeldError) ProblemCode() problem.Code { return problem.Held }

// Snapshot is the state of a bench at one moment, with its run and who holds
// control.
type Snapshot struct {
	State  bench.State `json:"state"`
	Reason string      `json:"reason,omitempty"` // why it is unknown or at work
	Since  time.Time   `json:"since"`            // of this state, wall clock
	Run    string      `json:"run,omitempty"`    // at work now
	Work   string      `json:"work,omitempty"`   // at work now that is no run, in words
	Holder string      `json:"holder,omitempty"` // who holds control
	// Session is the holder's; it is not for anybody else's eyes.
	Session string `json:"-"`
}

// AtWork reports whether a run, or work that is none, is going on.
func (n *Snapshot) AtWork() bool { return n.Run != "" || n.Work != "" }

// Config is the parts that a station is made of.
type Config struct {
	Link     bench.Link
	Clock    bench.Clock
	Recorder Recorder // of runs that have none of their own
	Observer Observer
	Log      *slog.Logger
	Kinds    func(key string) (procedure.Kind, bool) // nil: procedure.KindByKey
	// Changed is called after every change of the snapshot, in order. It must
	// return at once and must not call the station.
	Changed func(Snapshot)
}

// Station is the one owner of a bench: who holds control of it, what runs on
// it, and what state it is in. Safe for concurrent use.
type Station struct {
	cfg Config

	mu      sync.Mutex
	now     Snapshot
	current *job
	idle    bool // false while WhileIdle is at work
	safing  int  // calls of MakeSafe at work
	closed  bool
}

// job is a run at work, or other work.
type job struct {
	cancel context.CancelCauseFunc
	done   chan struct{}
}

// NewStation takes charge of a bench and makes it safe. If that fails the
// station is there all the same, in unknown state.
func NewStation(ctx context.Context, cfg Config) *Station {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	s := &Station{cfg: cfg, idle: true}
	s.now = Snapshot{State: bench.Unknown, Reason: "not made safe yet", Since: time.Now()}
	if err := s.MakeSafe(ctx, "the server's start"); err != nil {
		cfg.Log.Error("making the bench safe at the start", "err", err)
	}
	return s
}

// Snapshot returns the state of the bench now.
func (s *Station) Snapshot() Snapshot {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// change alters the snapshot and tells of it. The lock must be held.
func (s *Station) change(f func(*Snapshot)) {
	before := s.now
	f(&s.now)
	if s.now.State != before.State {
		s.now.Since = time.Now()
	}
	if s.now != before && s.cfg.Changed != nil {
		s.cfg.Changed(s.now)
	}
}

// Take gives a person control. Whoever has it already keeps it. The error is
// a *HeldError where another session holds control.
func (s *Station) Take(name, session string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.now.Session != "" && s.now.Session != session {
		return &HeldError{s.now.Holder}
	}
	s.change(func(n *Snapshot) { n.Holder, n.Session = name, session })
	return nil
}

// TakeOver gives a person control, whoever has it.
func (s *Station) TakeOver(name, session string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.change(func(n *Snapshot) { n.Holder, n.Session = name, session })
	return nil
}

// Release gives control up, if the session has it.
func (s *Station) Release(session string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.now.Session == session {
		s.change(func(n *Snapshot) { n.Holder, n.Session = "", "" })
	}
}

// Start stores the head of a run, begins it and returns its ID.
func (s *Station) Start(rec *procedure.Record) (string, error) {
	return s.StartWith(rec, nil, nil)
}

// StartWith is Start with a recorder of the run's own, such as a Memory; nil is
// the station's. Begun, where it is not nil, is called once the start has
// succeeded and before the run sets, switches or reads anything.
func (s *Station) StartWith(rec *procedure.Record, to Recorder, begun func()) (string, error) {
	if to == nil {
		to = s.cfg.Recorder
	}
	own := *rec // the caller keeps its record
	if own.ID == "" {
		id, err := NewID()
		if err != nil {
			return "", err
		}
		own.ID = id
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	j := &job{cancel: cancel, done: make(chan struct{})}
	if err := s.engage(j, func(n *Snapshot) { n.Run = own.ID }); err != nil {
		cancel(nil)
		return "", err
	}
	r := &Runner{
		Link: s.cfg.Link, Clock: s.cfg.Clock, Recorder: to, Observer: s.cfg.Observer,
		Log: s.cfg.Log, Kinds: s.cfg.Kinds, State: s.setState,
	}
	work := r.session(&own)
	if err := work.begin(ctx); err != nil {
		s.disengage(j)
		return "", whyNotBegun(ctx, err)
	}
	if begun != nil {
		begun()
	}
	go func() {
		defer s.disengage(j)
		_, _ = work.run(ctx) // it logs and stores how it ended
	}()
	return own.ID, nil
}

// whyNotBegun is the error of a run whose head could not be stored: a conflict
// where somebody ended it meanwhile, which is no fault of the server.
func whyNotBegun(ctx context.Context, err error) error {
	var halt *Halt
	if !errors.As(context.Cause(ctx), &halt) {
		return err
	}
	return &problem.Error{Code: problem.Conflict, Message: "The run did not begin: " + halt.Reason + ".", Err: err}
}

// engage makes a run, or work that is none, the current one, if it may start
// now. Show puts it into the snapshot.
func (s *Station) engage(j *job, show func(*Snapshot)) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.ready(); err != nil {
		return err
	}
	s.current = j
	s.change(show)
	return nil
}

// disengage marks what is at work as over.
func (s *Station) disengage(j *job) {
	s.mu.Lock()
	s.current = nil
	s.change(func(n *Snapshot) { n.Run, n.Work = "", "" })
	s.mu.Unlock()
	j.cancel(nil)
	close(j.done)
}

// ready reports why nothing may start now. The lock must be held.
func (s *Station) ready() error {
	switch {
	case s.closed:
		return ErrClosed
	case s.current != nil || !s.idle || s.safing > 0:
		// A run that starts while the bench is being made safe could lose its
		// outputs between two calls without noticing.
		return s.busy()
	case s.now.State == bench.Unknown:
		return UnknownError(s.now.Reason)
	}
	return nil
}

// setState sets the state of the bench to the one that a run reports.
func (s *Station) setState(state bench.State, reason string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.change(func(n *Snapshot) { n.State, n.Reason = state, reason })
}

// Lost marks the state of the bench as unknown, because the link is gone or
// the bench is not as it was set, until the bench has been made safe again. A
// run at work is ended, and what can still be reached is made safe at once: it
// may be waiting, and other cards energised.
func (s *Station) Lost(reason string) {
	s.setState(bench.Unknown, reason)
	s.halt(&Halt{procedure.Interrupted, "the link to the bench was lost: " + reason})
}

// Stop ends the run at work, if there is one; the bench is made safe at once.
// It does not wait. Stopping twice is fine: the first reason stands.
func (s *Station) Stop(reason string) {
	s.halt(&Halt{procedure.Stopped, reason})
}

// StopRun is Stop for that run alone: a click that comes late does not end
// somebody else's. It reports whether the run was at work.
func (s *Station) StopRun(id, reason string) bool {
	s.mu.Lock()
	j := s.current
	if id == "" || s.now.Run != id { // work that is no run has no name
		j = nil
	}
	s.mu.Unlock()
	if j == nil {
		return false
	}
	j.cancel(&Halt{procedure.Stopped, reason})
	return true
}

// halt ends the run at work, if there is one, and returns it.
func (s *Station) halt(h *Halt) *job {
	s.mu.Lock()
	j := s.current
	s.mu.Unlock()
	if j != nil {
		j.cancel(h)
	}
	return j
}

// MakeSafe makes the bench safe, now, and ends the run at work. Anybody may,
// at any moment and any number of times; who is for the record. Where the
// state was unknown, success makes it known.
func (s *Station) MakeSafe(ctx context.Context, who string) error {
	s.mu.Lock()
	s.safing++
	s.mu.Unlock()
	j := s.halt(&Halt{procedure.Stopped, "made safe by " + who})
	err := makeSafe(ctx, s.cfg.Link)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.safing--
	switch {
	case err != nil:
		s.change(func(n *Snapshot) { n.State, n.Reason = bench.Unknown, err.Error() })
	case j == nil && s.current == nil:
		// A run that was at work has the last word on its own end.
		s.change(func(n *Snapshot) { n.State, n.Reason = bench.Safe, "" })
	}
	return err
}

// Wait waits until no run is at work, or the context ends.
func (s *Station) Wait(ctx context.Context) error {
	s.mu.Lock()
	j := s.current
	s.mu.Unlock()
	if j == nil {
		return nil
	}
	select {
	case <-j.done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// WhileIdle calls f while no run is at work and keeps any from starting until
// it returns: for what changes the bench itself, such as seating a unit.
func (s *Station) WhileIdle(f func() error) error {
	s.mu.Lock()
	if s.closed || s.current != nil || !s.idle {
		defer s.mu.Unlock()
		if s.closed {
			return ErrClosed
		}
		return s.busy()
	}
	s.idle = false
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		s.idle = true
		s.mu.Unlock()
	}()
	return f()
}

// Close ends the run at work as interrupted, waits for its end to be stored
// as long as the context lasts, and makes the bench safe. Nothing starts
// afterwards.
func (s *Station) Close(ctx context.Context) error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.halt(&Halt{procedure.Interrupted, "the server was stopped"})
	waited := s.Wait(ctx)
	return errors.Join(waited, s.MakeSafe(ctx, "the server's stop"))
}
