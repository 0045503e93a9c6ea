package lab

import (
	"context"
	"strconv"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
	"ohmkeep/server/rehearsal"
	"ohmkeep/store"
)

// desk is a bench of one's own that can be used.
func desk() bench.Definition {
	def := rehearsal.DefaultBench()
	def.Key, def.Name = "desk", "Desk"
	for i, p := range def.Paths {
		n := 0
		if ch, ok := def.ChannelByID(p.Channel); ok {
			n = ch.NumberOf()
		}
		def.Paths[i].Address = strconv.Itoa(n) + "!" + strconv.Itoa(p.Contact)
	}
	def.Connections = []bench.Connection{{Name: "cards", Address: "tcp://localhost:5025", Cards: []int{1, 2}, Timeout: 1, Watchdog: 2}}
	return def
}

// withDesk stores another bench, which the rig opens when it is used.
func (r *rig) withDesk(t testing.TB) *Bench {
	t.Helper()
	_, err := r.SaveBench(t.Context(), ada, desk(), 0)
	must(t, err)
	other, _, _ := newBench(t, desk(), r.clock, r.Store)
	r.Open = func(_ context.Context, key string) (*Bench, error) {
		if key != "desk" {
			return nil, errBroken
		}
		return other, nil
	}
	return other
}

func TestUse(t *testing.T) {
	r := newRig(t)
	refused(t, r.Use(t.Context(), owner, "desk", false), problem.Conflict, "one bench that it was started with")
	other := r.withDesk(t)
	for name, tc := range map[string]struct {
		who   Person
		key   string
		code  problem.Code
		words string
	}{
		"a viewer":                     {guest, "desk", problem.Forbidden, "An owner"},
		"an operator without control":  {ada, "desk", problem.Conflict, "Take control"},
		"a bench that there is not":    {owner, "none", problem.NotFound, ""},
		"a bench that does not answer": {owner, RehearsalKey, problem.Conflict, "could not be put in use: the line is silent."},
	} {
		err := r.Use(t.Context(), tc.who, tc.key, false)
		refused(t, err, tc.code, tc.words)
		if r.InUse() != r.b {
			t.Fatalf("%s has changed the bench in use", name)
		}
	}
	must(t, r.TakeControl(t.Context(), r.b, boole))
	refused(t, r.Use(t.Context(), ada, "desk", false), problem.Held, "Boole")
	must(t, r.TakeControl(t.Context(), r.b, owner))
	must(t, r.Use(t.Context(), owner, "desk", false))
	if r.InUse() != other || r.live.changes == 0 {
		t.Errorf("in use is %s", r.InUse().Definition.Key)
	}
	if b, err := r.Bench("desk"); err != nil || b != other {
		t.Errorf("%v, %v", b, err)
	}
	// Whoever still looks at the bench of before starts and seats nothing on it.
	_, err := r.Start(t.Context(), r.b, owner, starting())
	refused(t, err, problem.Conflict, "not in use any more")
	refused(t, r.Seat(t.Context(), r.b, owner, bench.Seating{Model: NothingSeated}), problem.Conflict, "not in use any more")
	if events := r.events(t, "desk"); !strings.Contains(events[0].Detail, "revision 1, after rehearsal") {
		t.Errorf("the log says %+v", events)
	}
}

// TestUseAfterUnknown: a bench of unknown state may still be energised.
func TestUseAfterUnknown(t *testing.T) {
	r := newRig(t)
	r.withDesk(t)
	r.b.Station.Lost("no answer")
	refused(t, r.Use(t.Context(), owner, "desk", false), problem.Conflict, "power is off")
	must(t, r.TakeControl(t.Context(), r.b, ada))
	refused(t, r.Use(t.Context(), ada, "desk", true), problem.Conflict, "power is off") // not for an operator to say
	must(t, r.Use(t.Context(), owner, "desk", true))
	events := r.events(t, RehearsalKey)
	if events[0].Action != "confirm" || !strings.Contains(events[0].Detail, "its power is off") {
		t.Errorf("the log says %+v", events[0])
	}
}

// TestUseFails: what had to step in is in use, and what went wrong is said.
func TestUseFails(t *testing.T) {
	r := newRig(t)
	stand := r.withDesk(t)
	r.Open = func(context.Context, string) (*Bench, error) { return stand, errBroken }
	refused(t, r.Use(t.Context(), owner, "desk", false), problem.Conflict, errBroken.Error())
	if r.InUse() != stand {
		t.Error("what stepped in is not in use")
	}
}

