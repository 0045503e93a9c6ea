package run

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

const checking = "a check of the bench is at work"

// hourOfWork energises the bench and reads for an hour.
func hourOfWork(ctx context.Context, link bench.Link, _ bench.Clock) error {
	if err := link.Close(ctx, []bench.PathID{1}); err != nil {
		return err
	}
	_, err := link.Read(ctx, []bench.ChannelID{1}, time.Hour, nil)
	return err
}

// begunWork starts work that reads for an hour and returns where its end is told.
func begunWork(t *testing.T, ctx context.Context, s *Station) <-chan error {
	t.Helper()
	over := make(chan error, 1)
	go func() { over <- s.Work(ctx, checking, hourOfWork) }()
	synctest.Wait()
	time.Sleep(time.Second) // of the bubble's clock
	if now := s.Snapshot(); now.State != bench.Energised || now.Reason != checking || now.Work != checking || now.Run != "" || !now.AtWork() {
		t.Fatalf("at work: %+v", now)
	}
	return over
}

// leftSafe holds the bench to be safe and free for whatever comes next.
func leftSafe(t *testing.T, b *bed, s *Station) {
	t.Helper()
	if now := s.Snapshot(); now.State != bench.Safe || now.AtWork() {
		t.Errorf("afterwards: %+v", now)
	}
	b.link.mu.Lock()
	defer b.link.mu.Unlock()
	if b.link.live || len(b.link.broken) > 0 {
		t.Errorf("energised %v, rules broken: %q", b.link.live, b.link.broken)
	}
}

// TestWorkHasTheBench: nothing starts beside work that is no run, and what it
// leaves closed is opened again.
func TestWorkHasTheBench(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := slowBed()
		s := b.station(t, nil)
		over := begunWork(t, t.Context(), s)
		if _, err := s.Start(b.rec); !errors.Is(err, ErrBusy) || problem.CodeOf(err) != problem.Busy || !strings.Contains(err.Error(), "check of the bench") {
			t.Errorf("a run beside it: %v", err)
		}
		if err := s.WhileIdle(func() error { return nil }); !errors.Is(err, ErrBusy) {
			t.Errorf("while idle: %v", err)
		}
		if err := s.Work(t.Context(), "other work", hourOfWork); !errors.Is(err, ErrBusy) {
			t.Errorf("other work: %v", err)
		}
		if s.StopRun("", "a click without a run") {
			t.Error("the stop of no run has ended it")
		}
		if err := <-over; err != nil {
			t.Errorf("its end: %v", err)
		}
		leftSafe(t, b, s)
		if _, err := s.Start(b.rec); err != nil {
			t.Errorf("a run afterwards: %v", err)
		}
		s.Stop("enough")
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
}

// TestWorkIsEndedAtOnce: whatever ends a run ends other work too, and the bench
// is safe at that moment, not when the work returns.
func TestWorkIsEndedAtOnce(t *testing.T) {
	called := errors.New("called off")
	for name, c := range map[string]struct {
		end  func(s *Station, cancel context.CancelCauseFunc)
		want string
	}{
		"by a stop":       {func(s *Station, _ context.CancelCauseFunc) { s.Stop("stopped by Ada") }, "stopped by Ada"},
		"by making safe":  {func(s *Station, _ context.CancelCauseFunc) { _ = s.MakeSafe(context.Background(), "Bo") }, "made safe by Bo"},
		"by a lost link":  {func(s *Station, _ context.CancelCauseFunc) { s.Lost("no answer") }, "no answer"},
		"by its context":  {func(_ *Station, cancel context.CancelCauseFunc) { cancel(called) }, "called off"},
		"by the last end": {func(s *Station, _ context.CancelCauseFunc) { _ = s.Close(context.Background()) }, "the server was stopped"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := slowBed()
				s := b.station(t, nil)
				ctx, cancel := context.WithCancelCause(t.Context())
				over := begunWork(t, ctx, s)
				began := time.Now()
				c.end(s, cancel)
				err := <-over
				if err == nil || !strings.Contains(err.Error(), c.want) {
					t.Errorf("%v, want …%s…", err, c.want)
				}
				if took := time.Since(began); took > 100*time.Millisecond {
					t.Errorf("ended after %v", took)
				}
				leftSafe(t, b, s)
			})
		})
	}
}

// TestWorkThatBreaks: a panic and an error of the work itself leave a safe
// bench; an error of the link leaves one whose state is unknown, also where the
// work keeps it to itself.
func TestWorkThatBreaks(t *testing.T) {
	silent := errors.New("no answer")
	for name, c := range map[string]struct {
		failAt, safeFails int
		f                 func(ctx context.Context, link bench.Link, clock bench.Clock) error
		state             bench.State
		want              error
	}{
		"panic": {f: func(ctx context.Context, link bench.Link, _ bench.Clock) error {
			_ = link.Close(ctx, []bench.PathID{1})
			panic("a table without rows")
		}, state: bench.Safe},
		"its own error": {f: func(context.Context, bench.Link, bench.Clock) error { return silent }, state: bench.Safe, want: silent},
		"link":          {failAt: 1, f: hourOfWork, state: bench.Unknown, want: ErrLost},
		"link, kept quiet": {failAt: 1, f: func(ctx context.Context, link bench.Link, clock bench.Clock) error {
			_ = hourOfWork(ctx, link, clock)
			return nil
		}, state: bench.Unknown, want: ErrLost},
		"not safe afterwards": {safeFails: safeAttempts, f: func(context.Context, bench.Link, bench.Clock) error { return nil },
			state: bench.Unknown, want: ErrNotSafe},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := slowBed()
				s := NewStation(t.Context(), Config{Link: b.link, Clock: b.link.clock, Recorder: b.watch, Log: slog.New(slog.DiscardHandler),
					Kinds: func(string) (procedure.Kind, bool) { return b.kind, true }})
				b.link.failAt, b.link.failErr, b.link.safeFails = c.failAt, silent, c.safeFails
				err := s.Work(t.Context(), checking, c.f)
				if err == nil || c.want != nil && !errors.Is(err, c.want) {
					t.Errorf("%v, want %v", err, c.want)
				}
				if now := s.Snapshot(); now.State != c.state || now.AtWork() {
					t.Errorf("%+v", now)
				}
				if err := s.MakeSafe(t.Context(), "Ada"); err != nil {
					t.Fatal(err)
				}
				leftSafe(t, b, s)
			})
		})
	}
}
