package run

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/google/uuid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// Errors that the error of a run may wrap.
var (
	// ErrLost: the link failed, and the state of the outputs is unknown.
	ErrLost = errors.New("the link to the bench was lost")
	// ErrNotSafe: the bench could not be made safe.
	ErrNotSafe = errors.New("the bench could not be made safe")
)

const (
	safeWithin   = 5 * time.Second // one attempt at making safe
	safeAttempts = 3
	// safePatience is the time within which attempts at making safe are begun:
	// whoever asked waits for the answer, and a link has tried to come back by
	// itself.
	safePatience = 1500 * time.Millisecond
)

// Halt is the cause to cancel a run's context with: how it is to end, and why.
type Halt struct {
	Status procedure.Status
	Reason string
}

func (h *Halt) Error() string { return h.Reason }

// Runner executes procedures on one bench, one at a time.
type Runner struct {
	Link     bench.Link
	Clock    bench.Clock
	Recorder Recorder
	Observer Observer // may be nil
	Log      *slog.Logger
	// Kinds finds a kind of measurement; nil is procedure.KindByKey.
	Kinds func(key string) (procedure.Kind, bool)
	// State is told when the bench is about to be energised, and what it is
	// at the end. It may be nil, and must return at once.
	State func(s bench.State, reason string)
}

// NewID makes the identity of a run: a UUID of version 7 (RFC 9562), which
// sorts by time.
func NewID() (string, error) {
	id, err := uuid.NewV7()
	return id.String(), err
}

// Run executes all enabled measurements of the record's procedure. It fills in
// the record's ID, status and start where they are missing, and who the bench
// says it is. It returns only when the bench has been made safe and the ending
// is stored. To stop it, cancel ctx, with a *Halt as the cause to say why. The
// error is nil where the run was done or stopped; it wraps ErrLost or
// ErrNotSafe where the state of the bench is unknown.
func (r *Runner) Run(ctx context.Context, rec *procedure.Record) (procedure.Ending, error) {
	s := r.session(rec)
	if err := s.begin(ctx); err != nil {
		return procedure.Ending{Status: procedure.Failed, Ended: s.Clock.Now(), Reason: err.Error()}, err
	}
	return s.run(ctx)
}

func (r *Runner) session(rec *procedure.Record) *session {
	own := *r
	if own.Log == nil {
		own.Log = slog.New(slog.DiscardHandler)
	}
	if own.Kinds == nil {
		own.Kinds = procedure.KindByKey
	}
	return &session{Runner: &own, rec: rec}
}

// session is one run.
type session struct {
	*Runner
	rec      *procedure.Record
	unknown  error // the bench did not say who it is
	measurer *measurer
	commits  *committer
}

// begin stores the head of the run, marked as a rehearsal if the bench says so.
// The record's procedure becomes what is carried out: its measurements under
// each condition, which readings and results then refer to.
func (s *session) begin(ctx context.Context) error {
	s.rec.Procedure = procedure.Expand(s.rec.Procedure, &s.rec.Device)
	if s.rec.ID == "" {
		id, err := NewID()
		if err != nil {
			return err
		}
		s.rec.ID = id
	}
	if s.rec.Started.IsZero() {
		s.rec.Started = s.Clock.Now()
	}
	s.rec.Status = procedure.Running
	var who bench.Identity
	who, s.unknown = guarded(func() (bench.Identity, error) { return s.Link.Identify(ctx) })
	if s.unknown == nil {
		s.rec.Identity, s.rec.Rehearsal = who, who.Rehearsal
	}
	_, err := guarded(func() (struct{}, error) { return struct{}{}, s.Recorder.Begin(ctx, s.rec) })
	if err != nil {
		return fmt.Errorf("storing the start of the run: %w", err)
	}
	return nil
}

// run carries out what begin has stored.
func (s *session) run(ctx context.Context) (procedure.Ending, error) {
	runCtx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	err := s.carryOut(runCtx, cancel)
	ending, err := s.judge(runCtx, err)
	if s.commits != nil && s.commits.broken != nil {
		ending.Status, ending.Reason = procedure.Failed, s.commits.broken.Error()
		err = errors.Join(err, s.commits.broken)
	}
	return s.end(ctx, ending, err)
}

// carryOut plans and measures, and leaves the bench safe whatever happens.
func (s *session) carryOut(ctx context.Context, cancel context.CancelCauseFunc) error {
	if s.unknown != nil {
		err := fmt.Errorf("%w: %w", ErrLost, linked("asking who it is", s.unknown))
		s.tell(bench.Unknown, err.Error())
		return errors.Join(err, s.makeSafe(ctx))
	}
	p, err := guarded(func() (*plan, error) { return makePlan(s.rec, s.Kinds) })
	if err != nil {
		return err
	}
	pipe := newPipe()
	s.commits = &committer{
		rec: s.rec, plan: p, pipe: pipe, recorder: s.Recorder, observer: s.Observer,
		fail:    func(err error) { cancel(&Halt{procedure.Failed, err.Error()}) },
		results: map[procedure.ResultID]procedure.Result{},
	}
	s.measurer = &measurer{
		driver: driver{link: s.Link, clock: s.Clock}, rec: s.rec, plan: p, pipe: pipe,
		failed: s.commits.failed.Load, start: s.Clock.Now(),
	}
	committed := make(chan struct{})
	go func() {
		defer close(committed)
		s.commits.run(ctx)
	}()
	err = s.measure(ctx)
	// What was read stays, also when the run was cut short.
	if len(s.measurer.load.readings) > 0 {
		_ = s.measurer.deliver(context.WithoutCancel(ctx), nil)
	}
	pipe.end()
	<-committed
	return err
}

