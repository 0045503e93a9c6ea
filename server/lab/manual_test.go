package lab

import (
	"context"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// load is the rig's device as it is stored.
func (r *rig) load(t testing.TB) *store.Revised[dut.Device] {
	t.Helper()
	d, err := r.Store.GetDevice(t.Context(), "load", 0)
	must(t, err)
	return d
}

func TestManual(t *testing.T) {
	r := newRig(t)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Device: "load", Serial: "S1"}))
	_, _, err := r.b.Held()
	refused(t, err, problem.NotFound, "by hand yet")
	_, err = r.KeepManual(t.Context(), r.b, ada, dut.Unit{Serial: "S1"}, "")
	refused(t, err, problem.Conflict, "Nothing has been measured")
	refused(t, r.StopManual(t.Context(), r.b, ada), problem.NotFound, "by hand yet")

	r.clock.close()
	id, err := r.Measure(t.Context(), r.b, ada, r.load(t), watch(), map[string][]string{"pin": {"1"}}, nil)
	must(t, err)
	<-r.clock.reached
	if m := r.b.Manual(); m.ID != id || m.Device != "load" || m.Entered["pin"][0] != "1" || !r.b.IsManual(id) || r.b.IsManual("") {
		t.Errorf("at work: %+v", m)
	}
	if _, err := r.Store.GetRun(t.Context(), id); problem.CodeOf(err) != problem.NotFound {
		t.Errorf("manual work is in the store: %v", err)
	}
	must(t, r.StopManual(t.Context(), r.b, boole))
	r.wait(t)
	refused(t, r.StopManual(t.Context(), r.b, boole), problem.Conflict, "not at work any more")
	h, kept, err := r.b.Held()
	must(t, err)
	if h.Record.Status != procedure.Stopped || h.Record.Reason != "stopped by Boole" || kept != "" || !h.Record.Manual {
		t.Errorf("held %+v, kept %q", h.Record, kept)
	}

	for field, unit := range map[string]dut.Unit{"serial": {Serial: " "}, "lot": {Serial: "S1", Lot: "two\nlines"}} {
		_, err = r.KeepManual(t.Context(), r.b, ada, unit, "")
		if e := problem.Of(err); e == nil || len(e.Fields) != 1 || e.Fields[0].Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	_, err = r.KeepManual(t.Context(), r.b, ada, dut.Unit{Serial: "S1"}, strings.Repeat("n", MaxNote+1))
	refused(t, err, problem.Invalid, "note")
	for range 2 { // twice is fine
		if got, err := r.KeepManual(t.Context(), r.b, ada, dut.Unit{Serial: " S1 "}, "odd"); err != nil || got != id {
			t.Errorf("kept as %q, %v", got, err)
		}
	}
	rec, err := r.Store.GetRun(t.Context(), id)
	must(t, err)
	if !rec.Manual || rec.Unit.Serial != "S1" || rec.Note != "odd" || r.b.Manual().Kept != id {
		t.Errorf("kept %+v", rec)
	}
	_, err = r.Rerun(t.Context(), r.b, ada, id, nil)
	refused(t, err, problem.Conflict, "no procedure to run again")
}

// TestKeepStopsWhatIsAtWork: what is kept is stopped first, and waited for.
// A second start by hand is refused before it takes the place of the work that
// is going on: a stop meanwhile must find that work. The socket is held, so that
// a start that goes further waits here for ever.
func TestManualWorkCanBeStoppedWhileAnotherIsAsked(t *testing.T) {
	r := newRig(t)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Device: "load", Serial: "S1"}))
	r.clock.close()
	id, err := r.Measure(t.Context(), r.b, ada, r.load(t), watch(), nil, nil)
	must(t, err)
	<-r.clock.reached
	r.b.socket.Lock()
	_, err = r.Measure(t.Context(), r.b, boole, r.load(t), watch(), nil, nil)
	r.b.socket.Unlock()
	if problem.CodeOf(err) != problem.Busy || !r.b.IsManual(id) {
		t.Errorf("a second start: %v, manual work is %+v", err, r.b.Manual())
	}
	must(t, r.StopManual(t.Context(), r.b, ada))
	r.wait(t)
}

func TestKeepStopsWhatIsAtWork(t *testing.T) {
	r := newRig(t)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Device: "load"}))
	r.clock.close()
	id, err := r.Measure(t.Context(), r.b, ada, r.load(t), watch(), nil, nil)
	must(t, err)
	<-r.clock.reached
	_, err = r.KeepManual(t.Context(), r.b, ada, dut.Unit{Serial: "S1"}, "")
	must(t, err)
	rec, err := r.Store.GetRun(t.Context(), id)
	must(t, err)
	if rec.Status != procedure.Stopped || rec.Reason != "kept by Ada" {
		t.Errorf("%s: %s", rec.Status, rec.Reason)
	}
}

// TestRefusedByHand: what is refused leaves the work before it as the last.
func TestRefusedByHand(t *testing.T) {
	r := newRig(t)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Device: "load"}))
	first, err := r.Measure(t.Context(), r.b, ada, r.load(t), ohms(), nil, nil)
	must(t, err)
	r.wait(t)
	tooHigh := watch()
	tooHigh.Level = 12
	_, err = r.Measure(t.Context(), r.b, ada, r.load(t), tooHigh, nil, nil)
	refused(t, err, problem.Invalid, "above the rating")
	must(t, r.TakeControl(t.Context(), r.b, boole))
	_, err = r.Measure(t.Context(), r.b, ada, r.load(t), ohms(), nil, nil)
	refused(t, err, problem.Held, "Boole")
	if m := r.b.Manual(); m.ID != first {
		t.Errorf("the last work is %+v", m)
	}
	h, _, err := r.b.Held()
	must(t, err)
	if len(h.Results) == 0 || h.Results[0].Value < 900 || h.Results[0].Value > 1100 {
		t.Errorf("measured %+v", h.Results)
	}
}

// TestHoldStrapped: pins that the board straps to the second terminal cannot be
// left open, and are held as it is.
func TestHoldStrapped(t *testing.T) {
	r := newRig(t)
	ctx := context.Background()
	strap := func(contact int) bench.Strap {
		return bench.Strap{Contact: contact, Kind: bench.StrapChannel, Channel: 2}
	}
	_, err := r.Store.SavePinMap(ctx, bench.PinMap{Device: "load", Bench: RehearsalKey, Contacts: map[int]int{1: 1, 2: 2, 3: 3, 4: 4},
		Straps: []bench.Strap{strap(2), strap(3), strap(4)}}, 1, "test")
	must(t, err)
	m := ohms()
	m.Hold = []procedure.Hold{{Pin: 4, Use: procedure.UseReturn}}
	r.HoldStrapped(ctx, r.b, "load", &m)
	if len(m.Hold) != 2 || m.Hold[1].Pin != 3 || m.Hold[1].Use != procedure.UseReturn {
		t.Errorf("holds %+v", m.Hold)
	}
	alone := watch() // no second terminal
	r.HoldStrapped(ctx, r.b, "load", &alone)
	if len(alone.Hold) != 1 {
		t.Errorf("holds %+v", alone.Hold)
	}
}
