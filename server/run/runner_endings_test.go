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
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

func TestEndings(t *testing.T) {
	for _, tc := range []struct {
		name   string
		spoil  func(*bed)
		status procedure.Status
		says   string
		err    error // wrapped by Run's
		states []bench.State
	}{
		{"lost link", func(b *bed) { b.link.failAt, b.link.failErr = 20, errors.New("no answer") },
			procedure.Interrupted, "no answer", ErrLost, []bench.State{bench.Energised, bench.Unknown}},
		{"cut short", func(b *bed) { b.link.failAt, b.link.failErr = 20, bench.ErrMadeSafe },
			procedure.Stopped, "made safe", nil, []bench.State{bench.Energised, bench.Safe}},
		{"disk full", func(b *bed) { b.watch.failAt = 1 },
			procedure.Failed, "disk full", nil, []bench.State{bench.Energised, bench.Safe}},
		{"deriver panics", func(b *bed) { b.kind.panicAt = 1 },
			procedure.Failed, "deriver", nil, []bench.State{bench.Energised, bench.Safe}},
		{"not made safe", func(b *bed) { b.link.safeFails = 99 },
			procedure.Failed, "could not be made safe", ErrNotSafe, []bench.State{bench.Energised, bench.Unknown}},
		{"safe at the second try", func(b *bed) { b.link.safeFails = 1 },
			procedure.Done, "", nil, []bench.State{bench.Energised, bench.Safe}},
		{"bench fault", func(b *bed) { b.link.faults = []bench.Fault{{Message: "too hot"}} },
			procedure.Failed, "too hot", nil, []bench.State{bench.Energised, bench.Safe}},
		{"no answer at all", func(b *bed) { b.link.identifyErr = errors.New("nobody there") },
			procedure.Interrupted, "nobody there", ErrLost, []bench.State{bench.Unknown}},
		{"nothing to do", func(b *bed) { b.rec.Procedure.Measurements[0].Disabled = true },
			procedure.Failed, "no measurement", nil, nil},
		{"impossible", func(b *bed) { delete(b.rec.PinMap.Contacts, pinA) },
			procedure.Failed, "pin 4 sits on no contact", nil, nil},
		{"end not stored", func(b *bed) { b.watch.endFails = true },
			procedure.Interrupted, "could not be stored", nil, []bench.State{bench.Energised, bench.Safe}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var points []procedure.Point
				for k := range 40 {
					points = append(points, point(pinA, volts(pinA, float64(k)/20)))
				}
				b := newBed(bench.RealClock{}, points)
				tc.spoil(b)
				e, err := b.runner.Run(t.Context(), b.rec)
				if e.Status != tc.status || !strings.Contains(e.Reason, tc.says) || tc.err != nil && !errors.Is(err, tc.err) {
					t.Errorf("%+v, %v", e, err)
				}
				if tc.name == "not made safe" {
					b.link.live = false // nothing could be done about it
				}
				clean(t, b)
				if !slices.Equal(b.states, tc.states) {
					t.Errorf("states %v, want %v", b.states, tc.states)
				}
			})
		})
	}
}

// TestFaultMarksReadings: what was read before a fault was noticed is marked.
func TestFaultMarksReadings(t *testing.T) {
	b := newBed(bench.NewCountingClock(year), []procedure.Point{point(pinA, volts(pinA, 1))})
	b.link.reading = func(bench.ChannelID, bench.Setup, int) (float64, float64) {
		b.link.faults = []bench.Fault{{Message: "too hot"}}
		return 1, 1e-3
	}
	e, _ := b.runner.Run(t.Context(), b.rec)
	if e.Status != procedure.Failed || len(b.watch.stored) != 1 {
		t.Fatalf("%+v, %d readings", e, len(b.watch.stored))
	}
	for r := range b.watch.stored {
		if !r.Flags.Has(bench.AfterFault) {
			t.Errorf("flags %b", r.Flags)
		}
	}
	clean(t, b)
}

func TestStopOnFail(t *testing.T) {
	one := []procedure.Point{point(pinA, volts(pinA, 1))}
	for _, stop := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			b := newBed(bench.RealClock{}, one, one)
			b.kind.outcome = derive.Fail
			b.rec.Procedure.StopOnFail = stop
			e, err := b.runner.Run(t.Context(), b.rec)
			want := 2
			if stop {
				want = 1
			}
			if err != nil || e.Status != procedure.Done || e.Outcome != derive.Fail || len(b.watch.stored) != want {
				t.Errorf("stop %v: %+v, %v, %d readings", stop, e, err, len(b.watch.stored))
			}
			clean(t, b)
		})
	}
}

// TestStopDuringRead: a stop does not wait for a long aperture.
func TestStopDuringRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := point(pinA, volts(pinA, 1))
		p.Aperture.Seconds = 3600
		b := newBed(bench.RealClock{}, []procedure.Point{p})
		ctx, cancel := context.WithCancelCause(t.Context())
		time.AfterFunc(time.Second, func() { cancel(&Halt{procedure.Stopped, "enough"}) })
		begun := time.Now()
		e, err := b.runner.Run(ctx, b.rec)
		if err != nil || e.Status != procedure.Stopped || e.Reason != "enough" {
			t.Errorf("%+v, %v", e, err)
		}
		if d := time.Since(begun); d > 1100*time.Millisecond {
			t.Errorf("stopped after %v", d)
		}
		clean(t, b)
	})
}
