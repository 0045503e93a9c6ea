package run

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// stepBed is a run of one reading behind a stepper that is on.
func stepBed(t *testing.T) (*bed, *Stepper) {
	b := newBed(bench.RealClock{}, []procedure.Point{point(pinA, volts(pinA, 1))})
	s := NewStepper(b.link)
	b.runner.Link = s
	s.On(b.rec.ID)
	return b, s
}

// TestStepper: no call that touches the bench is made before it is let through.
func TestStepper(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, s := stepBed(t)
		done := make(chan error, 1)
		go func() {
			_, err := b.runner.Run(t.Context(), b.rec)
			done <- err
		}()
		var words []string
		var read Step
		for ended := false; !ended; {
			time.Sleep(time.Second) // the run settles and reads in this time
			synctest.Wait()
			if last, ok := s.Last(); ok && last.Call == "read" {
				read = last
			}
			st, waits := s.Pending()
			if !waits {
				ended = true
				continue
			}
			before := b.link.calls
			if s.Next(b.rec.ID, st.N+1) {
				t.Error("a step that does not wait was let through")
			}
			time.Sleep(time.Hour)
			synctest.Wait()
			if b.link.calls != before {
				t.Fatalf("%d calls were made while step %d waited", b.link.calls-before, st.N)
			}
			words = append(words, st.Words(&b.rec.Bench))
			if !s.Next(b.rec.ID, st.N) {
				t.Fatal("the step did not go on")
			}
		}
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if len(read.Samples) != 1 || read.Err != nil {
			t.Errorf("the reading brought %+v", read)
		}
		text := strings.Join(words, "\n")
		for _, part := range []string{"Close exactly these paths", "force 1.00000 V, compliance", "output on", "Read channel", "output off", "Open all paths"} {
			if !strings.Contains(text, part) {
				t.Errorf("no %q in\n%s", part, text)
			}
		}
		clean(t, b)
	})
}

// TestStepperSafe: making safe never waits, and ends the call that does.
func TestStepperSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, s := stepBed(t)
		got := make(chan error, 1)
		go func() { got <- s.Set(t.Context(), 1, bench.Setup{Mode: bench.ForceVoltage, Compliance: 1e-3}) }()
		synctest.Wait()
		if err := s.MakeSafe(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := <-got; !errors.Is(err, bench.ErrMadeSafe) {
			t.Errorf("got %v", err)
		}
		if _, waits := s.Pending(); waits {
			t.Error("something still waits")
		}
		ctx, cancel := context.WithCancel(t.Context())
		go func() { got <- s.Output(ctx, 1, true) }()
		synctest.Wait()
		cancel()
		if err := <-got; !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
	})
}

// TestStepperOff: putting it off lets go on what waits, and holds nothing.
func TestStepperOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, s := stepBed(t)
		done := make(chan error, 1)
		go func() {
			_, err := b.runner.Run(t.Context(), b.rec)
			done <- err
		}()
		synctest.Wait()
		if _, waits := s.Pending(); !waits {
			t.Fatal("nothing waits")
		}
		s.Off(b.rec.ID)
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		clean(t, b)
	})
}

// TestStepperBelongsToOneRun: what comes late from a run that has ended neither
// frees the next run that is stepped nor lets a call of it through.
func TestStepperBelongsToOneRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, s := stepBed(t)
		s.On("the next run")
		got := make(chan error, 1)
		go func() { got <- s.Output(t.Context(), 1, true) }()
		synctest.Wait()
		if s.Next(b.rec.ID, 1) {
			t.Error("a click on the page of the old run let a call of the new one through")
		}
		s.Off(b.rec.ID)
		synctest.Wait()
		if st, waits := s.Pending(); !waits || st.N != 1 || b.link.calls != 0 {
			t.Errorf("after the old run was put off: %+v waits %v, %d calls made", st, waits, b.link.calls)
		}
		s.Off("the next run")
		<-got // the link's own word on an output that nothing was set for
		if b.link.calls != 1 {
			t.Errorf("%d calls made", b.link.calls)
		}
	})
}

// TestStationLost: a link that goes leaves the state
// unknown until the bench was made safe.
func TestStationLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := slowBed()
		s := b.station(t, nil)
		s.Lost("the cable is out")
		if now := s.Snapshot(); now.State != bench.Unknown || now.Reason != "the cable is out" {
			t.Errorf("%+v", now)
		}
		if _, err := s.Start(b.rec); !errors.Is(err, ErrUnknown) {
			t.Errorf("a run started: %v", err)
		}
		if err := s.MakeSafe(t.Context(), "Ada"); err != nil || s.Snapshot().State != bench.Safe {
			t.Errorf("%v, %+v", err, s.Snapshot())
		}
		if _, err := s.Start(b.rec); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		// The clock of the test moves only when this goroutine waits, so the bench
		// cannot be safe again before it has looked.
		b.link.safeTakes = time.Millisecond
		began := time.Now()
		s.Lost("the cable is out")
		if now := s.Snapshot(); now.State != bench.Unknown {
			t.Errorf("while a run is at work: %+v", now)
		}
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(began); took > time.Second {
			t.Errorf("the run went on for %v", took)
		}
		if end := b.watch.finished[0]; end.Status != procedure.Interrupted || !strings.Contains(end.Reason, "the cable is out") {
			t.Errorf("it ended %+v", end)
		}
		clean(t, b)
	})
}
