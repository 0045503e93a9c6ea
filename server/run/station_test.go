package run

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// station puts a bed's bench under a station.
func (b *bed) station(t *testing.T, changed func(Snapshot)) *Station {
	return NewStation(t.Context(), Config{
		Link: b.link, Clock: b.link.clock, Recorder: b.watch, Observer: b.watch, Kinds: b.runner.Kinds, Changed: changed,
	})
}

// slowBed is a run of one reading of an hour.
func slowBed() *bed {
	p := point(pinA, volts(pinA, 1))
	p.Aperture.Seconds = 3600
	return newBed(bench.RealClock{}, []procedure.Point{p})
}

// TestStationStart: what Start promises is stored, and nothing is left behind
// where it is not.
func TestStationStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(bench.RealClock{}, []procedure.Point{point(pinA, volts(pinA, 1))})
		s := b.station(t, nil)
		b.watch.beginErr = errors.New("disk full")
		if id, err := s.Start(b.rec); err == nil || id != "" || s.Snapshot().Run != "" {
			t.Errorf("%q, %v, %+v", id, err, s.Snapshot())
		}
		b.watch.beginErr = nil
		if _, err := s.Start(b.rec); err != nil {
			t.Fatal(err)
		}
		if b.watch.begun != 1 || !b.watch.head.Rehearsal || b.watch.head.Identity.Name != "fake" || b.watch.head.Status != procedure.Running {
			t.Errorf("begun %d times with %+v", b.watch.begun, b.watch.head)
		}
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		clean(t, b)
	})
}

func TestStationControl(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := slowBed().station(t, nil)
		if err := s.Take("Ada", "one"); err != nil {
			t.Fatal(err)
		}
		if err := s.Take("Ada", "one"); err != nil {
			t.Errorf("taking it again: %v", err)
		}
		err := s.Take("Bo", "two")
		if !errors.Is(err, ErrHeld) || !strings.Contains(err.Error(), "Ada") {
			t.Errorf("got %v, want held by Ada", err)
		}
		s.Release("two")
		if s.Snapshot().Holder != "Ada" {
			t.Error("released by somebody else")
		}
		s.Release("one")
		if err := s.Take("Bo", "two"); err != nil || s.Snapshot().Holder != "Bo" {
			t.Errorf("after release: %v", err)
		}
	})
}

func TestStationRuns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := slowBed()
		var states []bench.State
		s := b.station(t, func(n Snapshot) {
			if len(states) == 0 || states[len(states)-1] != n.State {
				states = append(states, n.State)
			}
		})
		if n := s.Snapshot(); n.State != bench.Safe || b.link.safes != 1 {
			t.Fatalf("%+v at the start, made safe %d times", n, b.link.safes)
		}
		b.rec.ID = ""
		id, err := s.Start(b.rec)
		if err != nil || len(id) != 36 || id[14] != '7' {
			t.Fatalf("%q, %v", id, err)
		}
		if _, err := s.Start(fakeRecord()); !errors.Is(err, ErrBusy) {
			t.Errorf("second start: %v", err)
		}
		if err := s.WhileIdle(func() error { return nil }); !errors.Is(err, ErrBusy) {
			t.Errorf("while idle: %v", err)
		}
		time.Sleep(time.Second)
		if n := s.Snapshot(); n.State != bench.Energised || n.Run != id {
			t.Errorf("%+v", n)
		}
		s.Stop("enough")
		s.Stop("again")
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		s.Stop("once more")
		if n := s.Snapshot(); n.State != bench.Safe || n.Run != "" {
			t.Errorf("%+v", n)
		}
		if e := b.watch.finished; len(e) != 1 || e[0].Status != procedure.Stopped || e[0].Reason != "enough" {
			t.Errorf("%+v", e)
		}
		if want := []bench.State{bench.Safe, bench.Energised, bench.Safe}; !slices.Equal(states, want) {
			t.Errorf("states %v", states)
		}
		clean(t, b)
	})
}

func TestStationMakeSafeDuringRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := slowBed()
		s := b.station(t, nil)
		if _, err := s.Start(b.rec); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		begun := time.Now()
		for range 3 {
			if err := s.MakeSafe(t.Context(), "Bo"); err != nil {
				t.Fatal(err)
			}
		}
		b.link.mu.Lock()
		if b.link.live {
			t.Error("still energised")
		}
		b.link.mu.Unlock()
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		if d := time.Since(begun); d > 100*time.Millisecond {
			t.Errorf("took %v", d)
		}
		if e := b.watch.finished; len(e) != 1 || e[0].Status != procedure.Stopped || e[0].Reason != "made safe by Bo" {
			t.Errorf("%+v", e)
		}
		clean(t, b)
	})
}

func TestStationUnknown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(bench.RealClock{}, []procedure.Point{point(pinA, volts(pinA, 1))})
		s := b.station(t, nil)
		b.link.failAt, b.link.failErr = 5, errors.New("no answer")
		if _, err := s.Start(b.rec); err != nil {
			t.Fatal(err)
		}
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		if n := s.Snapshot(); n.State != bench.Unknown || !strings.Contains(n.Reason, "no answer") {
			t.Errorf("%+v", n)
		}
		if _, err := s.Start(fakeRecord()); !errors.Is(err, ErrUnknown) {
			t.Errorf("start: %v", err)
		}
		b.link.safeFails = safeAttempts
		if err := s.MakeSafe(t.Context(), "Ada"); !errors.Is(err, ErrNotSafe) || s.Snapshot().State != bench.Unknown {
			t.Errorf("make safe fails: %v, %+v", err, s.Snapshot())
		}
		if err := s.MakeSafe(t.Context(), "Ada"); err != nil || s.Snapshot().State != bench.Safe {
			t.Errorf("make safe: %v, %+v", err, s.Snapshot())
		}
		again := *b.rec
		again.ID = "again"
		if _, err := s.Start(&again); err != nil {
			t.Errorf("start: %v", err)
		}
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
}

// TestStationBusyWhileMadeSafe: a run must not start under a make safe that is
// still on its way; it would lose its outputs without noticing.
func TestStationBusyWhileMadeSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := slowBed()
		s := b.station(t, nil)
		b.link.safeTakes = time.Second
		done := make(chan error)
		go func() { done <- s.MakeSafe(t.Context(), "Ada") }()
		synctest.Wait()
		if _, err := s.Start(b.rec); !errors.Is(err, ErrBusy) {
			t.Errorf("start: %v", err)
		}
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	})
}

func TestStationClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := slowBed()
		s := b.station(t, nil)
		if _, err := s.Start(b.rec); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if err := s.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
		if e := b.watch.finished; len(e) != 1 || e[0].Status != procedure.Interrupted {
			t.Errorf("%+v", e)
		}
		if _, err := s.Start(fakeRecord()); !errors.Is(err, ErrClosed) {
			t.Errorf("start: %v", err)
		}
		clean(t, b)
	})
}

func TestMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := point(pinA, volts(pinA, 1))
		p.Count = 50
		b := newBed(bench.RealClock{}, []procedure.Point{p}, []procedure.Point{p})
		s := b.station(t, nil)
		m := NewMemory(70)
		if err := m.Replay(t.Context(), newWitness()); !errors.Is(err, ErrNotOver) {
			t.Errorf("replay before the run: %v", err)
		}
		if _, err := s.StartWith(b.rec, m, nil); err != nil {
			t.Fatal(err)
		}
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		h := m.Held()
		if h.Record.Readings != 70 || h.Dropped != 30 || len(h.Results) != 2 || h.Ending == nil || h.Record.Status != procedure.Done {
			t.Fatalf("%+v", h)
		}
		to := newWitness()
		if err := m.Replay(t.Context(), to); err != nil {
			t.Fatal(err)
		}
		if len(to.stored) != 70 || len(to.results) != 2 || len(to.finished) != 1 || to.finished[0] != *h.Ending {
			t.Errorf("%d readings, %d results, %+v", len(to.stored), len(to.results), to.finished)
		}
		to = newWitness()
		to.failAt = 1
		if err := m.Replay(context.Background(), to); err == nil || len(to.finished) != 1 || to.finished[0].Status != procedure.Failed {
			t.Errorf("%v, %+v", err, to.finished)
		}
	})
}
