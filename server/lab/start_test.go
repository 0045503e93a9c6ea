package lab

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"sync"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

func TestStart(t *testing.T) {
	r := newRig(t)
	id, err := r.Start(t.Context(), r.b, ada, starting())
	must(t, err)
	r.wait(t)
	rec, err := r.Store.GetRun(t.Context(), id)
	must(t, err)
	if rec.Status != procedure.Done || rec.Operator != "Ada" || rec.Unit.Serial != "S1" || rec.Unit.Lot != "L1" || !rec.Rehearsal ||
		rec.Bench.Key != RehearsalKey || rec.PinMap.Contacts[2] != 2 || rec.Seated == nil || rec.Confirmed != nil {
		t.Errorf("recorded %+v", rec)
	}
	if got := r.socket.now(); got.Model != "check-load" || got.Serial != "S1" || got.Seed != SeedOf("load", "S1") {
		t.Errorf("in the socket: %+v", got)
	}
	if events := r.events(t, id); len(events) != 1 || events[0].Action != "start run" || events[0].Detail != "load check" {
		t.Errorf("the log says %+v", events)
	}
	if r.live.left() != 1 {
		t.Errorf("%d runs are shown live", r.live.left())
	}
}

// TestStartRefuses: what is refused starts nothing, seats nothing and shows
// nothing.
func TestStartRefuses(t *testing.T) {
	long := strings.Repeat("x", MaxSerial+1)
	for name, tc := range map[string]struct {
		change func(r *rig, q *StartRequest)
		who    Person
		code   problem.Code
		words  string
	}{
		"no device":            {change: func(_ *rig, q *StartRequest) { q.Device = "" }, code: problem.Invalid, words: "choose a device"},
		"no procedure":         {change: func(_ *rig, q *StartRequest) { q.Procedure = "" }, code: problem.Invalid, words: "choose a procedure"},
		"unknown device":       {change: func(_ *rig, q *StartRequest) { q.Device = "other" }, code: problem.Invalid, words: "there is no device"},
		"unknown procedure":    {change: func(_ *rig, q *StartRequest) { q.Procedure = "other" }, code: problem.Invalid, words: "there is no procedure"},
		"serial of two lines":  {change: func(_ *rig, q *StartRequest) { q.Serial = "S\n1" }, code: problem.Invalid, words: "one line"},
		"long lot":             {change: func(_ *rig, q *StartRequest) { q.Lot = long }, code: problem.Invalid, words: "at most 64"},
		"note that is no text": {change: func(_ *rig, q *StartRequest) { q.Note = "\xff" }, code: problem.Invalid, words: "UTF-8"},
		"deleted device": {change: func(r *rig, _ *StartRequest) {
			must(t, r.Store.DeleteProcedure(context.Background(), "check"))
			must(t, r.Store.DeleteDevice(context.Background(), "load"))
		}, code: problem.Invalid, words: "there is no device"},
		"no pin map": {change: func(r *rig, q *StartRequest) {
			d := loadDevice()
			d.Key = "loose"
			p := loadProcedure()
			p.Key, p.Device = "loose", "loose"
			_, err := r.Store.SaveDevice(context.Background(), d, 0, "test")
			must(t, err)
			_, err = r.Store.SaveProcedure(context.Background(), p, 0, "test")
			must(t, err)
			q.Device, q.Procedure = "loose", "loose"
		}, code: problem.Invalid, words: "no pin map"},
		"held by somebody else": {change: func(r *rig, _ *StartRequest) { must(t, r.TakeControl(context.Background(), r.b, boole)) }, code: problem.Held, words: "Boole holds control"},
		"unknown state":         {change: func(r *rig, _ *StartRequest) { r.b.Station.Lost("no answer") }, code: problem.Conflict, words: "no answer"},
		"too fast a settle": {change: func(r *rig, _ *StartRequest) {
			p := loadProcedure()
			p.Measurements[0].Settle.Time = 1e-9
			_, err := r.Store.SaveProcedure(context.Background(), p, 1, "test")
			must(t, err)
		}, code: problem.Conflict, words: "not acknowledged"},
		"beyond the ratings": {change: func(r *rig, _ *StartRequest) {
			p := loadProcedure()
			p.Measurements[1].Level = 12
			_, err := r.Store.SaveProcedure(context.Background(), p, 1, "test")
			must(t, err)
		}, code: problem.Invalid, words: "above the rating"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			q := starting()
			tc.change(r, &q)
			before := len(r.socket.now().Model)
			_, err := r.Start(t.Context(), r.b, ada, q)
			refused(t, err, tc.code, tc.words)
			if now := r.b.Station.Snapshot(); now.Run != "" || r.live.left() != 0 {
				t.Errorf("afterwards %+v, %d shown live", now, r.live.left())
			}
			if len(r.socket.now().Model) != before && name != "unknown state" {
				t.Errorf("%+v was seated for a start that was refused", r.socket.now())
			}
		})
	}
}

