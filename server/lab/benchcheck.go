package lab

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// A bench check goes on over several steps, with something else in the socket
// for each. What a step found is stored when it is over, so a check goes on
// where it was after a restart; a step that is broken off stores nothing.

const (
	checkingBench = "a check of the bench is at work"
	// CheckStaysOpen is how long after its beginning steps still join a check:
	// what is older says little of the bench beside them.
	CheckStaysOpen = 24 * time.Hour
)

// errCheckStopped ends a step that somebody stops.
var errCheckStopped = errors.New("it was stopped")

// otherSocketError ends a step that has found something else in the socket than
// it needs: what it measured is not of the bench.
type otherSocketError struct{ finding check.Finding }

func (e *otherSocketError) Error() string { return e.finding.Said + " " + e.finding.Do }

// BenchCheck is how the check of a bench stands beside what is stored of it.
type BenchCheck struct {
	Running check.Step // at work; "": none
	By      string     // who started it
	Since   time.Time
	Done    int // readings taken of about Of
	Of      int
	// Broken is the step that ended before its end, last; Err says why.
	// Refused is true where that is because something else was in the socket.
	Broken  check.Step
	Err     string
	Refused bool
	// Turn counts what has changed but for readings that were taken.
	Turn uint64
}

// benchCheck is the state of the check of one bench.
type benchCheck struct {
	mu     sync.Mutex
	cancel context.CancelCauseFunc // nil where no step is at work
	now    BenchCheck
	change uint64 // counts what changed
}

// BenchCheck is how the check of the bench stands, with a number that tells it
// from how it stood before.
func (b *Bench) BenchCheck() (BenchCheck, uint64) {
	c := &b.check
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now, c.change
}

// alter changes how the check stands.
func (c *benchCheck) alter(f func(*BenchCheck)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f(&c.now)
	c.now.Turn++
	c.change++
}

// progress is told of each reading.
func (c *benchCheck) progress(done, of int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now.Done, c.now.Of = done, of
	c.change++
}

// CheckRequest is what a person asks of a bench check: steps that need the same
// thing in the socket, one after the other.
type CheckRequest struct {
	Steps   []check.Step
	Seat    bool // in the rehearsal: put into the socket what they need first
	Confirm []string
}

// needs is what the steps need in the socket, of the first of them.
func (q *CheckRequest) needs() (check.StepInfo, error) {
	var first check.StepInfo
	for i, step := range q.Steps {
		info, known := check.InfoOf(step)
		switch {
		case !known:
			return first, problem.Field("step", "there is no step "+dut.Excerpt(string(step)))
		case i == 0:
			first = info
		case info.Model != first.Model:
			return first, problem.Field("step", "these steps need different things in the socket: do one after the other")
		}
	}
	if len(q.Steps) == 0 {
		return first, problem.Field("step", "say which step")
	}
	return first, nil
}

// CheckBench carries steps of the bench check out in the background, while
// nothing else runs. It holds the bench until the first has begun; from then on
// the station refuses whatever else would start.
func (l *Lab) CheckBench(ctx context.Context, b *Bench, who Person, q CheckRequest) error {
	info, err := q.needs()
	if err != nil {
		return err
	}
	release, err := l.hold(b)
	if err != nil {
		return err
	}
	defer release()
	if err := b.mayBegin(); err != nil {
		return err
	}
	if now, _ := b.BenchCheck(); now.Running != "" { // what it found is being stored
		return problem.New(problem.Busy, problem.Sentence(checkingBench)+".")
	}
	if _, err := l.Confirm(ctx, b, who, q.Confirm, Occasion{Empty: info.Model == NothingSeated, Plug: info}); err != nil {
		return err
	}
	if err := b.stillHeld(who); err != nil {
		return err
	}
	if q.Seat {
		if err := l.seatForCheck(ctx, b, who, info); err != nil {
			return err
		}
	}
	work, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	begun, over := make(chan struct{}), make(chan error, 1)
	go func() {
		defer cancel(nil)
		over <- l.checkSteps(work, cancel, b, who, q.Steps, sync.OnceFunc(func() { close(begun) }))
	}()
	select {
	case <-begun:
	case err := <-over:
		select {
		case <-begun: // it has begun and is over already: how is shown with the check
		default:
			return b.inTheWay(err)
		}
	}
	return nil
}

// checkSteps carries out steps one after the other, until one is broken off.
func (l *Lab) checkSteps(ctx context.Context, cancel context.CancelCauseFunc, b *Bench, who Person, steps []check.Step, begun func()) error {
	c := &b.check
	defer func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.cancel, c.now.Running = nil, ""
		c.now.Turn++
		c.change++
	}()
	for _, step := range steps {
		err := l.checkStep(ctx, b, who, step, func() {
			c.mu.Lock()
			c.cancel = cancel
			c.now = BenchCheck{Running: step, By: who.Name, Since: l.Now(), Turn: c.now.Turn + 1}
			c.change++
			c.mu.Unlock()
			begun()
		})
		if err != nil {
			other := (*otherSocketError)(nil)
			c.alter(func(now *BenchCheck) {
				now.Broken, now.Err, now.Refused = step, l.whyBroken(b, step, err), errors.As(err, &other)
			})
			return err
		}
	}
	return nil
}

// whyBroken says in words why a step was broken off. What is a fault of this
// program stands in the log.
func (l *Lab) whyBroken(b *Bench, step check.Step, err error) string {
	var halt *run.Halt
	var other *otherSocketError
	if errors.As(err, &other) {
		return other.Error()
	}
	if errors.Is(err, bench.ErrMadeSafe) {
		return "the bench was made safe"
	}
	if errors.Is(err, errCheckStopped) || errors.As(err, &halt) || errors.Is(err, run.ErrLost) || errors.Is(err, run.ErrNotSafe) || problem.Of(err) != nil {
		return err.Error()
	}
	l.Log.Error("check of the bench broke off", "bench", b.Definition.Key, "step", step, "err", err)
	return errCheckBroke.Error()
}

