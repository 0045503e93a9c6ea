package lab

import (
	"context"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/cardinfo"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

const (
	keptSteps   = 40  // calls that are listed
	stepEvents  = 200 // events of one call
	stepWithin  = 2 * time.Second
	stepLooking = 5 * time.Millisecond
)

// Step is a call to the link that was made, and what was said meanwhile.
type Step struct {
	run.Step
	Events []cardinfo.Event
}

// Stepping is how far a measurement has come whose calls to the link a person
// lets through.
type Stepping struct {
	Run     string // "" where nothing was stepped through on this bench
	What    string // the measurement and the device, in words
	Active  bool
	Done    []Step    // newest first
	Left    int       // calls that are not listed any more
	Pending *run.Step // the call that waits
	Ending  *run.Held // how it has ended, where memory still holds it
}

// stepping is the state of stepping on one bench.
type stepping struct {
	// mu is held for a few lines at a time and never over a start or a call to
	// the link: a page, a stop and a make safe look here.
	mu   sync.Mutex
	run  string
	what string
	from uint64 // number of the last event when the last call was let through
	seen int    // the last call that is in done
	done []Step
	left int
	// occasion is what is energised by it: whoever lets a call through has
	// confirmed it as whoever starts.
	occasion Occasion
}

// begin forgets what was stepped through before, for a run that has just begun.
func (st *stepping) begin(b *Bench, rec *procedure.Record, pinMapRev int) {
	st.mu.Lock()
	defer st.mu.Unlock()
	st.run, st.from, st.seen, st.done, st.left = rec.ID, lastEvent(b), 0, nil, 0
	st.occasion = Occasion{Device: &rec.Device, DeviceRev: rec.DeviceRev, PinMap: &rec.PinMap, Rev: pinMapRev}
	st.what = rec.Procedure.Measurements[0].Name + ", " + rec.Device.Name
}

// observe takes in the call that was made last. The lock must be held.
func (st *stepping) observe(b *Bench) {
	last, ok := b.Stepper.Last()
	if !ok || last.N <= st.seen {
		return
	}
	step := Step{Step: last}
	if b.Cards != nil {
		step.Events = b.Cards.Recent(st.from, stepEvents)
		if n := len(step.Events); n > 0 {
			st.from = step.Events[n-1].N
		}
	}
	st.seen = last.N
	st.done = append([]Step{step}, st.done...)
	if over := len(st.done) - keptSteps; over > 0 {
		st.done, st.left = st.done[:keptSteps], st.left+over
	}
}

// Stepping is how far the measurement that is stepped through has come.
func (b *Bench) Stepping() Stepping {
	st := &b.stepping
	st.mu.Lock()
	defer st.mu.Unlock()
	out := Stepping{Run: st.run, What: st.what}
	if st.run == "" {
		return out
	}
	st.observe(b)
	out.Done, out.Left = slices.Clone(st.done), st.left
	if out.Active = b.Station.Snapshot().Run == st.run; !out.Active {
		if m := b.Manual(); m.ID == st.run && m.Memory != nil {
			if h := m.Memory.Held(); h.Ending != nil {
				out.Ending = &h
			}
		}
		return out
	}
	if next, waits := b.Stepper.Pending(); waits {
		out.Pending = &next
	}
	return out
}

// StepThrough begins to step through measurement i of a stored procedure.
func (l *Lab) StepThrough(ctx context.Context, b *Bench, who Person, procedureKey string, i int, confirm []string) error {
	if b.Stepper == nil {
		return problem.New(problem.Conflict, "This bench has no stepper.")
	}
	rec, err := l.oneMeasurement(ctx, procedureKey, i)
	if err != nil {
		return err
	}
	_, rev, err := l.pinMap(ctx, b, rec.Device.Key)
	if problem.CodeOf(err) == problem.NotFound {
		return problem.Field("measurement", "its device has no pin map for this bench yet")
	}
	if err != nil {
		return err
	}
	if rec.ID, err = run.NewID(); err != nil {
		return err
	}
	id := rec.ID
	if _, err := l.startManual(ctx, b, who, rec, nil, launch{confirm: confirm, begun: func() {
		b.Stepper.On(id)
		b.stepping.begin(b, rec, rev)
	}}); err != nil {
		return err
	}
	go func() { // the next run is not to wait for anybody
		for b.Station.Snapshot().Run == id {
			_ = b.Station.Wait(context.Background())
		}
		b.Stepper.Off(id)
	}()
	return nil
}

// oneMeasurement is measurement i of a stored procedure, as manual work.
func (l *Lab) oneMeasurement(ctx context.Context, key string, i int) (*procedure.Record, error) {
	q, err := l.Store.GetProcedure(ctx, key, 0)
	if err != nil || i < 0 || i >= len(q.Body.Measurements) {
		return nil, problem.Field("measurement", "choose a measurement")
	}
	d, err := l.Store.GetDevice(ctx, q.Body.Device, 0)
	if err != nil {
		return nil, err
	}
	one := q.Body
	one.Measurements = one.Measurements[i : i+1 : i+1]
	one.Measurements[0].Disabled = false
	return &procedure.Record{Device: d.Body, DeviceRev: d.Rev, Procedure: one, ProcRev: q.Rev, Manual: true}, nil
}

// lastEvent is the number of the newest event there is.
func lastEvent(b *Bench) uint64 {
	if b.Cards == nil {
		return 0
	}
	if list := b.Cards.Recent(0, 1); len(list) > 0 {
		return list[0].N
	}
	return 0
}

// LetThrough lets call n through and waits a while for what comes of it. A call
// that does not wait any more is left alone. It energises the bench as a start
// does: whoever asks holds control and has confirmed; confirm is what is now.
func (l *Lab) LetThrough(ctx context.Context, b *Bench, who Person, n int, confirm []string) error {
	st := &b.stepping
	st.mu.Lock()
	id, o := st.run, st.occasion
	st.mu.Unlock()
	if id == "" || b.Station.Snapshot().Run != id {
		return b.mayUse(who)
	}
	if _, err := l.Confirm(ctx, b, who, confirm, o); err != nil {
		return err
	}
	if err := b.stillHeld(who); err != nil {
		return err
	}
	st.mu.Lock()
	st.observe(b)
	st.from = lastEvent(b)
	st.mu.Unlock()
	if !b.Stepper.Next(id, n) {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, stepWithin)
	defer cancel()
	look := time.NewTicker(stepLooking)
	defer look.Stop()
	for b.Station.Snapshot().Run == id {
		if last, ok := b.Stepper.Last(); ok && last.N >= n {
			break
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			return nil // it takes longer: the page shows it when it is made
		}
	}
	st.mu.Lock()
	defer st.mu.Unlock()
	if st.run == id {
		st.observe(b)
	}
	return nil
}

// StopStepping ends the measurement that is stepped through.
func (l *Lab) StopStepping(ctx context.Context, b *Bench, who Person) error {
	b.stepping.mu.Lock()
	id := b.stepping.run
	b.stepping.mu.Unlock()
	return l.Stop(ctx, who, id)
}
