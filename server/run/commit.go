package run

import (
	"context"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

const (
	// storeWithin is the time limit of one commit: a disk that takes longer
	// has failed.
	storeWithin = 30 * time.Second
	// resultsEvery is the shortest time between two workings-out of the results
	// of a measurement that goes on: each of them writes their rows again.
	resultsEvery = time.Second
)

// committer is the storing end of a run: it derives results from what was
// measured, has readings and results stored together, and only then shows
// them. Its goroutine is the only one that uses the derivers.
type committer struct {
	rec      *procedure.Record
	plan     *plan
	pipe     *pipe
	recorder Recorder
	observer Observer
	fail     func(error) // told once, from the committer's goroutine

	derivers map[int]*deriving // by index in the plan
	results  map[procedure.ResultID]procedure.Result
	last     Progress
	readings int64
	broken   error
	showing  chan error  // tells when the observer has been told; nil: nothing is under way
	failed   atomic.Bool // the measurement completed last has a fail
}

// deriving is the computation of one measurement's results.
type deriving struct {
	procedure.Deriver
	index   int       // of the measurement in the procedure
	attempt int       // at it, from 0
	due     time.Time // when results may be worked out again
	stale   bool      // readings have come since they were
	ended   bool      // the measurement is complete
}

// run commits until the pipe ends. What is committed is shown while the next
// load is stored, so there are two loads whose memory is used by turns.
func (c *committer) run(ctx context.Context) {
	ctx = context.WithoutCancel(ctx)
	var loads [2]load
	var last time.Time
	more := true
	for k := 0; more; k = 1 - k {
		l := &loads[k]
		if c.broken != nil {
			_ = c.shown() // nothing follows it: its memory is about to be used again
		}
		more = c.pipe.take(l, last.Add(commitEvery))
		last = time.Now()
		if c.broken == nil {
			c.check(c.commit(ctx, l, !more))
		}
		for _, ack := range l.acks {
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

// commit stores one load and has it shown. The last one brings all results up to
// date.
func (c *committer) commit(ctx context.Context, l *load, last bool) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("deriving or storing readings: %v", p)
		}
	}()
	b := c.batch(l, last)
	if len(b.Readings) > 0 || len(b.Results) > 0 {
		ctx, cancel := context.WithTimeout(ctx, storeWithin)
		defer cancel()
		if err := c.recorder.Append(ctx, c.rec.ID, b); err != nil {
			return fmt.Errorf("storing readings: %w", err)
		}
	}
	c.readings += int64(len(l.readings))
	for _, r := range b.Results {
		c.results[r.ID()] = r
	}
	for _, s := range l.spans {
		if s.end {
			c.failed.Store(c.failedAt(c.plan.steps[s.step].Index))
		}
	}
	c.last = l.progress
	c.last.Readings = c.readings
	if c.observer != nil && (len(b.Readings) > 0 || len(b.Results) > 0 || l.pins != nil || !last) {
		return c.show(Update{Run: c.rec.ID, Batch: b, Progress: c.last, Pins: l.pins})
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

// batch makes readings and results of a load.
func (c *committer) batch(l *load, last bool) procedure.Batch {
	var b procedure.Batch
	at := 0
	for _, s := range l.spans {
		d := c.deriving(s.step)
		d.attempt = s.attempt
		readings := l.readings[at : at+s.n]
		for i, sense := range l.senses[at : at+s.n] {
			d.Add(procedure.Observation{Reading: readings[i], Sense: sense})
		}
		if s.n > 0 {
			d.stale = true
			b.Readings = appendReadings(b.Readings, d.index, readings)
		}
		if s.end {
			d.ended = true
			b.Complete = append(b.Complete, d.index)
		}
		at += s.n
	}
	for step, d := range c.derivers {
		if last || d.ended || d.stale && !time.Now().Before(d.due) {
			b.Results = c.derive(d, b.Results)
		}
		if d.ended {
			delete(c.derivers, step)
		}
	}
	return b
}

func (c *committer) deriving(step int) *deriving {
	d := c.derivers[step]
	if d == nil {
		s := c.plan.steps[step]
		d = &deriving{index: s.Index, Deriver: procedure.Derive(s.Kind, s.Measurement, &c.rec.Device, c.rec.Procedure.Rule())}
		c.derivers[step] = d
	}
	return d
}

// derive appends the results of a measurement that are new or have changed,
// and says when they may be worked out again: a second later at the earliest,
// and so that it takes no more than a tenth of the time.
func (c *committer) derive(d *deriving, out []procedure.Result) []procedure.Result {
	begun := time.Now()
	results := d.Results()
	for i := range results {
		results[i].Measurement = d.index
		if d.attempt > 0 {
			results[i].Note = again(results[i].Note, d.attempt)
		}
	}
	if d.ended && d.attempt > 0 {
		results = append(results, c.withdrawn(d.index, results)...)
	}
	for _, r := range results {
		if old, ok := c.results[r.ID()]; !ok || !sameResult(old, r) {
			out = append(out, r)
		}
	}
	now := time.Now()
	d.stale, d.due = false, now.Add(max(resultsEvery, 10*now.Sub(begun)))
	return out
}

// again says in a result's note that it was measured more than once.
func again(note string, attempt int) string {
	s := fmt.Sprintf("attempt %d: the earlier ones failed, the last counts", attempt+1)
	if note != "" {
		s += "; " + note
	}
	return s
}

// withdrawn are the results of earlier attempts at a measurement that the last
// one does not have: they stay to be read, but count no more.
func (c *committer) withdrawn(measurement int, now []procedure.Result) []procedure.Result {
	has := map[procedure.ResultID]bool{}
	for _, r := range now {
		has[r.ID()] = true
	}
	var out []procedure.Result
	for id, r := range c.results {
		if id.Measurement == measurement && !has[id] {
			r.Low, r.High, r.Outcome, r.Flags = nil, nil, derive.NoLimits, r.Flags&^bench.OutOfLimit
			r.Band, r.Conformity = nil, nil
			r.Note = "of an earlier attempt: the last counts"
			out = append(out, r)
		}
	}
	return out
}

// appendReadings adds readings of a measurement, joining them to those before.
func appendReadings(all []procedure.MeasurementReadings, m int, r []bench.Reading) []procedure.MeasurementReadings {
	if n := len(all); n > 0 && all[n-1].Measurement == m {
		last := all[n-1].Readings
		all[n-1].Readings = last[:len(last)+len(r)]
		return all
	}
	return append(all, procedure.MeasurementReadings{Measurement: m, Readings: r})
}

func sameResult(a, b procedure.Result) bool {
	if !samePtr(a.Low, b.Low) || !samePtr(a.High, b.High) || !samePtr(a.Band, b.Band) || !samePtr(a.Conformity, b.Conformity) {
		return false
	}
	if !sameNumber(a.U, b.U) || !sameNumber(a.From, b.From) || !sameNumber(a.To, b.To) {
		return false
	}
	for _, r := range []*procedure.Result{&a, &b} {
		r.Low, r.High, r.Band, r.Conformity = nil, nil, nil, nil
		r.Budget = nil // the same U is made of the same
		r.U, r.From, r.To = 0, 0, 0
	}
	return a == b
}

// sameNumber holds NaN, an end or a U that is not known, to be the same as NaN.
func sameNumber(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

func samePtr(a, b *float64) bool {
	return a == b || a != nil && b != nil && *a == *b
}

// outcome is that of the whole run. A limit that nothing was held against, be it
// that the run did not get so far or that no value came of what was read, leaves
// the run undecided: it must not read as passed.
func (c *committer) outcome(status procedure.Status) derive.Outcome {
	worst := derive.NoLimits
	for _, r := range c.results {
		worst = derive.Worst(worst, r.Outcome)
	}
	for i := range c.rec.Procedure.Measurements {
		m := &c.rec.Procedure.Measurements[i]
		if m.Disabled {
			continue
		}
		if status != procedure.Done && m.Limited() || c.unjudged(i, m) {
			return derive.Worst(worst, derive.Invalid)
		}
	}
	return worst
}

// unjudged reports whether a limit of a measurement has no result at all.
func (c *committer) unjudged(index int, m *procedure.Measurement) bool {
	judged := map[string]bool{}
	for id := range c.results {
		if id.Measurement == index {
			judged[id.Key] = true
		}
	}
	for key, limit := range m.Limits {
		if (limit.Low != nil || limit.High != nil) && !judged[key] {
			return true
		}
	}
	return false
}
