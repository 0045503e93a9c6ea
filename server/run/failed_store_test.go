package run

import (
	"context"
	"errors"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// secondFails is a store whose second commit fails.
type secondFails struct {
	n int
}

func (r *secondFails) Begin(context.Context, *procedure.Record) error { return nil }
func (r *secondFails) Append(context.Context, string, procedure.Batch) error {
	r.n++
	if r.n == 2 {
		return errors.New("disk full")
	}
	return nil
}
func (r *secondFails) Finish(context.Context, string, procedure.Ending) error { return nil }

// holdingObserver looks at the first readings twice: when it is told of them, and
// when it is let on.
type holdingObserver struct {
	in, on, seen chan struct{}
	before, now  float64
	once         bool
}

func (o *holdingObserver) Observe(u Update) {
	if o.once || len(u.Batch.Readings) == 0 {
		return
	}
	o.once = true
	o.before = u.Batch.Readings[0].Readings[0].V
	close(o.in)
	<-o.on
	o.now = u.Batch.Readings[0].Readings[0].V
	close(o.seen)
}

// The memory that is being shown is not written over after a commit that failed.
func TestMemoryAfterFailedStore(t *testing.T) {
	k := &fakeKind{}
	m := procedure.Measurement{ID: "m0"}
	o := &holdingObserver{in: make(chan struct{}), on: make(chan struct{}), seen: make(chan struct{})}
	failed := make(chan error, 1)
	p := newPipe()
	c := &committer{rec: fakeRecord(), plan: &plan{steps: []*step{{PlanStep: &procedure.PlanStep{Kind: k, Measurement: &m}}}},
		pipe: p, recorder: &secondFails{}, observer: o, fail: func(err error) { failed <- err },
		results: map[procedure.ResultID]procedure.Result{}}
	go c.run(t.Context())
	put := func(v float64) {
		l := &load{}
		l.readings, l.senses = []bench.Reading{{V: v}}, []*procedure.Sense{nil}
		l.count(0, 0)
		ack := make(chan struct{})
		if err := p.put(t.Context(), l, ack); err != nil {
			t.Error(err)
			return
		}
		<-ack
	}
	put(1) // committed, being shown
	<-o.in
	go func() {
		put(2) // its commit fails: the observer is still at the first
		for _, v := range []float64{3, 4, 5} {
			put(v) // taken in and given up
		}
		p.end()
	}()
	<-failed
	close(o.on)
	<-o.seen
	if o.before != o.now {
		t.Errorf("the observer of reading %g finds %g in its memory", o.before, o.now)
	}
}
