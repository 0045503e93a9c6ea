package run

import (
	"strings"
	"testing"
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
