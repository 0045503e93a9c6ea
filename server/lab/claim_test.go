package lab

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// claims is a rig whose time the test moves, and whose sessions can be ended.
type claims struct {
	*rig
	t     *testing.T
	now   time.Time
	ended map[string]bool
}

func newClaims(t *testing.T) *claims {
	c := &claims{rig: newRig(t), t: t, now: time.Date(2030, 1, 1, 9, 0, 0, 0, time.UTC), ended: map[string]bool{}}
	c.Now = func() time.Time { return c.now }
	c.Stands = func(_ context.Context, session string, _ store.Role) bool { return !c.ended[session] }
	must(t, c.TakeControl(t.Context(), c.b, ada))
	return c
}

// after moves the time and looks after control.
func (c *claims) after(d time.Duration) {
	c.now = c.now.Add(d)
	c.CheckControl(c.t.Context())
}

func (c *claims) holds(who Person) {
	c.t.Helper()
	if got := c.Control(c.b); got.Session != who.Session {
		c.t.Errorf("control is %q's, want %q's", got.Holder, who.Name)
	}
}

var nobody Person

func TestControlIsAskedFor(t *testing.T) {
	t.Parallel()
	c := newClaims(t)
	ctx := t.Context()
	must(t, c.AskControl(ctx, c.b, boole))
	must(t, c.AskControl(ctx, c.b, boole)) // twice is fine
	must(t, c.AskControl(ctx, c.b, ada))   // who has it asks for nothing
	refused(t, c.AskControl(ctx, c.b, Person{Name: "Curie", Role: store.Operator, Session: "session of Curie"}), problem.Conflict, "Boole has asked already")
	if got := c.Control(c.b); got.Asks != "Boole" || got.Holder != "Ada" {
		t.Errorf("%+v", got)
	}
	refused(t, c.HandOver(ctx, c.b, boole), problem.Held, "Ada holds control")
	must(t, c.RefuseControl(ctx, c.b, ada))
	refused(t, c.HandOver(ctx, c.b, ada), problem.Conflict, "Nobody asks")
	c.holds(ada)
	must(t, c.AskControl(ctx, c.b, boole))
	must(t, c.RefuseControl(ctx, c.b, boole)) // who asked asks no more
	if got := c.Control(c.b); got.Asks != "" {
		t.Errorf("%+v", got)
	}
	must(t, c.AskControl(ctx, c.b, boole))
	must(t, c.HandOver(ctx, c.b, ada))
	c.holds(boole)
	if got := c.Control(c.b); got.Asks != "" {
		t.Errorf("the request stands after it was granted: %+v", got)
	}
	must(t, c.ReleaseControl(ctx, c.b, boole))
	must(t, c.AskControl(ctx, c.b, ada)) // nobody has it
	c.holds(ada)
	events := c.events(t, c.b.Definition.Key)
	said := map[string]bool{}
	for _, e := range events {
		said[e.By+": "+e.Action] = true
	}
	for _, want := range []string{"Boole: ask for control", "Ada: refuse control", "Ada: hand over control"} {
		if !said[want] {
			t.Errorf("the log lacks %q: %+v", want, events)
		}
	}
}

// TestControlLapses by idle time, with a warning before, and not while somebody
// acts.
func TestControlLapses(t *testing.T) {
	t.Parallel()
	c := newClaims(t)
	c.after(12 * time.Minute)
	if got := c.Control(c.b); !got.Lapses.IsZero() {
		t.Errorf("warned too early: %+v", got)
	}
	c.after(time.Minute)
	if got := c.Control(c.b); !got.Lapses.Equal(c.now.Add(2*time.Minute)) || got.Why == "" {
		t.Errorf("not warned: %+v", got)
	}
	c.Acted(boole) // somebody else's doing
	c.Acted(ada)
	if got := c.Control(c.b); !got.Lapses.IsZero() {
		t.Errorf("warned after something was done: %+v", got)
	}
	c.after(15*time.Minute - time.Second)
	c.holds(ada)
	c.after(time.Second)
	c.holds(nobody)
	c.ControlIdle = time.Hour // a time that was set
	must(t, c.TakeControl(t.Context(), c.b, ada))
	c.after(59 * time.Minute)
	c.holds(ada)
	must(t, c.AskControl(t.Context(), c.b, boole))
	c.after(time.Minute)
	c.holds(boole) // who asked has it then
}

// TestControlLapsesWithTheBrowser: a holder whose last page has been closed for
// two minutes is gone; one that comes back is not.
func TestControlLapsesWithTheBrowser(t *testing.T) {
	t.Parallel()
	c := newClaims(t)
	one, two := c.Present(ada), c.Present(ada)
	c.after(5 * time.Minute)
	one()
	one() // once counts
	c.after(5 * time.Minute)
	c.holds(ada)
	c.Acted(ada)
	two()
	c.after(time.Minute)
	c.holds(ada)
	back := c.Present(ada)
	c.after(5 * time.Minute)
	c.holds(ada)
	back()
	c.after(119 * time.Second)
	c.holds(ada)
	c.after(time.Second)
	c.holds(nobody)
}

