package lab

import (
	"context"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
)

func TestSeat(t *testing.T) {
	r := newRig(t)
	if q, err := r.Seated(t.Context(), r.b); err != nil || q != nil {
		t.Errorf("before anything: %+v, %v", q, err)
	}
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Device: "load", Serial: "S7", Seed: 7}))
	q, err := r.Seated(t.Context(), r.b)
	must(t, err)
	if q.Model != "check-load" || q.PinMap.Device != "load" || q.PinMap.Contacts[4] != 4 || r.socket.now().Seed != 7 {
		t.Errorf("what the device decides is %+v, seated %+v", q, r.socket.now())
	}
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: "check-load", Options: map[string]float64{"ohms": 470}}))
	if got := r.socket.now(); got.PinMap.Contacts[1] != 1 || len(got.PinMap.Contacts) != 4 || got.Options["ohms"] != 470 {
		t.Errorf("a model without a device: %+v", got)
	}
	if events := r.events(t, RehearsalKey); events[0].Action != "seat" || events[1].Detail != "check-load S7" {
		t.Errorf("the log says %+v", events)
	}
}

// TestSeatRefuses: what cannot be seated leaves in the socket what was there.
func TestSeatRefuses(t *testing.T) {
	r := newRig(t)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: "check-load", Serial: "stays"}))
	load := func(change func(*bench.Seating)) bench.Seating {
		q := bench.Seating{Model: "check-load", Serial: "new"}
		change(&q)
		return q
	}
	unit := func(f bench.UnitFault) bench.Seating {
		return load(func(q *bench.Seating) { q.UnitFaults = []bench.UnitFault{f} })
	}
	wrong := func(f bench.BenchFault) bench.Seating {
		return load(func(q *bench.Seating) { q.BenchFaults = []bench.BenchFault{f} })
	}
	for field, q := range map[string]bench.Seating{
		"serial":                  load(func(q *bench.Seating) { q.Serial = "a\tb" }),
		"device":                  {Device: "unknown"},
		"model":                   load(func(q *bench.Seating) { q.Model = "unknown" }),
		"options.volts":           load(func(q *bench.Seating) { q.Options = map[string]float64{"volts": 1} }),
		"pinMap.contacts[1]":      load(func(q *bench.Seating) { q.PinMap.Contacts = map[int]int{1: 999, 2: 2, 3: 3, 4: 4} }),
		"unitFaults[0].kind":      unit(bench.UnitFault{Kind: "tired"}),
		"unitFaults[0].pin":       unit(bench.UnitFault{Kind: "open-bond", Pin: 5}),
		"unitFaults[0].pin2":      unit(bench.UnitFault{Kind: "pins-shorted", Pin: 1, Pin2: 1, Value: 1}),
		"unitFaults[0].value":     unit(bench.UnitFault{Kind: "pins-shorted", Pin: 1, Pin2: 2, Value: 1e13}),
		"benchFaults[0].kind":     wrong(bench.BenchFault{Kind: "tired"}),
		"benchFaults[0].mux":      wrong(bench.BenchFault{Kind: "enable-floating", Mux: "none"}),
		"benchFaults[0].path":     wrong(bench.BenchFault{Kind: "path-stuck-open", Path: 9999}),
		"benchFaults[0].channel":  wrong(bench.BenchFault{Kind: "gain-drift", Channel: 99}),
		"benchFaults[0].value":    wrong(bench.BenchFault{Kind: "gain-drift", Channel: 1, Value: 0.6}),
		"benchFaults[0].contact":  wrong(bench.BenchFault{Kind: "swapped-contacts", Contact: 0, Contact2: 2}),
		"benchFaults[0].contact2": wrong(bench.BenchFault{Kind: "swapped-contacts", Contact: 3, Contact2: 3}),
	} {
		err := r.Seat(t.Context(), r.b, ada, q)
		e := problem.Of(err)
		if e == nil || e.Code != problem.Invalid || len(e.Fields) != 1 || e.Fields[0].Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	must(t, r.TakeControl(t.Context(), r.b, boole))
	refused(t, r.Seat(t.Context(), r.b, ada, load(func(*bench.Seating) {})), problem.Held, "Boole")
	if got := r.socket.now(); got.Serial != "stays" {
		t.Errorf("in the socket: %+v", got)
	}
	r.withCards()
	refused(t, r.Seat(t.Context(), r.b, boole, load(func(*bench.Seating) {})), problem.Conflict, "by hand")
	if q, err := r.Seated(t.Context(), r.b); err != nil || q != nil {
		t.Errorf("a real bench has %+v seated, %v", q, err)
	}
}

