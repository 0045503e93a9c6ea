package bench

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

func TestPacedClockTakesWorkOffTheNextWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPacedClock(RealClock{})
		from, begun := c.Now(), time.Now()
		for range 100 {
			_ = RealClock{}.Sleep(t.Context(), 3*time.Millisecond) // the work between two waits
			if err := c.Sleep(t.Context(), 10*time.Millisecond); err != nil {
				t.Fatal(err)
			}
		}
		if got := c.Now().Sub(from); got != time.Second {
			t.Errorf("100 waits of 10 ms came to %v on the clock", got)
		}
		if took := time.Since(begun); took != time.Second {
			t.Errorf("100 waits of 10 ms with 3 ms of work between took %v", took)
		}
	})
}

func TestPacedClockForgetsALongDelay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPacedClock(RealClock{})
		if err := c.Sleep(t.Context(), time.Second); err != nil {
			t.Fatal(err)
		}
		_ = RealClock{}.Sleep(t.Context(), time.Hour)
		if behind := time.Since(c.Now()); behind != 0 {
			t.Errorf("an hour later the clock is %v behind", behind)
		}
		begun := time.Now()
		if err := c.Sleep(t.Context(), time.Second); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(begun); took != time.Second {
			t.Errorf("a wait of 1 s after it took %v", took)
		}
	})
}

func TestPacedClockIsCutShort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPacedClock(RealClock{})
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, cancel)
		before := c.Now()
		if err := c.Sleep(ctx, time.Hour); !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
		if passed := c.Now().Sub(before); passed > 2*time.Second {
			t.Errorf("a wait that was cut short after 1 s moved the clock by %v", passed)
		}
	})
}

// TestPacedClockStaysNearTheOther: whatever waits and works come in whatever
// order, the clock never runs back, is never ahead and never more than its
// bound behind.
func TestPacedClockStaysNearTheOther(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		other := NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
		c := NewPacedClock(other)
		before := c.Now()
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			d := time.Duration(rapid.Int64Range(-5, 200_000).Draw(rt, "µs")) * time.Microsecond
			if rapid.Bool().Draw(rt, "work") {
				_ = other.Sleep(context.Background(), d) // the work between two waits
			} else if err := c.Sleep(context.Background(), d); err != nil {
				rt.Fatal(err)
			} else if d > 0 && c.Now().Sub(before) < d {
				rt.Fatalf("a wait of %v moved the clock by %v", d, c.Now().Sub(before))
			}
			now := c.Now()
			if behind := other.Now().Sub(now); behind < 0 || behind > mostBehind {
				rt.Fatalf("the clock is %v behind", behind)
			}
			if now.Before(before) {
				rt.Fatalf("the clock went back by %v", before.Sub(now))
			}
			before = now
		}
	})
}
