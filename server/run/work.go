package run

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
)

// Work carries out a piece of work that is no run, such as a check of the
// bench itself, and returns when it is over. It has the bench as a run has:
// nothing else starts meanwhile, and Stop, MakeSafe, Lost, Close and the end of
// ctx make the bench safe at once. Doing says in words what is done; f must
// return soon once its context ends. However f ends, by a panic too, the bench
// is made safe afterwards.
//
// The error is the station's refusal before f was called; the cause where the
// work was cut short; f's own; and it wraps ErrLost or ErrNotSafe where the
// state of the bench is unknown.
func (s *Station) Work(ctx context.Context, doing string, f func(ctx context.Context, link bench.Link, clock bench.Clock) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	j := &job{cancel: cancel, done: make(chan struct{})}
	if err := s.engage(j, func(n *Snapshot) { n.Work = doing }); err != nil {
		cancel(nil)
		return err
	}
	defer s.disengage(j)
	cut := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(cut)
		if err := makeSafe(ctx, s.cfg.Link); err != nil {
			s.cfg.Log.Error("making the bench safe", "work", doing, "err", err)
		}
	})
	s.setState(bench.Energised, doing)
	link := &watchedLink{Link: s.cfg.Link}
	err := s.guardedWork(doing, func() error { return f(ctx, link, s.cfg.Clock) })
	if !stop() {
		<-cut // it must not reach into whatever comes next
	}
	cause := context.Cause(ctx)
	safe := makeSafe(ctx, s.cfg.Link)
	switch lost := link.lost(); {
	case lost != nil:
		err = fmt.Errorf("%w: %w", ErrLost, lost)
		s.setState(bench.Unknown, err.Error())
	case safe != nil:
		s.setState(bench.Unknown, safe.Error())
	default:
		s.setState(bench.Safe, "")
	}
	if err != nil && cause != nil && !errors.Is(err, ErrLost) {
		err = cause
	}
	return errors.Join(err, safe)
}

// guardedWork calls f and turns a panic into an error, with its place in the
// log.
func (s *Station) guardedWork(doing string, f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			s.cfg.Log.Error("work on the bench broke off", "work", doing, "panic", p, "stack", string(debug.Stack()))
			err = &panicked{p}
		}
	}()
	return f()
}

// busy is the refusal of what would start while something is at work. The lock
// must be held.
func (s *Station) busy() error {
	if s.now.Work == "" {
		return ErrBusy
	}
	return &problem.Error{Code: problem.Busy, Message: problem.Sentence(s.now.Work) + ".", Err: ErrBusy}
}

// watchedLink remembers the first error that leaves the state of the outputs
// unknown, whatever the work makes of it.
type watchedLink struct {
	bench.Link
	mu  sync.Mutex
	err error
}

func (l *watchedLink) lost() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.err
}

// saw takes the error of a call. One that says that the bench was made safe, or
// that our own context cut short, leaves nothing unknown: making safe follows.
func (l *watchedLink) saw(ctx context.Context, doing string, err error) error {
	if err == nil || errors.Is(err, bench.ErrMadeSafe) {
		return err
	}
	if (errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)) && ctx.Err() != nil {
		return err
	}
	err = linked(doing, err)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err == nil {
		l.err = err
	}
	return err
}

// Identify implements bench.Link, as do the methods below.
func (l *watchedLink) Identify(ctx context.Context) (bench.Identity, error) {
	id, err := l.Link.Identify(ctx)
	return id, l.saw(ctx, "asking who it is", err)
}

// Set implements bench.Link.
func (l *watchedLink) Set(ctx context.Context, ch bench.ChannelID, s bench.Setup) error {
	return l.saw(ctx, "setting a channel", l.Link.Set(ctx, ch, s))
}

// Output implements bench.Link.
func (l *watchedLink) Output(ctx context.Context, ch bench.ChannelID, on bool) error {
	return l.saw(ctx, "switching an output", l.Link.Output(ctx, ch, on))
}

// Close implements bench.Link.
func (l *watchedLink) Close(ctx context.Context, paths []bench.PathID) error {
	return l.saw(ctx, "switching paths", l.Link.Close(ctx, paths))
}

// Read implements bench.Link.
func (l *watchedLink) Read(ctx context.Context, channels []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	dst, err := l.Link.Read(ctx, channels, aperture, dst)
	return dst, l.saw(ctx, "reading", err)
}

// Faults implements bench.Link.
func (l *watchedLink) Faults(ctx context.Context) ([]bench.Fault, error) {
	faults, err := l.Link.Faults(ctx)
	return faults, l.saw(ctx, "asking for faults", err)
}
