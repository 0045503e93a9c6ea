package lab

import (
	"testing"

	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

func (r *rig) procedure(t testing.TB, key string) procedure.Procedure {
	t.Helper()
	p, err := r.Store.GetProcedure(t.Context(), key, 0)
	must(t, err)
	return p.Body
}

// called is the rig's procedure under a key and a name.
func called(key, name string) procedure.Procedure {
	p := loadProcedure()
	p.Key, p.Name = key, name
	return p
}

func TestSaveProcedure(t *testing.T) {
	r := newRig(t)
	rev, err := r.SaveProcedure(t.Context(), ada, called("more", "More"), 0)
	if err != nil || rev != 1 {
		t.Fatalf("revision %d, %v", rev, err)
	}
	rev, err = r.SaveProcedure(t.Context(), boole, called("more", "Even more"), 1)
	if err != nil || rev != 2 || r.procedure(t, "more").Name != "Even more" {
		t.Fatalf("revision %d, %v", rev, err)
	}
	if rev, err = r.SaveProcedure(t.Context(), ada, called("more", "Even more"), 2); err != nil || rev != 2 {
		t.Errorf("unchanged: revision %d, %v", rev, err)
	}
	r.said(t, "more", "Boole: edit procedure revision 2", "Ada: edit procedure revision 1")
	if n := len(r.events(t, "more")); n != 2 {
		t.Errorf("%d lines in the log", n)
	}
}

// TestKeyOfAnotherDevice: a procedure's key stays with the device that it was
// written for, also when it was deleted.
func TestKeyOfAnotherDevice(t *testing.T) {
	r := newRig(t)
	_, err := r.SaveDevice(t.Context(), ada, renamed("other", "Other"), 0)
	must(t, err)
	p := called("check", "Check")
	if now, err := r.UnderItsKey(t.Context(), &p); err != nil || now == nil || now.Rev != 1 {
		t.Errorf("its own key: %+v, %v", now, err)
	}
	p.Device = "other"
	for _, deleted := range []bool{false, true} {
		_, err = r.SaveProcedure(t.Context(), ada, p, 1)
		if e := problem.Of(err); e == nil || e.Code != problem.Invalid || len(e.Fields) != 1 || e.Fields[0].Field != "device" {
			t.Errorf("deleted %v: %v", deleted, err)
		}
		refused(t, err, problem.Invalid, "procedure check is for load here")
		if r.procedure(t, "check").Device != "load" {
			t.Error("it was stored")
		}
		if !deleted {
			must(t, r.DeleteProcedure(t.Context(), owner, "check"))
		}
	}
	p.Key = "free"
	if now, err := r.UnderItsKey(t.Context(), &p); err != nil || now != nil {
		t.Errorf("a free key: %+v, %v", now, err)
	}
}

// TestSaveProcedureRefuses: a whole procedure makes sense for its device,
// whoever sends it.
func TestSaveProcedureRefuses(t *testing.T) {
	r := newRig(t)
	_, err := r.SaveDevice(t.Context(), ada, renamed("gone", "Gone"), 0)
	must(t, err)
	must(t, r.DeleteDevice(t.Context(), owner, "gone"))
	for name, tc := range map[string]struct {
		change   func(*procedure.Procedure)
		expected int
		code     problem.Code
		words    string
	}{
		"no device":               {func(p *procedure.Procedure) { p.Device = "none" }, 1, problem.Invalid, "no device of this key"},
		"a deleted device":        {func(p *procedure.Procedure) { p.Device = "gone" }, 1, problem.Invalid, "no device of this key"},
		"a pin that there is not": {func(p *procedure.Procedure) { p.Measurements[0].Pins = []int{9} }, 1, problem.Invalid, "9"},
		"beyond the ratings":      {func(p *procedure.Procedure) { p.Measurements[1].Level = 12 }, 1, problem.Invalid, "above the rating"},
		"no such kind":            {func(p *procedure.Procedure) { p.Measurements[0].Kind = "guess" }, 1, problem.Invalid, "kind"},
		"no name":                 {func(p *procedure.Procedure) { p.Name = "" }, 1, problem.Invalid, "empty"},
		"one that is there":       {func(*procedure.Procedure) {}, 0, problem.Conflict, "already a procedure"},
		"a stale edit":            {func(*procedure.Procedure) {}, 4, problem.Conflict, "changed meanwhile"},
		"an edit of nothing":      {func(p *procedure.Procedure) { p.Key = "none" }, 4, problem.NotFound, "no procedure none"},
	} {
		t.Run(name, func(t *testing.T) {
			p := called("check", "Mine")
			tc.change(&p)
			_, err := r.SaveProcedure(t.Context(), ada, p, tc.expected)
			refused(t, err, tc.code, tc.words)
			if got := r.procedure(t, "check"); got.Name != "Check" || got.Measurements[1].Level != 1 {
				t.Errorf("stored was %+v", got)
			}
		})
	}
	if events := r.events(t, "check"); len(events) != 0 {
		t.Errorf("the log says %+v", events)
	}
}

// TestEditProcedureStepByStep: a step of an edit may leave what does not work
// yet, and that cannot be run.
func TestEditProcedureStepByStep(t *testing.T) {
	r := newRig(t)
	p := loadProcedure()
	p.Measurements[1].Level = 12
	rev, err := r.EditProcedure(t.Context(), ada, p, 1)
	if err != nil || rev != 2 {
		t.Fatalf("revision %d, %v", rev, err)
	}
	r.said(t, "check", "Ada: edit procedure revision 2")
	_, err = r.Start(t.Context(), r.b, ada, starting())
	refused(t, err, problem.Invalid, "above the rating")
	_, err = r.EditProcedure(t.Context(), boole, loadProcedure(), 1)
	refused(t, err, problem.Conflict, "changed meanwhile")
}

func TestAddProcedure(t *testing.T) {
	r := newRig(t)
	for _, want := range []string{"check-2", "check-3"} {
		key, err := r.AddProcedure(t.Context(), ada, called("check", "Check"))
		if err != nil || key != want {
			t.Errorf("added as %q, %v, want %q", key, err, want)
		}
		r.said(t, want, "Ada: edit procedure revision 1")
	}
	if key, err := r.AddProcedure(t.Context(), ada, called("", "Nameless")); err != nil || key != "procedure" {
		t.Errorf("added as %q, %v", key, err)
	}
	// A key that was taken once is not given again: old pages point at it.
	must(t, r.DeleteProcedure(t.Context(), owner, "check-2"))
	if key, err := r.AddProcedure(t.Context(), ada, called("check-2", "Other")); err != nil || key != "check-2-2" {
		t.Errorf("added as %q, %v", key, err)
	}
	// The number fits behind the longest key.
	long := "a234567890123456789012345678901234567890123456789012345678901234"
	for _, want := range []string{long, long[:58] + "-2"} {
		if key, err := r.AddProcedure(t.Context(), ada, called(long, "Long")); err != nil || key != want {
			t.Errorf("added as %q, %v, want %q", key, err, want)
		}
	}
	lost, broken := called("lost", "Lost"), called("broken", "Broken")
	lost.Device, broken.Measurements[0].Pins = "none", []int{9}
	_, err := r.AddProcedure(t.Context(), ada, lost)
	refused(t, err, problem.Invalid, "choose a device")
	_, err = r.AddProcedure(t.Context(), ada, broken)
	refused(t, err, problem.Invalid, "9")
	for _, key := range []string{"lost", "broken"} {
		if _, err := r.Store.GetProcedure(t.Context(), key, 0); problem.CodeOf(err) != problem.NotFound {
			t.Errorf("%s was stored: %v", key, err)
		}
	}
}

func TestDeleteProcedure(t *testing.T) {
	r := newRig(t)
	id := r.ended(t)
	must(t, r.DeleteProcedure(t.Context(), owner, "check"))
	r.said(t, "check", "Olga: delete procedure")
	refused(t, r.DeleteProcedure(t.Context(), owner, "check"), problem.NotFound, "no procedure check")
	if n := len(r.events(t, "check")); n != 1 {
		t.Errorf("%d lines in the log", n)
	}
	_, err := r.Start(t.Context(), r.b, ada, starting())
	refused(t, err, problem.Invalid, "there is no procedure")
	// The run that used it keeps it.
	if rec, err := r.Store.GetRun(t.Context(), id); err != nil || rec.Procedure.Name != "Check" {
		t.Errorf("%+v, %v", rec, err)
	}
}

func TestBringBackProcedure(t *testing.T) {
	r := newRig(t)
	_, err := r.SaveProcedure(t.Context(), ada, called("check", "Second"), 1)
	must(t, err)
	p, err := r.UndoProcedure(t.Context(), boole, "check", 2)
	if err != nil || p.Name != "Check" || r.procedure(t, "check").Name != "Check" {
		t.Errorf("undone to %+v, %v", p, err)
	}
	p, err = r.BringBackProcedure(t.Context(), ada, "check", 2, 3)
	if err != nil || p.Name != "Second" || r.procedure(t, "check").Name != "Second" {
		t.Errorf("brought back is %+v, %v", p, err)
	}
	r.said(t, "check", "Ada: edit procedure revision 4", "Boole: edit procedure revision 3", "Ada: edit procedure revision 2")

	// Whoever comes too late is told what it would have been.
	p, err = r.BringBackProcedure(t.Context(), ada, "check", 1, 3)
	refused(t, err, problem.Conflict, "changed meanwhile")
	if p == nil || p.Name != "Check" || r.procedure(t, "check").Name != "Second" {
		t.Errorf("too late: %+v", p)
	}
	for name, tc := range map[string]struct {
		do    func() (*procedure.Procedure, error)
		code  problem.Code
		words string
	}{
		"undo of the first": {func() (*procedure.Procedure, error) { return r.UndoProcedure(t.Context(), ada, "check", 1) }, problem.Conflict, "first revision"},
		"none named":        {func() (*procedure.Procedure, error) { return r.BringBackProcedure(t.Context(), ada, "check", 0, 4) }, problem.Invalid, "Name the revision"},
		"no such revision":  {func() (*procedure.Procedure, error) { return r.BringBackProcedure(t.Context(), ada, "check", 9, 4) }, problem.NotFound, "revision 9"},
		"no such procedure": {func() (*procedure.Procedure, error) { return r.BringBackProcedure(t.Context(), ada, "none", 1, 1) }, problem.NotFound, "none"},
	} {
		p, err := tc.do()
		refused(t, err, tc.code, tc.words)
		if p != nil {
			t.Errorf("%s: %+v", name, p)
		}
	}
}
