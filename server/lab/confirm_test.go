package lab

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
)

// everything is what a first start on a bench with cards confirms.
func everything() []string {
	return strings.Split("low-voltage,esd,stored-charge,mains,stop,interlock,rules,seated,pin-1", ",")
}

// unseated starts without seating: a bench with cards has no socket of ours.
func unseated(confirm ...string) StartRequest {
	return StartRequest{Device: "load", Procedure: "check", Serial: "S1", Confirm: confirm}
}

// open are the names that a refusal asks for.
func open(t testing.TB, err error) (names []string) {
	t.Helper()
	e := problem.Of(err)
	if e == nil || e.Code != problem.Conflict {
		t.Fatalf("%v asks for nothing", err)
	}
	asked, ok := e.Detail.(*Unconfirmed)
	if !ok {
		t.Fatalf("%v has the detail %T", err, e.Detail)
	}
	for _, item := range asked.Open {
		names = append(names, item.Name)
	}
	return names
}

// TestConfirm: cautions once in a session of control, the seating again when
// something else is seated.
func TestConfirm(t *testing.T) {
	r := newRig(t)
	r.withCards()
	_, err := r.Start(t.Context(), r.b, ada, unseated("esd"))
	if got := open(t, err); !slices.Equal(got, everything()) {
		t.Errorf("a first start asks for %v", got)
	}
	if asked := problem.Of(err).Detail.(*Unconfirmed); !asked.TakesControl || asked.Device.Key != "load" || asked.PinMap.Contacts[1] != 1 {
		t.Errorf("asked %+v", asked)
	}
	if now := r.b.Station.Snapshot(); now.Session != "" || now.Run != "" {
		t.Errorf("what was refused has changed %+v", now)
	}
	id, err := r.Start(t.Context(), r.b, ada, unseated(everything()...))
	must(t, err)
	r.wait(t)
	rec, err := r.Store.GetRun(t.Context(), id)
	must(t, err)
	if len(rec.Confirmed) != len(everything()) || rec.Confirmed[0].By != "Ada" || r.b.Station.Snapshot().Holder != "Ada" {
		t.Errorf("recorded %+v", rec.Confirmed)
	}
	_, err = r.Start(t.Context(), r.b, ada, unseated()) // the same, in the same session of control
	must(t, err)
	r.wait(t)
	d := loadDevice()
	d.Name = "Known load, again"
	_, err = r.Store.SaveDevice(t.Context(), d, 1, "test")
	must(t, err)
	_, err = r.Start(t.Context(), r.b, ada, unseated())
	if got := open(t, err); !slices.Equal(got, []string{"seated", "pin-1"}) {
		t.Errorf("another revision of the device asks for %v", got)
	}
	must(t, r.TakeControl(t.Context(), r.b, owner))
	_, err = r.Start(t.Context(), r.b, owner, unseated())
	if got := open(t, err); !slices.Equal(got, everything()) {
		t.Errorf("another session of control is asked for %v", got)
	}
	_, err = r.Start(t.Context(), r.b, ada, unseated(everything()...))
	refused(t, err, problem.Held, "Olga holds control")
}

// TestTakenOverWhileConfirming: whoever confirmed and lost control before the
// run began starts nothing.
func TestTakenOverWhileConfirming(t *testing.T) {
	r := newRig(t)
	r.withCards()
	r.Now = func() time.Time { // asked for once control is taken: at each confirmation
		if r.b.Station.Snapshot().Holder == "Ada" {
			must(t, r.b.Station.TakeOver("Olga", owner.Session))
		}
		return r.clock.Now()
	}
	_, err := r.Start(t.Context(), r.b, ada, unseated(everything()...))
	refused(t, err, problem.Held, "Olga holds control")
	if now := r.b.Station.Snapshot(); now.Run != "" || r.live.left() != 0 {
		t.Errorf("afterwards %+v", now)
	}
}

func TestStandings(t *testing.T) {
	r := newRig(t)
	o, err := r.OccasionOf(t.Context(), r.b, "load")
	must(t, err)
	if list := r.b.Standings(o); list != nil {
		t.Errorf("the rehearsal bench asks for %v", list)
	}
	if given, err := r.Confirm(t.Context(), r.b, ada, nil, o); err != nil || given != nil {
		t.Errorf("the rehearsal bench: %v, %v", given, err)
	}
	r.withCards()
	_, err = r.Confirm(t.Context(), r.b, ada, everything(), o)
	must(t, err)
	for _, x := range r.b.Standings(o) {
		if x.By != "Ada" || x.At.IsZero() || x.Text == "" {
			t.Errorf("%+v", x)
		}
	}
	if names := nameList(r.b.ToConfirm(ada, EmptySocket)); names != "empty" {
		t.Errorf("for an empty socket Ada is asked for %s", names)
	}
	if n := len(r.b.ToConfirm(boole, EmptySocket)); n != len(everything())-2+1 {
		t.Errorf("for an empty socket Boole is asked for %d things", n)
	}
	must(t, r.ReleaseControl(t.Context(), r.b, ada))
	for _, x := range r.b.Standings(o) {
		if x.By != "" {
			t.Errorf("after control was given up: %+v", x)
		}
	}
}

func TestOccasionOf(t *testing.T) {
	r := newRig(t)
	if o, err := r.OccasionOf(t.Context(), r.b, ""); err != nil || o.Device != nil {
		t.Errorf("%+v, %v", o, err)
	}
	_, err := r.OccasionOf(t.Context(), r.b, "other")
	refused(t, err, problem.Invalid, "no device of this key")
	other := &Bench{Definition: bench.Definition{Key: "desk"}}
	_, err = r.OccasionOf(t.Context(), other, "load")
	refused(t, err, problem.Invalid, "no pin map")
}

// TestOccasionOfWhatChanged: what is confirmed is what is seated by the newest
// drawing, and nothing where device or pin map was deleted.
func TestOccasionOfWhatChanged(t *testing.T) {
	r := newRig(t)
	if o, err := r.OccasionOf(t.Context(), r.b, ""); err != nil || o.Device != nil || o.Empty {
		t.Errorf("of nothing: %+v, %v", o, err)
	}
	_, err := r.SaveDevice(t.Context(), ada, renamed("loose", "Loose"), 0)
	must(t, err)
	_, err = r.OccasionOf(t.Context(), r.b, "loose")
	refused(t, err, problem.Invalid, "no pin map")
	must(t, r.DeleteDevice(t.Context(), owner, "loose"))
	for _, key := range []string{"loose", "none"} {
		_, err = r.OccasionOf(t.Context(), r.b, key)
		refused(t, err, problem.Invalid, "no device of this key")
	}
	_, err = r.SavePinMap(t.Context(), ada, &r.b.Definition, loadMap(5), 1)
	must(t, err)
	o, err := r.OccasionOf(t.Context(), r.b, "load")
	if err != nil || o.Device.Key != "load" || o.DeviceRev != 1 || o.Rev != 2 || o.PinMap.Contacts[1] != 5 {
		t.Errorf("%+v, %v", o, err)
	}
	must(t, r.DeletePinMap(t.Context(), owner, "load", RehearsalKey))
	_, err = r.OccasionOf(t.Context(), r.b, "load")
	refused(t, err, problem.Invalid, "no pin map")
}
