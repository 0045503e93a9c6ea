package run

import (
	"fmt"
	"math"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// resultsEvery is the shortest time between two workings-out of the results of
// a measurement that goes on: each of them writes their rows again.
const resultsEvery = time.Second

// derivation is the computation of a run's results from its readings, load after
// load. One goroutine uses it.
type derivation struct {
	rec      *procedure.Record
	plan     *plan
	derivers map[int]*deriving                       // by index in the plan
	results  map[procedure.ResultID]procedure.Result // as they were last worked out
}

func newDerivation(rec *procedure.Record, p *plan) *derivation {
	return &derivation{rec: rec, plan: p, derivers: map[int]*deriving{}, results: map[procedure.ResultID]procedure.Result{}}
}

// derived is a load with what is to be stored of it.
type derived struct {
	load  *load
	batch procedure.Batch
	last  bool  // of the run: it has brought all results up to date
	err   error // of the derivation
}

// derive makes readings and results of a load. A panic of a kind is an error.
func (d *derivation) derive(l *load, last bool) (out derived) {
	out = derived{load: l, last: last}
	defer func() {
		if p := recover(); p != nil {
			out.err = fmt.Errorf("deriving results: %v", p)
		}
	}()
	out.batch = d.batch(l, last)
	return out
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

// batch makes readings and results of a load.
func (d *derivation) batch(l *load, last bool) procedure.Batch {
	var b procedure.Batch
	at := 0
	for _, s := range l.spans {
		x := d.deriving(s.step)
		x.attempt = s.attempt
		readings := l.readings[at : at+s.n]
		for i, sense := range l.senses[at : at+s.n] {
			x.Add(procedure.Observation{Reading: readings[i], Sense: sense})
		}
		if s.n > 0 {
			x.stale = true
			b.Readings = appendReadings(b.Readings, x.index, readings)
		}
		if s.end {
			x.ended = true
			b.Complete = append(b.Complete, x.index)
		}
		at += s.n
	}
	for step, x := range d.derivers {
		if last || x.ended || x.stale && !time.Now().Before(x.due) {
			b.Results = d.workOut(x, x.ended || last, b.Results)
		}
		if x.ended {
			delete(d.derivers, step)
		}
	}
	return b
}

func (d *derivation) deriving(step int) *deriving {
	x := d.derivers[step]
	if x == nil {
		s := d.plan.steps[step]
		x = &deriving{index: s.Index, Deriver: procedure.Derive(s.Kind, s.Measurement, &d.rec.Device, d.rec.Procedure.Rule())}
		d.derivers[step] = x
	}
	return x
}

// workOut appends the results of a measurement that are new or have changed,
// and says when they may be worked out again: a second later at the earliest,
// and so that it takes no more than a tenth of the time. Only final results have
// their budgets: to write them anew each second is half of all that a slow
// measurement writes.
func (d *derivation) workOut(x *deriving, final bool, out []procedure.Result) []procedure.Result {
	begun := time.Now()
	results := x.Results()
	for i := range results {
		results[i].Measurement = x.index
		if x.attempt > 0 {
			results[i].Note = again(results[i].Note, x.attempt)
		}
	}
	if x.ended && x.attempt > 0 {
		results = append(results, d.withdrawn(x.index, results)...)
	}
	for _, r := range results {
		if !final {
			r.Budget = nil // larger than the result, and there is another in a second
		}
		old, ok := d.results[r.ID()]
		if !ok || !sameResult(old, r) || old.Budget == nil && r.Budget != nil {
			d.results[r.ID()] = r
			out = append(out, r)
		}
	}
	now := time.Now()
	x.stale, x.due = false, now.Add(max(resultsEvery, 10*now.Sub(begun)))
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
func (d *derivation) withdrawn(measurement int, now []procedure.Result) []procedure.Result {
	has := map[procedure.ResultID]bool{}
	for _, r := range now {
		has[r.ID()] = true
	}
	var out []procedure.Result
	for id, r := range d.results {
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