// measure runs the plan and makes the bench safe afterwards. The end of the
// context makes it safe at once, without waiting for the call in flight.
func (s *session) measure(ctx context.Context) error {
	cut := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(cut)
		if err := s.makeSafe(ctx); err != nil {
			s.Log.Error("making the bench safe", "run", s.rec.ID, "err", err)
		}
	})
	s.tell(bench.Energised, "a run is at work")
	_, err := guarded(func() (struct{}, error) { return struct{}{}, s.measurer.run(ctx) })
	if !stop() {
		<-cut // it must not reach into whatever comes next
	}
	safe := s.makeSafe(ctx)
	switch {
	case s.lost(ctx, err):
		err = fmt.Errorf("%w: %w", ErrLost, err)
		s.tell(bench.Unknown, err.Error())
	case safe != nil:
		s.tell(bench.Unknown, safe.Error())
	default:
		s.tell(bench.Safe, "")
	}
	if safe != nil {
		err = errors.Join(err, safe)
	}
	return err
}

func (s *session) tell(state bench.State, reason string) {
	if s.State != nil {
		s.State(state, reason)
	}
}

// lost reports whether an error leaves the state of the outputs unknown: any
// of the link's but that it was made safe, or cut short by our own context.
func (s *session) lost(ctx context.Context, err error) bool {
	var link *LinkError
	if !errors.As(err, &link) || errors.Is(err, bench.ErrMadeSafe) {
		return false
	}
	cutShort := errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
	return !(cutShort && ctx.Err() != nil)
}

// makeSafe makes the bench safe, whatever has become of the run's context.
func (s *session) makeSafe(ctx context.Context) error {
	return makeSafe(ctx, s.Link)
}

func makeSafe(ctx context.Context, link bench.Link) error {
	var err error
	began := time.Now()
	for attempt := 0; attempt < safeAttempts && time.Since(began) < safePatience; attempt++ {
		_, err = guarded(func() (struct{}, error) {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), safeWithin)
			defer cancel()
			return struct{}{}, link.MakeSafe(ctx)
		})
		if err == nil {
			return nil
		}
	}
	return fmt.Errorf("%w: %w", ErrNotSafe, err)
}

// panicked is a panic turned into an error.
type panicked struct{ value any }

func (p *panicked) Error() string { return fmt.Sprintf("unexpected: %v", p.value) }

// guarded calls f and turns a panic into an error: whatever goes wrong in a
// measurement, the bench must still be made safe.
func guarded[T any](f func() (T, error)) (v T, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &panicked{p}
		}
	}()
	return f()
}

// judge returns the ending of a run from its error.
func (s *session) judge(ctx context.Context, err error) (procedure.Ending, error) {
	e := procedure.Ending{Status: procedure.Done}
	var halt *Halt
	cause := context.Cause(ctx)
	switch {
	case err == nil:
	case errors.Is(err, ErrLost):
		e.Status, e.Reason = procedure.Interrupted, err.Error()
		return e, err
	case errors.Is(err, errFailed):
		e.Reason = errFailed.Error()
	case errors.Is(err, errFailedHere):
		e.Reason = errFailedHere.Error()
	case errors.As(cause, &halt):
		e.Status, e.Reason = halt.Status, halt.Reason
	case cause != nil:
		e.Status, e.Reason = procedure.Interrupted, cause.Error()
	case errors.Is(err, bench.ErrMadeSafe):
		e.Status, e.Reason = procedure.Stopped, "the bench was made safe"
	default:
		e.Status, e.Reason = procedure.Failed, err.Error()
		return e, err
	}
	if errors.Is(err, ErrNotSafe) {
		e.Reason += "; " + ErrNotSafe.Error()
		return e, err
	}
	return e, nil
}

// end stores how the run ended and shows it.
func (s *session) end(ctx context.Context, e procedure.Ending, err error) (procedure.Ending, error) {
	e.Ended = s.Clock.Now()
	if e.Ended.Before(s.rec.Started) { // by another clock, which may be a little ahead
		e.Ended = s.rec.Started
	}
	u := Update{Run: s.rec.ID, Pins: []PinState{}, Progress: Progress{Done: []bool{}}}
	if s.commits != nil {
		e.Outcome = s.commits.outcome(e.Status)
		u.Progress = s.commits.last
	}
	u.Progress.Left = 0
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeWithin)
	defer cancel()
	_, stored := guarded(func() (struct{}, error) { return struct{}{}, s.Recorder.Finish(ctx, s.rec.ID, e) })
	if stored != nil {
		// It will be found unfinished, which reads as interrupted.
		s.Log.Error("storing the end of a run", "run", s.rec.ID, "err", stored)
		e.Status, e.Reason = procedure.Interrupted, "its end could not be stored: "+stored.Error()
		err = errors.Join(err, fmt.Errorf("storing the end of the run: %w", stored))
	}
	if err != nil {
		s.Log.Error("run", "run", s.rec.ID, "status", e.Status, "err", err)
	} else {
		s.Log.Info("run", "run", s.rec.ID, "status", e.Status, "outcome", e.Outcome)
	}
	if s.Observer != nil {
		u.Ending = &e
		_, shown := guarded(func() (struct{}, error) { s.Observer.Observe(u); return struct{}{}, nil })
		if shown != nil {
			s.Log.Error("showing the end of a run", "run", s.rec.ID, "err", shown)
		}
	}
	return e, err
}