// TestControlStaysWhileSomethingIsAtWork: nothing ends it or hands it over while
// a run is at work, and its idle time begins when the run has ended.
func TestControlStaysWhileSomethingIsAtWork(t *testing.T) {
	t.Parallel()
	c := newClaims(t)
	c.running(t, ada)
	must(t, c.AskControl(t.Context(), c.b, boole))
	refused(t, c.HandOver(t.Context(), c.b, ada), problem.Busy, "A run is at work")
	c.ended[ada.Session] = true
	c.after(10 * time.Hour)
	c.holds(ada)
	if got := c.Control(c.b); got.Asks != "Boole" || !got.Lapses.IsZero() {
		t.Errorf("%+v", got)
	}
	c.ended[ada.Session] = false
	c.wait(t)
	c.after(14 * time.Minute)
	c.holds(ada)
	c.after(time.Minute)
	c.holds(boole)
}

// TestControlStaysWhereItIsDuringARun: nobody takes it or gives it up before the
// run has ended; a holder who signs out is gone, and nobody follows them yet.
func TestControlStaysWhereItIsDuringARun(t *testing.T) {
	t.Parallel()
	c := newClaims(t)
	id := c.running(t, ada)
	refused(t, c.TakeControl(t.Context(), c.b, owner), problem.Conflict, "Stop the run first")
	refused(t, c.TakeControl(t.Context(), c.b, boole), problem.Held, "Ada holds control")
	refused(t, c.ReleaseControl(t.Context(), c.b, ada), problem.Conflict, "Stop the run first")
	must(t, c.ReleaseControl(t.Context(), c.b, boole)) // nothing of Boole's
	must(t, c.TakeControl(t.Context(), c.b, ada))      // it is hers
	c.holds(ada)
	c.SignedOut(ada.Session)
	c.holds(nobody)
	refused(t, c.TakeControl(t.Context(), c.b, boole), problem.Conflict, "Stop the run first")
	refused(t, c.AskControl(t.Context(), c.b, boole), problem.Conflict, "Stop the run first")
	must(t, c.Stop(t.Context(), boole, id))
	c.wait(t)
	must(t, c.TakeControl(t.Context(), c.b, boole))
	must(t, c.TakeControl(t.Context(), c.b, owner))
	must(t, c.ReleaseControl(t.Context(), c.b, owner))
	c.holds(nobody)
}

// TestControlStaysDuringWorkByHand: what is done with the cards beside runs keeps
// it as a run does.
func TestControlStaysDuringWorkByHand(t *testing.T) {
	t.Parallel()
	c := newClaims(t)
	c.b.byHand.while("a message sent by hand", func() {
		refused(t, c.TakeControl(t.Context(), c.b, owner), problem.Conflict, "A message sent by hand. Control changes hands when that has ended")
		refused(t, c.ReleaseControl(t.Context(), c.b, ada), problem.Conflict, "make the bench safe")
	})
	c.holds(ada)
	must(t, c.ReleaseControl(t.Context(), c.b, ada))
}

// TestControlEndsWithItsAccess: whoever may come in no more controls nothing.
func TestControlEndsWithItsAccess(t *testing.T) {
	t.Parallel()
	c := newClaims(t)
	must(t, c.AskControl(t.Context(), c.b, boole))
	c.ended[ada.Session], c.ended[boole.Session] = true, true
	c.after(time.Second)
	c.holds(nobody)
}

// TestWatchControl: the watch looks each second, on the time of the machine.
func TestWatchControl(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.Now = time.Now
		must(t, r.TakeControl(t.Context(), r.b, ada))
		ctx, cancel := context.WithCancel(t.Context())
		var over sync.WaitGroup
		over.Go(func() { r.WatchControl(ctx) })
		time.Sleep(ControlIdle - time.Second)
		synctest.Wait()
		if r.Control(r.b).Session == "" {
			t.Error("control has lapsed too early")
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if got := r.Control(r.b); got.Session != "" {
			t.Errorf("control has not lapsed: %+v", got)
		}
		cancel()
		over.Wait()
	})
}

// TestEditOfTheBenchInUseNeedsControl, and that of another does not.
func TestEditOfTheBenchInUseNeedsControl(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	def := desk()
	rev, err := r.SaveBench(t.Context(), ada, def, 0)
	must(t, err)
	r.b.Definition = def // as if it were in use
	_, err = r.SaveBench(t.Context(), ada, def, rev)
	refused(t, err, problem.Conflict, "Take control")
	must(t, r.TakeControl(t.Context(), r.b, boole))
	_, err = r.SaveBench(t.Context(), ada, def, rev)
	refused(t, err, problem.Held, "Boole holds control")
	_, err = r.SaveBench(t.Context(), boole, def, rev)
	must(t, err)
}
