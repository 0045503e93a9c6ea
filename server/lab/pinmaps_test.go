package lab

import (
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
)

// loadMap puts the load's pins on the contacts from first on.
func loadMap(first int) bench.PinMap {
	return bench.PinMap{Device: "load", Bench: RehearsalKey,
		Contacts: map[int]int{1: first, 2: first + 1, 3: first + 2, 4: first + 3}}
}

func (r *rig) pinMap(t testing.TB, device string) *bench.PinMap {
	t.Helper()
	pm, err := r.PinMapOf(t.Context(), r.b, device)
	must(t, err)
	return pm
}

func TestSavePinMap(t *testing.T) {
	r := newRig(t)
	rev, err := r.SavePinMap(t.Context(), boole, &r.b.Definition, loadMap(5), 1)
	if err != nil || rev != 2 || r.pinMap(t, "load").Contacts[1] != 5 {
		t.Errorf("revision %d, %v: %+v", rev, err, r.pinMap(t, "load"))
	}
	rev, err = r.SavePinMap(t.Context(), ada, &r.b.Definition, loadMap(5), 2)
	if err != nil || rev != 2 || len(r.events(t, "load")) != 1 {
		t.Errorf("unchanged: revision %d, %v", rev, err)
	}
	r.said(t, "load", "Boole: edit pin map rehearsal")
}

// TestSavePinMapRefuses: a pin map fits the device and the bench as they are,
// whoever sends it.
func TestSavePinMapRefuses(t *testing.T) {
	r := newRig(t)
	_, err := r.SaveDevice(t.Context(), ada, renamed("gone", "Gone"), 0)
	must(t, err)
	must(t, r.DeleteDevice(t.Context(), owner, "gone"))
	for name, tc := range map[string]struct {
		change   func(*bench.PinMap)
		expected int
		code     problem.Code
		words    string
	}{
		"no device":                {func(m *bench.PinMap) { m.Device = "none" }, 0, problem.NotFound, "no device none"},
		"a deleted device":         {func(m *bench.PinMap) { m.Device = "gone" }, 0, problem.NotFound, "any more"},
		"another bench":            {func(m *bench.PinMap) { m.Bench = "desk" }, 1, problem.Invalid, `"desk"`},
		"a pin without contact":    {func(m *bench.PinMap) { delete(m.Contacts, 3) }, 1, problem.Invalid, "pin 3 has no contact"},
		"a pin that there is not":  {func(m *bench.PinMap) { m.Contacts[5] = 9 }, 1, problem.Invalid, "pin 5 is not on the device"},
		"two pins on a contact":    {func(m *bench.PinMap) { m.Contacts[2] = 5 }, 1, problem.Invalid, "already holds pin 1"},
		"a contact off the bench":  {func(m *bench.PinMap) { m.Contacts[4] = 999 }, 1, problem.Invalid, "not on the bench"},
		"a stale edit":             {func(*bench.PinMap) {}, 6, problem.Conflict, "changed meanwhile"},
		"one that is there":        {func(*bench.PinMap) {}, 0, problem.Conflict, "already a pin map"},
		"a strap from off the map": {func(m *bench.PinMap) { m.Straps = []bench.Strap{{Contact: 999, Kind: bench.StrapReturn}} }, 1, problem.Invalid, "contact 999"},
	} {
		t.Run(name, func(t *testing.T) {
			m := loadMap(5)
			tc.change(&m)
			_, err := r.SavePinMap(t.Context(), ada, &r.b.Definition, m, tc.expected)
			refused(t, err, tc.code, tc.words)
			if got := r.pinMap(t, "load"); got.Contacts[1] != 1 {
				t.Errorf("stored was %+v", got)
			}
		})
	}
	if events := r.events(t, "load"); len(events) != 0 {
		t.Errorf("the log says %+v", events)
	}
}

func TestDeletePinMap(t *testing.T) {
	r := newRig(t)
	must(t, r.DeletePinMap(t.Context(), owner, "load", RehearsalKey))
	r.said(t, "load", "Olga: delete pin map rehearsal")
	refused(t, r.DeletePinMap(t.Context(), owner, "load", RehearsalKey), problem.NotFound, "")
	if pm := r.pinMap(t, "load"); pm != nil {
		t.Errorf("there is still %+v", pm)
	}
	_, err := r.Start(t.Context(), r.b, ada, starting())
	refused(t, err, problem.Invalid, "no pin map")
	// It comes back with the revision that it was deleted at.
	must(t, r.BringBackPinMap(t.Context(), ada, "load", RehearsalKey, 1, 1))
	if pm := r.pinMap(t, "load"); pm == nil || pm.Contacts[2] != 2 {
		t.Errorf("brought back is %+v", pm)
	}
	r.said(t, "load", "Ada: bring back pin map revision 1")
}

func TestBringBackPinMap(t *testing.T) {
	r := newRig(t)
	_, err := r.SavePinMap(t.Context(), ada, &r.b.Definition, loadMap(5), 1)
	must(t, err)
	must(t, r.BringBackPinMap(t.Context(), boole, "load", RehearsalKey, 1, 2))
	if pm := r.pinMap(t, "load"); pm.Contacts[1] != 1 {
		t.Errorf("brought back is %+v", pm)
	}
	r.said(t, "load", "Boole: bring back pin map revision 1", "Ada: edit pin map rehearsal")
	refused(t, r.BringBackPinMap(t.Context(), ada, "load", RehearsalKey, 0, 3), problem.Conflict, "no revision to bring back")
	refused(t, r.BringBackPinMap(t.Context(), ada, "load", RehearsalKey, 2, 2), problem.Conflict, "changed meanwhile")
	refused(t, r.BringBackPinMap(t.Context(), ada, "load", RehearsalKey, 8, 3), problem.NotFound, "revision 8")
	refused(t, r.BringBackPinMap(t.Context(), ada, "load", "desk", 1, 1), problem.NotFound, "")
	if n := len(r.events(t, "load")); n != 2 {
		t.Errorf("%d lines in the log", n)
	}
}