// checkStep carries a step out and stores what it found.
func (l *Lab) checkStep(ctx context.Context, b *Bench, who Person, step check.Step, begun func()) error {
	carryOut := l.CarryOut
	if carryOut == nil {
		carryOut = check.Run
	}
	open, err := l.OpenCheck(ctx, b)
	if err != nil {
		return err
	}
	var result check.StepResult
	var identity bench.Identity
	began := l.Now()
	err = b.Station.Work(ctx, checkingBench, func(ctx context.Context, link bench.Link, clock bench.Clock) (err error) {
		begun()
		l.Note(ctx, who, "check bench", b.Definition.Key, string(step))
		if identity, err = link.Identify(ctx); err != nil {
			return err
		}
		def := b.Definition
		result, err = carryOut(ctx, check.Rig{Link: link, Clock: clock, Def: &def, Progress: b.check.progress, Before: open}, step)
		return err
	})
	if err != nil {
		return err
	}
	if i := slices.IndexFunc(result.Findings, func(f check.Finding) bool { return f.Kind == check.OtherSocket }); i >= 0 {
		return &otherSocketError{result.Findings[i]}
	}
	result.Step = step
	if result.Began.IsZero() || result.Ended.IsZero() {
		result.Began, result.Ended = began, l.Now()
	}
	return l.putStep(context.WithoutCancel(ctx), b, who, open, identity, result)
}

// putStep stores a step's result with the check that it belongs to. A step that
// found a fault and is done again leaves that check as it was found, and goes
// into a new one that has the other steps as they are: what the fault spoiled
// before is still to be told.
func (l *Lab) putStep(ctx context.Context, b *Bench, who Person, open *check.Record, identity bench.Identity, result check.StepResult) error {
	rec := open
	if rec != nil {
		if old := rec.Result(result.Step); old != nil && !old.OK() {
			found := *rec
			found.Ended = l.Now()
			if err := l.Store.SaveCheck(ctx, &found); err != nil {
				return err
			}
			rec = &check.Record{Steps: slices.Clone(found.Steps)}
		}
	}
	if rec == nil {
		rec = &check.Record{}
	}
	if rec.ID == "" {
		id, err := run.NewID()
		if err != nil {
			return err
		}
		rec.ID, rec.Bench, rec.By, rec.Began = id, b.Definition.Key, who.Name, result.Began
	}
	rec.Identity, rec.Built = identity, b.Definition.Built()
	rec.Put(result)
	if rec.Verdict() == check.Good {
		rec.Ended = l.Now()
	}
	return l.Store.SaveCheck(ctx, rec)
}

// OpenCheck is the check of the bench that a further step joins; nil where the
// next step begins a new one: the last one was ended, is too old or of another
// bench of this name, or a run came after it.
func (l *Lab) OpenCheck(ctx context.Context, b *Bench) (*check.Record, error) {
	list, _, err := l.Store.ListChecks(ctx, b.Definition.Key, "", 1)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	last := list[0]
	now := l.Now()
	if last.Damaged != "" || !last.Ended.IsZero() || now.Sub(last.Began) >= CheckStaysOpen || last.Record.Identity.Serial != b.Identity().Serial ||
		last.Record.Built != "" && last.Record.Built != b.Definition.Built() {
		return nil, nil
	}
	runs, err := l.Store.LastRuns(ctx, 1)
	if err != nil {
		return nil, err
	}
	if len(runs) > 0 && runs[0].Started.After(last.At) {
		return nil, nil
	}
	return last.Record, nil
}

// StopBenchCheck breaks off the step at work. Where none is, that is what was
// wanted.
func (l *Lab) StopBenchCheck(ctx context.Context, b *Bench, who Person) error {
	if err := b.mayUse(who); err != nil {
		return err
	}
	c := &b.check
	c.mu.Lock()
	cancel := c.cancel
	c.mu.Unlock()
	if cancel != nil {
		cancel(errCheckStopped)
		l.Note(ctx, who, "stop bench check", b.Definition.Key, "")
	}
	return nil
}

// EndBenchCheck ends the open check as it is: the steps that were not done stay
// so, and the next one begins a new check. It returns the check.
func (l *Lab) EndBenchCheck(ctx context.Context, b *Bench, who Person) (*check.Record, error) {
	release, err := l.hold(b)
	if err != nil {
		return nil, err
	}
	defer release()
	if err := b.mayUse(who); err != nil {
		return nil, err
	}
	if now, _ := b.BenchCheck(); now.Running != "" {
		return nil, problem.New(problem.Busy, problem.Sentence(checkingBench)+": stop the step first.")
	}
	open, err := l.OpenCheck(ctx, b)
	if err != nil {
		return nil, err
	}
	if open == nil {
		return nil, problem.New(problem.Conflict, "No check of this bench is open.")
	}
	open.Ended = l.Now()
	if err := l.Store.SaveCheck(ctx, open); err != nil {
		return nil, err
	}
	b.check.alter(func(*BenchCheck) {})
	l.Note(ctx, who, "end bench check", b.Definition.Key, string(open.Verdict()))
	return open, nil
}

// LastCheck is the newest check of a bench; nil where there is none.
func (l *Lab) LastCheck(ctx context.Context, benchKey string) (*store.BenchCheck, error) {
	return l.Store.LastCheckBefore(ctx, benchKey, l.Now())
}
