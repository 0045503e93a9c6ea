package turn

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"

	"ohmkeep/server/problem"
)

// left holds a queue against having nobody in it.
func left(t *testing.T, q *Queue) {
	t.Helper()
	if q.computing != 0 || q.open != 0 || len(q.askers) != 0 || len(q.waiting) != 0 {
		t.Errorf("left behind: %+v", q)
	}
}

// TestDo: long work has the turn, and is neither queued twice nor where there
// is no queue.
func TestDo(t *testing.T) {
	q := NewQueue(Limits{Computing: 1, Open: 1})
	broken := errors.New("broken")
	for name, ctx := range map[string]context.Context{
		"without a queue": t.Context(),
		"of an asker":     For(t.Context(), q, "me"),
	} {
		done := 0
		err := Do(ctx, func(ctx context.Context) error {
			done++
			if queued := name == "of an asker"; queued != (q.computing == 1) || queued != (q.askers["me"] == 1) {
				t.Errorf("%s: it works with %+v", name, q)
			}
			return Do(ctx, func(context.Context) error { done++; return broken }) // a part of the same work
		})
		if done != 2 || err != broken {
			t.Errorf("%s: done %d times, %v", name, done, err)
		}
		left(t, q)
	}
	other := opened(t, q, "other")
	err := Do(For(t.Context(), q, "me"), func(context.Context) error { t.Error("done in spite of a full queue"); return nil })
	if problem.CodeOf(err) != problem.Unavailable {
		t.Errorf("with a full queue: %v", err)
	}
	other.Close()
	left(t, q)
}

// TestDoIsCalledOff: work that waits for its turn or has it ends with whoever
// asked, and with the queue.
func TestDoIsCalledOff(t *testing.T) {
	for name, waits := range map[string]bool{"waiting": true, "at work": false} {
		for reason, want := range map[string]error{"the asker leaves": context.Canceled, "the server stops": ErrStopping} {
			synctest.Test(t, func(t *testing.T) {
				q := NewQueue(Limits{Computing: 1})
				holder := opened(t, q, "holder")
				if waits {
					take(t, holder)
				}
				ctx, leave := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() {
					done <- Do(For(ctx, q, "me"), func(ctx context.Context) error {
						<-ctx.Done()
						return ctx.Err()
					})
				}()
				synctest.Wait()
				if reason == "the asker leaves" {
					leave()
				} else {
					q.Close()
				}
				if err := <-done; !errors.Is(err, want) {
					t.Errorf("%s, %s: %v", name, reason, err)
				}
				leave()
				holder.Close()
				left(t, q)
			})
		}
	}
}