// TestAcknowledged: warnings keep a start back until they are named, and stand
// in the record then.
func TestAcknowledged(t *testing.T) {
	r := newRig(t)
	p := loadProcedure()
	p.Measurements[0].Settle.Time = 1e-9
	_, err := r.Store.SaveProcedure(t.Context(), p, 1, "test")
	must(t, err)
	q := starting()
	_, err = r.Start(t.Context(), r.b, ada, q)
	e := problem.Of(err)
	if e == nil {
		t.Fatalf("started without a word: %v", err)
	}
	open, ok := e.Detail.([]procedure.Finding)
	if !ok || len(open) == 0 {
		t.Fatalf("%+v names no findings", e)
	}
	for _, f := range open {
		q.Acknowledge = append(q.Acknowledge, f.Name())
	}
	id, err := r.Start(t.Context(), r.b, ada, q)
	must(t, err)
	r.wait(t)
	rec, err := r.Store.GetRun(t.Context(), id)
	must(t, err)
	if len(rec.Acknowledged) != len(open) {
		t.Errorf("acknowledged %v", rec.Acknowledged)
	}
	again, err := r.Rerun(t.Context(), r.b, ada, id, nil) // what was acknowledged is for the repetition too
	must(t, err)
	r.wait(t)
	if rec, err := r.Store.GetRun(t.Context(), again); err != nil || len(rec.Acknowledged) != len(open) {
		t.Errorf("the repetition: %v, %v", rec, err)
	}
}

