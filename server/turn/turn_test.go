package turn

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/problem"
)

func take(t *testing.T, r *Report) {
	t.Helper()
	if err := r.Take(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func opened(t *testing.T, q *Queue, asker string) *Report {
	t.Helper()
	r, err := q.Open(asker)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestTurnsInTheOrderOfAsking: those who wait have the turn one after the
// other, each for a slice, whoever has the most blocks to go.
func TestTurnsInTheOrderOfAsking(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := NewQueue(Limits{Computing: 1})
		holder := opened(t, q, "holder")
		take(t, holder)
		var got []string // written only with the turn
		var all sync.WaitGroup
		for i := range 3 {
			r := opened(t, q, "reader")
			all.Go(func() {
				defer r.Close()
				for block := range 4 {
					if err := r.Take(t.Context()); err != nil {
						t.Error(err)
						return
					}
					got = append(got, fmt.Sprintf("%d%d", i, block))
					time.Sleep(slice / 2) // the bubble's time: after two blocks the turn is passed on
					if err := r.Pass(t.Context()); err != nil {
						t.Error(err)
					}
				}
			})
			synctest.Wait() // it waits
		}
		holder.Close()
		all.Wait()
		if want := []string{"00", "01", "10", "11", "20", "21", "02", "03", "12", "13", "22", "23"}; !slices.Equal(got, want) {
			t.Errorf("blocks %v, want %v", got, want)
		}
		if q.computing != 0 || q.open != 0 || len(q.askers) != 0 || len(q.waiting) != 0 {
			t.Errorf("left behind: %+v", q)
		}
	})
}

// TestLongReportsOneAfterTheOther: long reports are made in the order of asking,
// each at one go, and short ones have every other slice beside them: however
// many long ones there are, a short one does not wait for their end.
func TestLongReportsOneAfterTheOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := NewQueue(Limits{Computing: 1, Open: 100, Each: 100})
		holder := opened(t, q, "holder")
		take(t, holder)
		begun := time.Now()
		const total = time.Second
		ended := map[string]time.Duration{}
		var order []string // of the long ones' ends; written only with the turn
		var all sync.WaitGroup
		work := func(name string, takes time.Duration) {
			r := opened(t, q, name)
			all.Go(func() {
				defer r.Close()
				if err := r.Take(t.Context()); err != nil {
					t.Error(err)
				}
				for range takes / (slice / 2) {
					time.Sleep(slice / 2)
					if err := r.Pass(t.Context()); err != nil {
						t.Error(err)
					}
				}
				ended[name] = time.Since(begun)
				if takes == total {
					order = append(order, name)
				}
			})
			synctest.Wait()
		}
		for _, name := range []string{"long 1", "long 2", "long 3", "long 4"} {
			work(name, total)
		}
		holder.Close()
		time.Sleep(total / 2)
		asked := time.Since(begun)
		work("short", 2*slice)
		all.Wait()
		if want := []string{"long 1", "long 2", "long 3", "long 4"}; !slices.Equal(order, want) {
			t.Errorf("ended in the order %v", order)
		}
		// All four begin by turns until they are known to be long.
		if first := ended["long 1"]; first > total+3*longAfter+4*slice {
			t.Errorf("the first was there after %v", first)
		}
		if last := ended["long 4"]; last != 4*total+2*slice {
			t.Errorf("all were there after %v: there was more to wait for than work", last)
		}
		if waited := ended["short"] - asked; waited > 5*slice {
			t.Errorf("the short one was there after %v", waited)
		}
		if q.computing != 0 || q.open != 0 || len(q.waiting) != 0 || len(q.long) != 0 {
			t.Errorf("left behind: %+v", q)
		}
	})
}

// TestLongOneGivesUp: a long report whose client leaves while it waits is not
// waited for.
func TestLongOneGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := NewQueue(Limits{Computing: 1})
		gone, other := opened(t, q, "a"), opened(t, q, "b")
		take(t, gone)
		time.Sleep(longAfter)
		gone.Give()
		take(t, other)
		ctx, cancel := context.WithCancel(t.Context())
		left := make(chan error)
		go func() { left <- gone.Take(ctx) }()
		synctest.Wait()
		if len(q.long) != 1 || len(q.waiting) != 0 {
			t.Errorf("%d long ones wait and %d short ones", len(q.long), len(q.waiting))
		}
		cancel()
		if err := <-left; !errors.Is(err, context.Canceled) || len(q.long) != 0 {
			t.Errorf("%v, %d wait", err, len(q.long))
		}
		gone.Close()
		other.Close()
		if q.computing != 0 || q.open != 0 {
			t.Errorf("left behind: %+v", q)
		}
	})
}

