package lab

import (
	"context"
	"errors"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// TestUnreadableStore: what cannot be read just now is never said to be missing,
// wrong or taken, and nothing is begun.
func TestUnreadableStore(t *testing.T) {
	r := newRig(t)
	id := r.ended(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // every question to the store fails
	for name, do := range map[string]func() error{
		"start":               func() error { _, err := r.Start(ctx, r.b, ada, starting()); return err },
		"rerun":               func() error { _, err := r.Rerun(ctx, r.b, ada, id, nil); return err },
		"the pin map":         func() error { _, err := r.PinMapOf(ctx, r.b, "load"); return err },
		"what is seated":      func() error { _, err := r.Seated(ctx, r.b); return err },
		"what to confirm":     func() error { _, err := r.OccasionOf(ctx, r.b, "load"); return err },
		"save a device":       func() error { _, err := r.SaveDevice(ctx, ada, renamed("part", "Part"), 0); return err },
		"describe a device":   func() error { return r.DescribeDevice(ctx, r.b, ada, renamed("part", "Part")) },
		"free device key":     func() error { _, err := r.FreeDeviceKey(ctx, "part"); return err },
		"free bench key":      func() error { _, err := r.FreeBenchKey(ctx, "part"); return err },
		"delete a device":     func() error { return r.DeleteDevice(ctx, owner, "load") },
		"bring back a device": func() error { return r.BringBackDevice(ctx, ada, "load", 1, 1) },
		"save a pin map":      func() error { _, err := r.SavePinMap(ctx, ada, &r.b.Definition, loadMap(5), 1); return err },
		"delete a pin map":    func() error { return r.DeletePinMap(ctx, owner, "load", RehearsalKey) },
		"save a procedure":    func() error { _, err := r.SaveProcedure(ctx, ada, called("check", "Mine"), 1); return err },
		"add a procedure":     func() error { _, err := r.AddProcedure(ctx, ada, called("more", "More")); return err },
		"delete a procedure":  func() error { return r.DeleteProcedure(ctx, owner, "check") },
		"undo a procedure":    func() error { _, err := r.UndoProcedure(ctx, ada, "check", 2); return err },
		"save a bench":        func() error { _, err := r.SaveBench(ctx, ada, desk(), 0); return err },
		"share":               func() error { _, err := r.Share(ctx, ada, ShareRequest{Kind: store.RunShare, Subject: id}); return err },
		"list shares":         func() error { _, err := r.Shares(ctx, id); return err },
		"revoke a share":      func() error { return r.RevokeShare(ctx, ada, id, 1) },
		"delete a run":        func() error { return r.DeleteRun(ctx, owner, id) },
		"the note of a run":   func() error { return r.SetNote(ctx, ada, id, "note") },
		"seat a device":       func() error { return r.Seat(ctx, r.b, ada, bench.Seating{Device: "load", Serial: "other"}) },
	} {
		err := do()
		if !errors.Is(err, context.Canceled) || problem.CodeOf(err) != "" {
			t.Errorf("%s: %q: %v", name, problem.CodeOf(err), err)
		}
	}
	if now := r.b.Station.Snapshot(); now.Run != "" || r.device(t, "load", 0).Name != "Known load" || r.procedure(t, "check").Name != "Check" {
		t.Errorf("afterwards %+v", now)
	}
	if rec, err := r.Store.GetRun(t.Context(), id); err != nil || rec.Note != "" {
		t.Errorf("the run is %+v, %v", rec, err)
	}
	if got := r.socket.now(); got.Serial != "S1" {
		t.Errorf("in the socket: %+v", got)
	}
}

// TestDamagedSeating: what is kept of the socket and cannot be read is told, and
// nothing is started as if the socket were known.
func TestDamagedSeating(t *testing.T) {
	r := newRig(t)
	must(t, r.Store.SetSeating(t.Context(), RehearsalKey, "no seating", "test"))
	q, err := r.Seated(t.Context(), r.b)
	if err == nil || q != nil || !containsText(err.Error(), "seating of bench rehearsal") {
		t.Errorf("%+v, %v", q, err)
	}
	unseatedStart := starting()
	unseatedStart.Seat = false
	if id, err := r.Start(t.Context(), r.b, ada, unseatedStart); err == nil {
		t.Errorf("started %s", id)
	}
	if r.live.left() != 0 || r.b.Station.Snapshot().Run != "" {
		t.Error("something was begun")
	}
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Device: "load", Serial: "S2"})) // and it can be mended
	if _, err := r.Start(t.Context(), r.b, ada, unseatedStart); err != nil {
		t.Error(err)
	}
	r.wait(t)
}

// TestNoKeyIsFree: a thousand things of one name are refused, not looked for
// without end.
func TestNoKeyIsFree(t *testing.T) {
	asked := 0
	taken := func(string) error { asked++; return nil }
	_, err := freeKey("part", "parts", reservedDevice, taken)
	refused(t, err, problem.Conflict, "Too many parts are called alike")
	if asked < 900 || asked > 1000 {
		t.Errorf("asked %d times", asked)
	}
	_, err = freeKey("part", "parts", reservedDevice, func(string) error { return errBroken })
	if !errors.Is(err, errBroken) {
		t.Errorf("%v", err)
	}
}