func TestSaveAndDeleteBench(t *testing.T) {
	r := newRig(t)
	for field, def := range map[string]bench.Definition{
		"the rehearsal bench": rehearsal.DefaultBench(),
		"another page":        func() bench.Definition { d := desk(); d.Key = "new"; return d }(),
		"name":                func() bench.Definition { d := desk(); d.Name = ""; return d }(),
	} {
		_, err := r.SaveBench(t.Context(), ada, def, 0)
		refused(t, err, problem.Invalid, field)
	}
	other := r.withDesk(t)
	_, err := r.SaveBench(t.Context(), ada, desk(), 0)
	refused(t, err, problem.Conflict, "")
	if key, err := r.FreeBenchKey(t.Context(), "desk"); err != nil || key != "desk-2" {
		t.Errorf("free is %q, %v", key, err)
	}
	if key, err := r.FreeBenchKey(t.Context(), "new"); err != nil || key != "new-2" {
		t.Errorf("free is %q, %v", key, err)
	}
	if key, err := r.FreeBenchKey(t.Context(), ""); err != nil || key != "bench" {
		t.Errorf("free is %q, %v", key, err)
	}
	refused(t, r.DeleteBench(t.Context(), owner, RehearsalKey), problem.Conflict, "part of the program")
	must(t, r.Use(t.Context(), owner, "desk", false))
	refused(t, r.DeleteBench(t.Context(), owner, "desk"), problem.Conflict, "in use")
	r.Open = func(context.Context, string) (*Bench, error) { return r.b, nil }
	must(t, r.Use(t.Context(), owner, RehearsalKey, false))
	must(t, r.DeleteBench(t.Context(), owner, "desk"))
	if other == r.InUse() {
		t.Error("what was deleted is in use")
	}
	refused(t, r.Use(t.Context(), owner, "desk", false), problem.Conflict, "deleted")
}

func TestUsable(t *testing.T) {
	cabled, loose := desk(), desk()
	loose.Connections = nil
	for name, tc := range map[string]struct {
		b     store.Revised[bench.Definition]
		words string
	}{
		"with cards":          {store.Revised[bench.Definition]{Body: cabled}, ""},
		"the rehearsal bench": {store.Revised[bench.Definition]{Body: rehearsal.DefaultBench()}, ""},
		"no connection":       {store.Revised[bench.Definition]{Body: loose}, "add one first"},
		"deleted":             {store.Revised[bench.Definition]{Body: cabled, Removed: true}, "was deleted"},
	} {
		err := Usable(&tc.b)
		if tc.words == "" && err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if tc.words != "" {
			refused(t, err, problem.Conflict, tc.words)
		}
	}
}

func TestBringBackBench(t *testing.T) {
	r := newRig(t)
	r.withDesk(t)
	second := desk()
	second.Name = "Second"
	_, err := r.SaveBench(t.Context(), ada, second, 1)
	must(t, err)
	name := func() string {
		b, err := r.Store.GetBench(t.Context(), "desk", 0)
		must(t, err)
		return b.Body.Name
	}
	must(t, r.UndoBench(t.Context(), boole, "desk", 2))
	if name() != "Desk" {
		t.Errorf("undone to %q", name())
	}
	must(t, r.BringBackBench(t.Context(), ada, "desk", 2, 3))
	if name() != "Second" {
		t.Errorf("brought back is %q", name())
	}
	refused(t, r.UndoBench(t.Context(), ada, "desk", 1), problem.Conflict, "first revision")
	refused(t, r.UndoBench(t.Context(), ada, "desk", 2), problem.Conflict, "changed meanwhile")
	refused(t, r.BringBackBench(t.Context(), ada, "desk", 0, 4), problem.Invalid, "Name the revision")
	refused(t, r.BringBackBench(t.Context(), ada, "desk", 9, 4), problem.NotFound, "revision 9")
	refused(t, r.BringBackBench(t.Context(), ada, RehearsalKey, 1, 1), problem.Invalid, "part of the program")
	r.said(t, "desk", "Ada: describe bench revision 4", "Boole: describe bench revision 3", "Ada: describe bench revision 2")
}