// TestTooManyAreRefused: one asker leaves room for others, and beyond the
// bound everybody is put off.
func TestTooManyAreRefused(t *testing.T) {
	q := NewQueue(Limits{Computing: 1, Open: 5, Each: 3})
	var mine []*Report
	for range 3 {
		mine = append(mine, opened(t, q, "me"))
	}
	refused := func(asker string) {
		t.Helper()
		if _, err := q.Open(asker); problem.CodeOf(err) != problem.Unavailable {
			t.Errorf("a report too many of %s: %v", asker, err)
		}
	}
	refused("me")
	other := opened(t, q, "other")
	opened(t, q, "another")
	refused("a third")
	other.Close()
	opened(t, q, "a third").Close()
	mine[0].Close()
	opened(t, q, "me")
	refused("me")
}

// TestWhoGivesUpIsNotWaitedFor: the turn goes past a report whose client has
// left, also where it was handed over in the same moment.
func TestWhoGivesUpIsNotWaitedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := NewQueue(Limits{Computing: 1})
		holder, gone, last := opened(t, q, "a"), opened(t, q, "b"), opened(t, q, "c")
		take(t, holder)
		ctx, cancel := context.WithCancel(t.Context())
		waited := make(chan error, 2)
		go func() { waited <- gone.Take(ctx); gone.Close() }()
		synctest.Wait()
		go func() { waited <- last.Take(t.Context()) }()
		synctest.Wait()
		cancel()
		if err := <-waited; !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
		holder.Give()
		if err := <-waited; err != nil {
			t.Errorf("%v", err)
		}
		if err := last.Pass(t.Context()); err != nil || !last.held {
			t.Errorf("with nobody waiting: %v", err)
		}
		ended, end := context.WithCancel(t.Context())
		end()
		if err := holder.Take(ended); !errors.Is(err, context.Canceled) {
			t.Errorf("an ended context waits: %v", err)
		}
		if err := last.Pass(ended); !errors.Is(err, context.Canceled) {
			t.Errorf("an ended context goes on: %v", err)
		}
	})
}

// TestNeverMoreThanAllowed: however reports come, pass, give up and end, no
// more than the limit compute, and the turns are all there afterwards.
func TestNeverMoreThanAllowed(t *testing.T) {
	const computing = 3
	q := NewQueue(Limits{Computing: computing, Open: 40, Each: 40})
	var now, most atomic.Int32
	var all sync.WaitGroup
	for i := range 40 {
		r := opened(t, q, "reader")
		all.Go(func() {
			defer r.Close()
			for block := range 50 {
				ctx, cancel := context.WithCancel(With(t.Context(), r))
				if (i+block)%7 == 0 {
					go cancel() // at any moment
				}
				if r.Take(ctx) == nil {
					n := now.Add(1)
					for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
					}
					now.Add(-1)
					if Pass(ctx) == nil && block%3 == 0 {
						r.Give()
					}
				}
				cancel()
			}
		})
	}
	all.Wait()
	if got := most.Load(); got > computing || got == 0 {
		t.Errorf("%d computed at the same time", got)
	}
	if q.computing != 0 || q.open != 0 || len(q.waiting) != 0 {
		t.Errorf("left behind: %d computing, %d open, %d waiting", q.computing, q.open, len(q.waiting))
	}
	if err := Pass(t.Context()); err != nil { // what is no report's goes on
		t.Error(err)
	}
}

func TestCloseRefuses(t *testing.T) {
	q := NewQueue(Limits{})
	r := opened(t, q, "a")
	select {
	case <-q.ending:
		t.Error("it ends by itself")
	default:
	}
	q.Close()
	q.Close()
	<-q.ending
	if _, err := q.Open("b"); problem.CodeOf(err) != problem.Unavailable {
		t.Errorf("a report of a server that stops: %v", err)
	}
	r.Close()
}

// TestTooLittleMemory: while there is little memory no report begins, what is going
// on goes on, and ends where there is hardly any.
func TestTooLittleMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		short := problem.New(problem.Unavailable, "short of memory")
		var begin, goOn error
		q := NewQueue(Limits{Computing: 1, Memory: func(goingOn bool) error {
			if goingOn {
				return goOn
			}
			return begin
		}})
		r := opened(t, q, "a")
		take(t, r)
		begin = short
		if _, err := q.Open("b"); !errors.Is(err, short) {
			t.Errorf("a report while there is little memory: %v", err)
		}
		time.Sleep(slice)
		if err := r.Pass(t.Context()); err != nil {
			t.Errorf("what goes on ends: %v", err)
		}
		goOn = short
		if err := r.Pass(t.Context()); !errors.Is(err, short) {
			t.Errorf("what goes on while there is hardly any: %v", err)
		}
		r.Give()
		if err := r.Take(t.Context()); !errors.Is(err, short) {
			t.Errorf("it has the turn once more: %v", err)
		}
		r.Close()
		begin, goOn = nil, nil
		opened(t, q, "b").Close()
	})
}

func TestDefaults(t *testing.T) {
	d := Defaults()
	if q := NewQueue(Limits{}); q.limits.Computing != d.Computing || q.limits.Open != d.Open || q.limits.Each != d.Each || d.Computing < 1 || d.Each >= d.Open {
		t.Errorf("%+v of %+v", q.limits, d)
	}
}