func TestSeedIsOfDeviceAndSerial(t *testing.T) {
	seen := map[uint64]bool{}
	for _, x := range [][2]string{{"load", "S1"}, {"load", "S2"}, {"loadS", "1"}, {"", ""}} {
		seed := SeedOf(x[0], x[1])
		if seen[seed] || seed != SeedOf(x[0], x[1]) || seed>>53 != 0 {
			t.Errorf("%v: %d", x, seed)
		}
		seen[seed] = true
	}
}

// TestSeatForAStart: what cannot be seated for a start is refused with it, and
// on a real bench nobody seats but a person.
func TestSeatForAStart(t *testing.T) {
	r := newRig(t)
	refused(t, r.Seat(t.Context(), r.b, ada, bench.Seating{}), problem.Invalid, "name a model, or a device that has one")
	plain := loadDevice()
	plain.Model = ""
	_, err := r.SaveDevice(t.Context(), ada, plain, 1)
	must(t, err)
	_, err = r.Start(t.Context(), r.b, ada, starting())
	refused(t, err, problem.Invalid, "no rehearsal model")
	if got := r.socket.now(); got.Model != "" {
		t.Errorf("in the socket: %+v", got)
	}
	r.withCards()
	q := starting()
	q.Confirm = everything()
	id, err := r.Start(t.Context(), r.b, ada, q)
	must(t, err)
	r.wait(t)
	rec, err := r.Store.GetRun(t.Context(), id)
	must(t, err)
	if rec.Seated != nil || r.socket.now().Model != "" {
		t.Errorf("seated %+v, in the socket %+v", rec.Seated, r.socket.now())
	}
}

// TestRerunOfAHeldBench: nobody changes what sits on a bench that somebody else
// holds by running something again.
func TestRerunOfAHeldBench(t *testing.T) {
	r := newRig(t)
	id := r.ended(t)
	must(t, r.Seat(t.Context(), r.b, boole, bench.Seating{Model: "check-load", Serial: "Boole's"}))
	must(t, r.TakeControl(t.Context(), r.b, boole))
	_, err := r.Rerun(t.Context(), r.b, ada, id, nil)
	refused(t, err, problem.Held, "Boole")
	if got := r.socket.now(); got.Serial != "Boole's" {
		t.Errorf("in the socket: %+v", got)
	}
}

// TestSeatOfWhoeverLeft: what is in the socket is what is remembered of it, also
// where the browser went away between the two.
func TestSeatOfWhoeverLeft(t *testing.T) {
	r := newRig(t)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: "check-load", Serial: "S1"}))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_ = r.Seat(ctx, r.b, ada, bench.Seating{Model: "check-load", Serial: "S2"}) // nobody hears the answer
	q, err := r.Seated(t.Context(), r.b)
	must(t, err)
	if in := r.socket.now(); in.Serial != q.Serial {
		t.Errorf("%q is in the socket, and %q is remembered", in.Serial, q.Serial)
	}
}

// TestSeatWhatWasDeleted: a pin map or a device that was deleted seats nothing.
func TestSeatWhatWasDeleted(t *testing.T) {
	r := newRig(t)
	must(t, r.DeletePinMap(t.Context(), owner, "load", RehearsalKey))
	load := bench.Seating{Device: "load", Serial: "S1"}
	refused(t, r.Seat(t.Context(), r.b, ada, load), problem.Invalid, "no pin map")
	must(t, r.DeleteProcedure(t.Context(), owner, "check"))
	must(t, r.DeleteDevice(t.Context(), owner, "load"))
	refused(t, r.Seat(t.Context(), r.b, ada, load), problem.Invalid, "there is no device load")
	if got := r.socket.now(); got.Model != "" {
		t.Errorf("in the socket: %+v", got)
	}
}
