package run

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

// TestStopRunIsOfThatRun: whoever stops a run that has just ended does not stop
// the one that somebody else has started since.
func TestStopRunIsOfThatRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := slowBed()
		s := b.station(t, nil)
		id, err := s.Start(b.rec)
		if err != nil {
			t.Fatal(err)
		}
		if s.StopRun("another", "stopped by a late click") {
			t.Error("a run that is not at work was stopped")
		}
		time.Sleep(time.Second) // of the bubble's clock
		if s.Snapshot().Run != id {
			t.Fatal("the run at work was stopped by a click on another's page")
		}
		if !s.StopRun(id, "stopped by its own page") {
			t.Error("the run at work was not stopped")
		}
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := b.watch.finished; len(got) != 1 || got[0].Status != procedure.Stopped || got[0].Reason != "stopped by its own page" {
			t.Errorf("%+v", got)
		}
		clean(t, b)
	})
}

// slowHead is a recorder whose disk takes until the context ends.
type slowHead struct {
	*Memory
	begun chan struct{}
}

func (r *slowHead) Begin(ctx context.Context, _ *procedure.Record) error {
	close(r.begun)
	<-ctx.Done()
	return ctx.Err()
}

// TestStoppedWhileItBegins: a run that is stopped before its head is stored has
// not begun, and whoever started it is told so, not that the server broke.
func TestStoppedWhileItBegins(t *testing.T) {
	for name, stop := range map[string]func(s *Station, id string){
		"by its own page":  func(s *Station, id string) { s.StopRun(id, "stopped by Ada") },
		"by making safe":   func(s *Station, _ string) { _ = s.MakeSafe(context.Background(), "Ada") },
		"by a lost link":   func(s *Station, _ string) { s.Lost("no answer") },
		"by a server stop": func(s *Station, _ string) { s.Stop("the server was stopped") },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := slowBed()
				s := b.station(t, nil)
				to := &slowHead{NewMemory(0), make(chan struct{})}
				refused := make(chan error, 1)
				go func() {
					_, err := s.StartWith(b.rec, to, nil)
					refused <- err
				}()
				<-to.begun
				stop(s, s.Snapshot().Run)
				err := <-refused
				if problem.CodeOf(err) != problem.Conflict || !errors.Is(err, context.Canceled) {
					t.Errorf("%v, code %q", err, problem.CodeOf(err))
				}
				if now := s.Snapshot(); now.Run != "" {
					t.Errorf("%+v", now)
				}
			})
		})
	}
}
