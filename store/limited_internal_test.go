package store

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// TestQueryHasItsTime: a query ends after its time, and not before; and a program
// that stood still, for however long, has spent one step of it.
func TestQueryHasItsTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := limited(t.Context(), 30*time.Second, time.AfterFunc)
		defer cancel()
		time.Sleep(29*time.Second + 900*time.Millisecond)
		synctest.Wait()
		if ctx.Err() != nil {
			t.Errorf("it ended after 29.9 s: %v", context.Cause(ctx))
		}
		time.Sleep(200 * time.Millisecond)
		synctest.Wait()
		if !errors.Is(context.Cause(ctx), errEndless) {
			t.Errorf("after 30.1 s: %v", context.Cause(ctx))
		}
	})
	synctest.Test(t, func(t *testing.T) {
		// The clock of whoever stood still is an hour ahead at the next step.
		first := true
		ctx, cancel := limited(t.Context(), 30*time.Second, func(d time.Duration, f func()) *time.Timer {
			if first {
				first, d = false, time.Hour
			}
			return time.AfterFunc(d, f)
		})
		defer cancel()
		time.Sleep(time.Hour + 28*time.Second)
		synctest.Wait()
		if ctx.Err() != nil {
			t.Errorf("an hour of standing still ended it: %v", context.Cause(ctx))
		}
		cancel()
		if context.Cause(ctx) != context.Canceled {
			t.Errorf("a query that was over: %v", context.Cause(ctx))
		}
	})
}
