package run

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// TestLimitWithoutResult: a run that came to its end without a value for one of
// its limits has not passed, whatever else did.
func TestLimitWithoutResult(t *testing.T) {
	high := 1.0
	for _, tc := range []struct {
		name     string
		limits   map[string]procedure.Limit
		disabled bool
		got      derive.Outcome // of the result that there is
		want     derive.Outcome
	}{
		{"every limit has its result", map[string]procedure.Limit{"mean": {High: &high}}, false, derive.Pass, derive.Pass},
		{"one has none", map[string]procedure.Limit{"mean": {High: &high}, "other": {High: &high}}, false, derive.Pass, derive.Invalid},
		{"a fail stands", map[string]procedure.Limit{"mean": {High: &high}, "other": {High: &high}}, false, derive.Fail, derive.Fail},
		{"an empty limit asks for nothing", map[string]procedure.Limit{"other": {}}, false, derive.Pass, derive.Pass},
		{"a disabled measurement asks for nothing", map[string]procedure.Limit{"other": {High: &high}}, true, derive.Pass, derive.Pass},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				one := []procedure.Point{point(pinA, volts(pinA, 1))}
				b := newBed(bench.RealClock{}, one, one)
				b.kind.outcome = tc.got
				b.rec.Procedure.Measurements[1].Limits, b.rec.Procedure.Measurements[1].Disabled = tc.limits, tc.disabled
				e, err := b.runner.Run(t.Context(), b.rec)
				if err != nil || e.Status != procedure.Done || e.Outcome != tc.want {
					t.Errorf("%+v, %v; want %q", e, err, tc.want)
				}
				clean(t, b)
			})
		})
	}
}

// setBackClock is a clock that is set back by an hour when somebody sleeps by it
// for the first time.
type setBackClock struct {
	bench.RealClock
	back atomic.Int64 // nanoseconds
}

func (c *setBackClock) Now() time.Time { return c.RealClock.Now().Add(-time.Duration(c.back.Load())) }

func (c *setBackClock) Sleep(ctx context.Context, d time.Duration) error {
	c.back.Store(int64(time.Hour))
	return c.RealClock.Sleep(ctx, d)
}

// TestEndsNoEarlierThanItBegan: where the clock is set back during a run, what is
// stored and shown of its end is not before its beginning.
func TestEndsNoEarlierThanItBegan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := &setBackClock{}
		b := newBed(clock, []procedure.Point{point(pinA, volts(pinA, 1))})
		e, err := b.runner.Run(t.Context(), b.rec)
		if err != nil || e.Status != procedure.Done {
			t.Fatalf("%+v, %v", e, err)
		}
		began := b.rec.Started
		if began.IsZero() || clock.back.Load() == 0 || !clock.Now().Before(began) {
			t.Fatalf("the clock was not set back: begun %v, now %v", began, clock.Now())
		}
		if !e.Ended.Equal(began) {
			t.Errorf("from %v to %v", began, e.Ended)
		}
		shown := b.watch.updates[len(b.watch.updates)-1].Ending
		if stored := b.watch.finished[0]; !stored.Ended.Equal(began) || shown == nil || !shown.Ended.Equal(began) {
			t.Errorf("begun %v, stored %+v, shown %+v", began, stored, shown)
		}
		clean(t, b)
	})
}
