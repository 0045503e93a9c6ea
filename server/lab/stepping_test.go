package lab

import (
	"runtime"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

// pending waits for the next call of the measurement that is stepped through.
func (r *rig) pending(t testing.TB) (st Stepping) {
	t.Helper()
	for {
		if st = r.b.Stepping(); st.Pending != nil || !st.Active {
			return st
		}
		runtime.Gosched()
	}
}

// TestStepThrough: each call waits for a person, and is listed with what it
// brought.
func TestStepThrough(t *testing.T) {
	r := newRig(t)
	if st := r.b.Stepping(); st.Run != "" || st.Active {
		t.Errorf("before anything: %+v", st)
	}
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Device: "load"}))
	must(t, r.StepThrough(t.Context(), r.b, ada, "check", 0, nil))
	calls, n := map[string]int{}, 0
	for {
		st := r.pending(t)
		if !st.Active {
			break
		}
		n++
		if st.Pending.N != n || st.What != "Resistance, Known load" || len(st.Done)+st.Left != n-1 {
			t.Fatalf("before call %d: %+v", n, st)
		}
		calls[st.Pending.Call]++
		must(t, r.LetThrough(t.Context(), r.b, ada, n+1, nil)) // one that does not wait is left alone
		if again := r.b.Stepping(); again.Pending == nil || again.Pending.N != n {
			t.Fatalf("call %d was let through as %d", n, n+1)
		}
		must(t, r.LetThrough(t.Context(), r.b, ada, n, nil))
	}
	r.wait(t)
	st := r.b.Stepping()
	if st.Ending == nil || st.Ending.Ending.Status != procedure.Done || len(st.Ending.Results) == 0 {
		t.Errorf("ended %+v", st.Ending)
	}
	if calls["read"] != 1 || calls["close"] < 2 || calls["set"] < 1 || calls["output"] < 2 {
		t.Errorf("calls %v", calls)
	}
	must(t, r.LetThrough(t.Context(), r.b, ada, n, nil)) // a late click
	must(t, r.TakeControl(t.Context(), r.b, boole))
	refused(t, r.LetThrough(t.Context(), r.b, ada, n, nil), problem.Held, "Boole")
}

// TestSteppingWaitsForItsStart: while stepping waits to begin, the calls of a
// run that somebody else has started are not held up, and nobody who looks at
// the bench or stops something waits.
func TestSteppingWaitsForItsStart(t *testing.T) {
	r := newRig(t)
	release, err := r.hold(r.b)
	must(t, err)
	began := make(chan error, 1)
	go func() { began <- r.StepThrough(t.Context(), r.b, ada, "check", 0, nil) }()
	for r.b.Manual().ID == "" { // until nothing but the start is left
		runtime.Gosched()
	}
	if !r.b.stepping.mu.TryLock() {
		t.Fatal("whoever looks at the bench waits for the start")
	}
	r.b.stepping.mu.Unlock()
	id, err := r.startLocked(t.Context(), r.b, ada, starting())
	must(t, err)
	for r.b.Station.Snapshot().Run == id {
		if step, waits := r.b.Stepper.Pending(); waits {
			t.Fatalf("a call of somebody else's run waits for a person: %+v", step)
		}
		runtime.Gosched()
	}
	release()
	must(t, <-began)
	if st := r.pending(t); st.Pending == nil || st.Pending.N != 1 || len(st.Done) != 0 {
		t.Errorf("stepping began with %+v", st)
	}
	must(t, r.StopStepping(t.Context(), r.b, ada))
	r.wait(t)
}

func TestStepThroughRefuses(t *testing.T) {
	r := newRig(t)
	for _, i := range []int{-1, 2} {
		refused(t, r.StepThrough(t.Context(), r.b, ada, "check", i, nil), problem.Invalid, "choose a measurement")
	}
	refused(t, r.StepThrough(t.Context(), r.b, ada, "other", 0, nil), problem.Invalid, "choose a measurement")
	other := &Bench{Definition: bench.Definition{Key: "desk"}, Station: r.b.Station, Stepper: r.b.Stepper}
	refused(t, r.StepThrough(t.Context(), other, ada, "check", 0, nil), problem.Invalid, "no pin map")
	other.Stepper = nil
	refused(t, r.StepThrough(t.Context(), other, ada, "check", 0, nil), problem.Conflict, "no stepper")
	must(t, r.TakeControl(t.Context(), r.b, boole))
	refused(t, r.StepThrough(t.Context(), r.b, ada, "check", 0, nil), problem.Held, "Boole")
	must(t, r.ReleaseControl(t.Context(), r.b, boole))
	if _, err := r.Start(t.Context(), r.b, ada, starting()); err != nil { // nothing holds its calls
		t.Fatal(err)
	}
	r.wait(t)
}

// TestStepConfirms: on a bench with cards whoever lets a call through has
// confirmed as whoever starts, and what is said meanwhile is listed with it.
func TestStepConfirms(t *testing.T) {
	r := newRig(t)
	c := r.withCards()
	c.events = []cardinfo.Event{{N: 1}, {N: 2}}
	err := r.StepThrough(t.Context(), r.b, ada, "check", 0, nil)
	if got := open(t, err); len(got) != len(everything()) {
		t.Errorf("asked for %v", got)
	}
	must(t, r.StepThrough(t.Context(), r.b, ada, "check", 0, everything()))
	r.pending(t)
	refused(t, r.TakeControl(t.Context(), r.b, owner), problem.Conflict, "Stop the run first")
	r.SignedOut(ada.Session)                                 // what she confirmed goes with her
	must(t, r.b.Station.TakeOver(owner.Name, owner.Session)) // somebody has it all the same
	refused(t, r.LetThrough(t.Context(), r.b, ada, 1, nil), problem.Held, "Olga")
	err = r.LetThrough(t.Context(), r.b, owner, 1, nil)
	if got := open(t, err); len(got) != len(everything()) {
		t.Errorf("the new holder was asked for %v", got)
	}
	c.mu.Lock()
	c.events = append(c.events, cardinfo.Event{N: 3})
	c.mu.Unlock()
	must(t, r.LetThrough(t.Context(), r.b, owner, 1, everything()))
	st := r.pending(t)
	if len(st.Done) != 1 || st.Done[0].N != 1 {
		t.Errorf("listed %+v", st.Done)
	}
	must(t, r.StopStepping(t.Context(), r.b, owner))
	r.wait(t)
	if st := r.b.Stepping(); st.Active || st.Ending == nil || st.Ending.Ending.Status != procedure.Stopped {
		t.Errorf("stopped: %+v", st)
	}
	refused(t, r.StopStepping(t.Context(), r.b, owner), problem.Conflict, "not at work")
}
