package run

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// slowObserver is told of updates one at a time, and waits to be let on.
type slowObserver struct {
	told chan string
	on   chan struct{}
}

func (o *slowObserver) Observe(u Update) {
	if u.Run == "broken" {
		panic("no paper")
	}
	o.told <- u.Run
	<-o.on
}

// What was committed is shown in order, one at a time, while the committer goes
// on by one load and no further.
func TestShownWhileTheNextIsStored(t *testing.T) {
	o := &slowObserver{told: make(chan string), on: make(chan struct{})}
	c := &committer{observer: o}
	next := make(chan string, 3)
	go func() {
		for _, id := range []string{"first", "second", "third"} {
			if err := c.show(Update{Run: id}); err != nil {
				t.Error(err)
			}
			next <- id
		}
		if err := c.shown(); err != nil {
			t.Error(err)
		}
		close(next)
	}()
	for _, id := range []string{"first", "second", "third"} {
		if got := <-o.told; got != id {
			t.Fatalf("told of %s, want %s", got, id)
		}
		if got := <-next; got != id { // it did not wait for the observer
			t.Fatalf("went on after %s, want %s", got, id)
		}
		select {
		case got := <-next:
			t.Fatalf("%s was handed over while %s is shown", got, id)
		default:
		}
		o.on <- struct{}{}
	}
	if _, more := <-next; more {
		t.Error("more was shown than there is")
	}
	if err := c.shown(); err != nil {
		t.Error(err)
	}
}

// An observer that panics is an error of the run at the next load, or at its end.
func TestShowingThatPanics(t *testing.T) {
	c := &committer{observer: &slowObserver{}}
	if err := c.show(Update{Run: "broken"}); err != nil {
		t.Fatal(err)
	}
	if err := c.show(Update{Run: "broken"}); err == nil || !strings.Contains(err.Error(), "no paper") {
		t.Errorf("the next load: %v", err)
	}
	var failed error
	c.fail = func(err error) { failed = err }
	if err := c.show(Update{Run: "broken"}); err != nil {
		t.Fatal(err)
	}
	c.check(c.shown())
	if failed == nil || c.broken != failed {
		t.Errorf("at the end: %v, %v", failed, c.broken)
	}
}

// An observer that panics ends the run at once: nobody may be reading for an hour
// until the next load, and outputs are on.
func TestShowingThatPanicsEndsTheRunAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := procedure.Measurement{ID: "m0"}
		var failed error
		p := newPipe()
		rec := fakeRecord()
		rec.ID = "broken"
		c := &committer{rec: rec, plan: &plan{steps: []*step{{PlanStep: &procedure.PlanStep{Kind: &fakeKind{}, Measurement: &m}}}},
			pipe: p, recorder: &secondFails{n: 2}, observer: &slowObserver{}, fail: func(err error) { failed = err },
			results: map[procedure.ResultID]procedure.Result{}}
		done := make(chan struct{})
		go func() {
			defer close(done)
			c.run(t.Context())
		}()
		l := &load{}
		l.readings, l.senses = []bench.Reading{{V: 1}}, []*procedure.Sense{nil}
		l.count(0, 0)
		if err := p.put(t.Context(), l, nil); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * commitEvery) // in the bubble: nothing more is put into the pipe
		synctest.Wait()
		if failed == nil || !strings.Contains(failed.Error(), "no paper") {
			t.Errorf("the run goes on, with %v", failed)
		}
		p.end()
		<-done
	})
}

// lastBroken is an observer that cannot show the last of a run.
type lastBroken struct{ *witness }

func (o lastBroken) Observe(u Update) {
	o.witness.Observe(u)
	if len(u.Progress.Done) > 0 && u.Progress.Done[0] && u.Ending == nil {
		panic("no paper")
	}
}

// A run whose last readings could not be shown has failed, and says so.
func TestLastLoadThatCannotBeShown(t *testing.T) {
	b := newBed(bench.NewCountingClock(year), []procedure.Point{point(pinA, volts(pinA, 1), grounded(pinGround))})
	b.runner.Observer = lastBroken{b.watch}
	e, err := b.runner.Run(t.Context(), b.rec)
	if e.Status != procedure.Failed || !strings.Contains(e.Reason, "no paper") || err == nil {
		t.Errorf("%+v, %v", e, err)
	}
	if b.link.live {
		t.Error("the bench was left energised")
	}
}
