package bench

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

func TestFineClock(t *testing.T) {
	var c FineClock
	for _, d := range []time.Duration{-1, 0, 300 * time.Microsecond, 3 * time.Millisecond} {
		begun := time.Now()
		if err := c.Sleep(t.Context(), d); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(begun); took < d {
			t.Errorf("%v took only %v", d, took)
		}
	}
}

// TestFineClockIsCutShort: a sleep ends with its context, and none begins after
// it.
func TestFineClockIsCutShort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c FineClock
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Minute, cancel)
		begun := time.Now()
		if err := c.Sleep(ctx, time.Hour); !errors.Is(err, context.Canceled) || time.Since(begun) != time.Minute {
			t.Errorf("cut short after %v: %v", time.Since(begun), err)
		}
		if err := c.Sleep(ctx, 0); !errors.Is(err, context.Canceled) {
			t.Errorf("after the context: %v", err)
		}
	})
}

func TestCountingClock(t *testing.T) {
	from := time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	c := NewCountingClock(from)
	if err := c.Sleep(t.Context(), time.Hour); err != nil || c.Now().Sub(from) != time.Hour {
		t.Errorf("%v, %v", c.Now(), err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := c.Sleep(ctx, time.Hour); !errors.Is(err, context.Canceled) || c.Now().Sub(from) != time.Hour {
		t.Errorf("%v, %v", c.Now(), err)
	}
}
