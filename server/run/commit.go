package run

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// storeWithin is the time limit of one commit: a disk that takes longer has
// failed.
const storeWithin = 30 * time.Second

// committer is the storing end of a run: it has results derived from what was
// measured, has readings and results stored together, and only then shows
// them.
type committer struct {
	rec      *procedure.Record
	plan     *plan
	pipe     *pipe
	recorder Recorder
	observer Observer
	fail     func(error) // told once, from the goroutine that stores

	results  map[procedure.ResultID]procedure.Result // as they are stored
	last     Progress
	readings int64
	broken   error
	showing  chan error  // tells when the observer has been told; nil: nothing is under way
	failed   atomic.Bool // the measurement completed last has a fail
}

// run commits until the pipe ends. Results are derived from one load while the
// load before it is stored and the one before that is shown, so there are three
// loads whose memory is used by turns.
func (c *committer) run(ctx context.Context) {
	ctx = context.WithoutCancel(ctx)
	derived := make(chan derived)
	stored := make(chan struct{})
	go func() {
		defer close(stored)
		c.storeAll(ctx, derived)
	}()
	d := newDerivation(c.rec, c.plan)
	var loads [3]load
	var last time.Time
	more := true
	for k := 0; more; k = (k + 1) % len(loads) {
		l := &loads[k]
		more = c.pipe.take(l, last.Add(commitEvery))
		last = time.Now()
		derived <- d.derive(l, !more)
	}
	close(derived)
	<-stored
}

// storeAll stores one load after another and has them shown. After the first error
// it gives up those that follow.
func (c *committer) storeAll(ctx context.Context, derived <-chan derived) {
	for b := range derived {
		if c.broken == nil {
			c.check(c.commit(ctx, &b))
		}
		if c.broken != nil {
			_ = c.shown() // nothing follows it: its memory is about to be used again
		}
		for _, ack := range b.load.acks {
			close(ack)
		}
	}
	c.check(c.shown())
}

// check ends the run at the first error.
func (c *committer) check(err error) {
	if err != nil && c.broken == nil {
		c.broken = err
		c.fail(err)
	}
}

// show has the observer told of what has been committed, after the update
// before, whose error it returns. An error of its own asks for an empty load, which
// brings it to light: the next readings may be an hour away.
func (c *committer) show(u Update) error {
	if err := c.shown(); err != nil {
		return err
	}
	done := make(chan error, 1)
	c.showing = done
	go func() {
		_, err := guarded(func() (struct{}, error) {
			c.observer.Observe(u)
			return struct{}{}, nil
		})
		done <- err
		if err != nil && c.pipe != nil {
			c.pipe.urge()
		}
	}()
	return nil
}

// shown waits until the observer has been told of all that was committed.
func (c *committer) shown() error {
	if c.showing == nil {
		return nil
	}
	err := <-c.showing
	c.showing = nil
	if err != nil {
		return fmt.Errorf("showing readings: %w", err)
	}
	return nil
}

// commit stores one load with what was derived from it, and has it shown.
func (c *committer) commit(ctx context.Context, b *derived) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("storing readings: %v", p)
		}
	}()
	if b.err != nil {
		return b.err
	}
	if len(b.batch.Readings) > 0 || len(b.batch.Results) > 0 {
		ctx, cancel := context.WithTimeout(ctx, storeWithin)
		defer cancel()
		if err := c.recorder.Append(ctx, c.rec.ID, b.batch); err != nil {
			return fmt.Errorf("storing readings: %w", err)
		}
	}
	c.readings += int64(len(b.load.readings))
	for _, r := range b.batch.Results {
		c.results[r.ID()] = r
	}
	for _, s := range b.load.spans {
		if s.end {
			c.failed.Store(c.failedAt(c.plan.steps[s.step].Index))
		}
	}
	c.last = b.load.progress
	c.last.Readings = c.readings
	if c.observer != nil && (len(b.batch.Readings) > 0 || len(b.batch.Results) > 0 || b.load.pins != nil || !b.last) {
		return c.show(Update{Run: c.rec.ID, Batch: b.batch, Progress: c.last, Pins: b.load.pins})
	}
	return nil
}

// failedAt reports whether a measurement has a fail among its results.
func (c *committer) failedAt(measurement int) bool {
	for id, r := range c.results {
		if id.Measurement == measurement && r.Outcome == derive.Fail {
			return true
		}
	}
	return false
}

// outcome is that of the whole run.
func (c *committer) outcome(status procedure.Status) derive.Outcome {
	var v procedure.Verdict
	for id, r := range c.results {
		v.Add(id.Measurement, id.Key, r.Outcome)
	}
	return v.Of(&c.rec.Procedure, status)
}