func TestBusy(t *testing.T) {
	r := newRig(t)
	id := r.running(t, ada)
	before := r.socket.now()
	for name, try := range map[string]func() error{
		"a second run": func() error {
			_, err := r.Start(t.Context(), r.b, boole, StartRequest{Device: "load", Procedure: "check"})
			return err
		},
		"seating": func() error { return r.Seat(t.Context(), r.b, boole, bench.Seating{Model: NothingSeated}) },
		"by hand": func() error {
			d, err := r.Store.GetDevice(t.Context(), "load", 0)
			must(t, err)
			_, err = r.Measure(t.Context(), r.b, boole, d, ohms(), nil, nil)
			return err
		},
		"stepping":      func() error { return r.StepThrough(t.Context(), r.b, boole, "check", 0, nil) },
		"another bench": func() error { r.Open = openNothing; return r.Use(t.Context(), owner, RehearsalKey, false) },
	} {
		err := try()
		if problem.CodeOf(err) != problem.Busy || !errors.Is(err, run.ErrBusy) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if why := r.b.WhyBusy(boole); why != "A run is at work on this bench." {
		t.Errorf("says %q", why)
	}
	if r.socket.now().Serial != before.Serial || r.b.Station.Snapshot().Run != id || r.live.left() != 1 {
		t.Errorf("afterwards %+v in the socket, %+v", r.socket.now(), r.b.Station.Snapshot())
	}
	r.wait(t)
	if why := r.b.WhyBusy(boole); why != "" {
		t.Errorf("afterwards it says %q", why)
	}
}

func openNothing(context.Context, string) (*Bench, error) { return nil, errBroken }

// TestSeatAndStartAtOnce: two people who seat a unit and start a run at the same
// moment. Whoever is let through has measured the unit that the record names.
func TestSeatAndStartAtOnce(t *testing.T) {
	r := newRig(t)
	started := map[string]string{} // serial by run
	for round := range 25 {
		var mu sync.Mutex
		var people sync.WaitGroup
		for n := range 2 {
			q := starting()
			q.Serial = fmt.Sprintf("U%d-%d", round, n)
			people.Go(func() {
				id, err := r.Start(t.Context(), r.b, ada, q)
				if err != nil {
					if problem.CodeOf(err) != problem.Busy {
						t.Error(err)
					}
					return
				}
				mu.Lock()
				defer mu.Unlock()
				started[id] = q.Serial
			})
		}
		people.Wait()
		r.wait(t)
	}
	if len(started) < 25 {
		t.Errorf("only %d runs were let through", len(started))
	}
	for id, serial := range started {
		rec, err := r.Store.GetRun(t.Context(), id)
		must(t, err)
		if seated := fmt.Sprintf("%s", rec.Seated); rec.Unit.Serial != serial || !strings.Contains(seated, `"`+serial+`"`) {
			t.Errorf("%s was started for %s, names %s and was seated with %s", id, serial, rec.Unit.Serial, seated)
		}
	}
}

func TestStop(t *testing.T) {
	r := newRig(t)
	refused(t, r.Stop(t.Context(), ada, "no run"), problem.NotFound, "")
	id := r.running(t, ada)
	must(t, r.Stop(t.Context(), boole, id))
	r.wait(t)
	rec, err := r.Store.GetRun(t.Context(), id)
	must(t, err)
	if rec.Status != procedure.Stopped || rec.Reason != "stopped by Boole" {
		t.Errorf("%s: %s", rec.Status, rec.Reason)
	}
	refused(t, r.Stop(t.Context(), ada, id), problem.Conflict, "not at work any more")
	if events := r.events(t, id); events[0].Action != "stop run" || events[0].By != "Boole" {
		t.Errorf("the log says %+v", events)
	}
}

// TestStoppedBeforeItBegan: a start that fails in the store shows nothing live.
func TestStoppedBeforeItBegan(t *testing.T) {
	r := newRig(t)
	must(t, r.b.Station.Close(t.Context()))
	_, err := r.Start(t.Context(), r.b, ada, StartRequest{Device: "load", Procedure: "check"})
	refused(t, err, problem.Unavailable, "stopping")
	if r.live.left() != 0 {
		t.Error("a run that never began is shown live")
	}
}

func TestRuns(t *testing.T) {
	r := newRig(t)
	id := r.running(t, ada)
	refused(t, r.DeleteRun(t.Context(), owner, id), problem.Conflict, "at work")
	r.wait(t)
	refused(t, r.SetNote(t.Context(), ada, id, strings.Repeat("n", MaxNote+1)), problem.Invalid, "at most")
	refused(t, r.SetNote(t.Context(), ada, "no run", "note"), problem.NotFound, "")
	must(t, r.SetNote(t.Context(), ada, id, "seen"))
	if rec, err := r.Store.GetRun(t.Context(), id); err != nil || rec.Note != "seen" {
		t.Errorf("%v, %v", rec, err)
	}
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: NothingSeated}))
	again, err := r.Rerun(t.Context(), r.b, boole, id, nil)
	must(t, err)
	r.wait(t)
	if got := r.socket.now(); got.Serial != "S1" || got.Model != "check-load" {
		t.Errorf("the repetition has %+v in the socket", got)
	}
	_, err = r.Rerun(t.Context(), r.b, ada, "no run", nil)
	refused(t, err, problem.NotFound, "")
	must(t, r.DeleteRun(t.Context(), owner, again))
	refused(t, r.DeleteRun(t.Context(), owner, again), problem.NotFound, "")
	if events := r.events(t, again); events[0].Action != "delete run" ||
		!headKept.MatchString(events[0].Detail) {
		t.Errorf("the log says %+v", events)
	}
}

// headKept is what the log keeps of a run that is deleted.
var headKept = regexp.MustCompile(`^device load Known load \(revision 1\), unit S1, lot L1, procedure check \(revision 1\), bench rehearsal, by \w+, 2030-01-01T00:00:\d\dZ, done: pass, 11 results, 105 readings; note: none$`)

// TestWhoDeletedIsKept: who deleted a run stands in the log as soon as it is not
// found any more, also where the deletion itself is cut short.
func TestWhoDeletedIsKept(t *testing.T) {
	r := newRig(t)
	id := r.running(t, ada)
	r.wait(t)
	storetest.CutDeletions(t, r.Store)
	if err := r.DeleteRun(t.Context(), owner, id); err == nil {
		t.Fatal("the deletion was not cut short")
	}
	_, err := r.Store.GetRun(t.Context(), id)
	refused(t, err, problem.NotFound, "")
	if events := r.events(t, id); len(events) == 0 || events[0].Action != "delete run" || events[0].By != owner.Name ||
		!headKept.MatchString(events[0].Detail) {
		t.Errorf("the log says %+v", events)
	}
}

func TestControl(t *testing.T) {
	r := newRig(t)
	must(t, r.TakeControl(t.Context(), r.b, ada))
	must(t, r.TakeControl(t.Context(), r.b, ada)) // whoever has it keeps it
	refused(t, r.TakeControl(t.Context(), r.b, boole), problem.Held, "Ada holds control")
	refused(t, r.b.HoldsControl(boole), problem.Held, "Ada holds control")
	must(t, r.b.HoldsControl(ada))
	must(t, r.ReleaseControl(t.Context(), r.b, boole)) // nothing of Boole's
	if r.b.Station.Snapshot().Holder != "Ada" {
		t.Error("somebody else gave Ada's control up")
	}
	must(t, r.TakeControl(t.Context(), r.b, owner)) // an owner takes it from whoever has it
	refused(t, r.b.HoldsControl(ada), problem.Held, "Olga")
	r.SignedOut(owner.Session)
	refused(t, r.b.HoldsControl(ada), problem.Conflict, "Take control")
	if now := r.b.Station.Snapshot(); now.Session != "" {
		t.Errorf("after signing out: %+v", now)
	}
}

func TestMakeSafe(t *testing.T) {
	r := newRig(t)
	id := r.running(t, ada)
	must(t, r.MakeSafe(t.Context(), r.b, guest)) // anybody may
	r.wait(t)
	rec, err := r.Store.GetRun(t.Context(), id)
	must(t, err)
	if rec.Status != procedure.Stopped || rec.Reason != "made safe by Guest" {
		t.Errorf("%s: %s", rec.Status, rec.Reason)
	}
	r.link.fail(errBroken)
	refused(t, r.MakeSafe(t.Context(), r.b, guest), problem.Upstream, "be made safe: the line is silent. Check the bench.")
	if now := r.b.Now(); now.State != bench.Unknown {
		t.Errorf("not made safe, the bench is %s", now.State)
	}
	_, err = r.Start(t.Context(), r.b, ada, StartRequest{Device: "load", Procedure: "check"})
	refused(t, err, problem.Conflict, "check it")
	if why := r.b.WhyBusy(ada); !strings.Contains(why, "unknown") {
		t.Errorf("says %q", why)
	}
	r.link.fail(nil)
	must(t, r.MakeSafe(t.Context(), r.b, guest))
	if events := r.events(t, RehearsalKey); events[0].Detail != "" || !strings.Contains(events[1].Detail, errBroken.Error()) {
		t.Errorf("the log says %+v", events[:2])
	}
}

// What the station and a card say has the same words: they are said once.
func TestNotSafeIsSaidOnce(t *testing.T) {
	for text, want := range map[string]string{
		"the line is silent": "the bench could not be made safe: the line is silent. Check the bench.",
		"the state is unknown, check the bench: no answer": "the bench could not be made safe: the state is unknown: no answer. Check the bench.",
		"no answer. Check the bench: switch off its power": "the bench could not be made safe: no answer. Check the bench: switch off its power.",
	} {
		if got := notSafe(fmt.Errorf("%w: %w", run.ErrNotSafe, errors.New(text))); got != want {
			t.Errorf("%q", got)
		}
	}
}

func TestBenchByKey(t *testing.T) {
	r := newRig(t)
	if b, err := r.Bench(RehearsalKey); err != nil || b != r.b || r.InUse() != b || len(r.Benches()) != 1 {
		t.Errorf("%v, %v", b, err)
	}
	_, err := r.Bench("desk")
	refused(t, err, problem.Conflict, "rehearsal is")
	if id := (&Bench{Definition: bench.Definition{Name: "Desk"}}).Identity(); id.Name != "Desk" {
		t.Errorf("a bench that has said nothing is %+v", id)
	}
}

// TestNoteWithoutStore: a line that cannot be written does not undo what was
// done.
func TestNoteWithoutStore(t *testing.T) {
	r := newRig(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // whoever asked has gone: the line is written all the same
	r.Note(ctx, Person{Name: "Ada", Role: store.Operator}, "look", "at it", "")
	if events := r.events(t, "at it"); len(events) != 1 {
		t.Errorf("%+v", events)
	}
}
