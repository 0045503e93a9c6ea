package lab

import (
	"fmt"
	"strings"
	"testing"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
)

// device is a revision of a device, 0 for the latest.
func (r *rig) device(t testing.TB, key string, rev int) dut.Device {
	t.Helper()
	d, err := r.Store.GetDevice(t.Context(), key, rev)
	must(t, err)
	return d.Body
}

// said holds the newest lines of the log about a subject, "who: action detail",
// against what they must be.
func (r *rig) said(t testing.TB, subject string, want ...string) {
	t.Helper()
	var got []string
	for _, e := range r.events(t, subject) {
		got = append(got, strings.TrimSpace(e.By+": "+e.Action+" "+e.Detail))
	}
	if len(got) < len(want) || strings.Join(got[:len(want)], "\n") != strings.Join(want, "\n") {
		t.Errorf("the log about %s says %q, want %q", subject, got, want)
	}
}

// renamed is the rig's device under a key and a name.
func renamed(key, name string) dut.Device { return loadDevice().Duplicate(key, name) }

func TestSaveDevice(t *testing.T) {
	r := newRig(t)
	rev, err := r.SaveDevice(t.Context(), ada, renamed("part", "Part"), 0)
	if err != nil || rev != 1 {
		t.Fatalf("revision %d, %v", rev, err)
	}
	if rev, err = r.SaveDevice(t.Context(), boole, renamed("part", "Better part"), 1); err != nil || rev != 2 {
		t.Fatalf("revision %d, %v", rev, err)
	}
	// What has not changed makes no revision and no line.
	if rev, err = r.SaveDevice(t.Context(), ada, renamed("part", "Better part"), 2); err != nil || rev != 2 {
		t.Errorf("unchanged: revision %d, %v", rev, err)
	}
	r.said(t, "part", "Boole: edit device", "Ada: describe device")
	if n := len(r.events(t, "part")); n != 2 {
		t.Errorf("%d lines in the log", n)
	}
}

// TestEditOfWhatWasDeleted: an edit of a device or a bench that was deleted
// meanwhile is refused until whoever edits says that it is wanted back.
func TestEditOfWhatWasDeleted(t *testing.T) {
	r := newRig(t)
	_, err := r.SaveDevice(t.Context(), ada, renamed("part", "Part"), 0)
	must(t, err)
	_, err = r.SaveBench(t.Context(), ada, desk(), 0)
	must(t, err)
	for name, tc := range map[string]struct {
		edit   func(rev int, revive bool) (int, error)
		remove func() error
	}{
		"device": {func(rev int, revive bool) (int, error) {
			return r.EditDevice(t.Context(), ada, renamed("part", fmt.Sprint("Part ", rev)), rev, revive)
		}, func() error { return r.DeleteDevice(t.Context(), owner, "part") }},
		"bench": {func(rev int, revive bool) (int, error) {
			def := desk()
			def.Name = fmt.Sprint("Desk ", rev)
			return r.EditBench(t.Context(), ada, def, rev, revive)
		}, func() error { return r.DeleteBench(t.Context(), owner, "desk") }},
	} {
		if rev, err := tc.edit(1, false); err != nil || rev != 2 {
			t.Errorf("%s: revision %d, %v", name, rev, err)
		}
		must(t, tc.remove())
		_, err := tc.edit(2, false)
		refused(t, err, problem.Conflict, "the "+name+" was deleted")
		if rev, err := tc.edit(2, true); err != nil || rev != 3 {
			t.Errorf("%s wanted back: revision %d, %v", name, rev, err)
		}
	}
	_, err = r.EditDevice(t.Context(), ada, renamed("never", "Never"), 1, true)
	refused(t, err, problem.NotFound, "")
	never := desk()
	never.Key = "never"
	_, err = r.EditBench(t.Context(), ada, never, 1, true)
	refused(t, err, problem.NotFound, "")
}

// TestSaveDeviceRefuses: what is refused is neither stored nor noted.
func TestSaveDeviceRefuses(t *testing.T) {
	r := newRig(t)
	wide := renamed("wide", "Wide")
	wide.Pins = wide.Pins[:3]
	for name, tc := range map[string]struct {
		d        dut.Device
		expected int
		code     problem.Code
		words    string
	}{
		"another page's address": {renamed("new", "New"), 0, problem.Invalid, "taken by the program"},
		"bare contacts":          {renamed(BareContacts, "Bare"), 0, problem.Invalid, "taken by the program"},
		"a key of capitals":      {renamed("Part", "Part"), 0, problem.Invalid, "lower-case"},
		"no name":                {renamed("part", ""), 0, problem.Invalid, "name"},
		"a pin left out":         {wide, 0, problem.Invalid, "pin"},
		"one that is there":      {renamed("load", "Mine"), 0, problem.Conflict, "already a device"},
		"a stale edit":           {renamed("load", "Mine"), 7, problem.Conflict, "changed meanwhile"},
		"an edit of nothing":     {renamed("part", "Part"), 3, problem.NotFound, "no device part"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := r.SaveDevice(t.Context(), ada, tc.d, tc.expected)
			refused(t, err, tc.code, tc.words)
			if n := len(r.events(t, tc.d.Key)); n != 0 {
				t.Errorf("%d lines in the log", n)
			}
			if got, err := r.Store.GetDevice(t.Context(), tc.d.Key, 0); err == nil && got.Body.Name == tc.d.Name {
				t.Error("it was stored")
			}
		})
	}
}

func TestFreeDeviceKey(t *testing.T) {
	r := newRig(t)
	_, err := r.SaveDevice(t.Context(), ada, renamed("gone", "Gone"), 0)
	must(t, err)
	must(t, r.DeleteDevice(t.Context(), owner, "gone"))
	for asked, want := range map[string]string{
		"part": "part", "load": "load-2", "": "device",
		"new":  "new-2",  // another page's address
		"gone": "gone-2", // old pages point at what was deleted
	} {
		if key, err := r.FreeDeviceKey(t.Context(), asked); err != nil || key != want {
			t.Errorf("for %q free is %q, %v, want %q", asked, key, err, want)
		}
	}
}

// TestDescribeDevice: a new device has a pin map at once, and is kept also
// where none can be made.
func TestDescribeDevice(t *testing.T) {
	r := newRig(t)
	must(t, r.DescribeDevice(t.Context(), r.b, ada, renamed("part", "Part")))
	pm, err := r.Store.GetPinMap(t.Context(), "part", RehearsalKey, 0)
	if err != nil || len(pm.Body.Contacts) != 4 || pm.By != "Ada" {
		t.Errorf("its pin map is %+v, %v", pm, err)
	}
	r.said(t, "part", "Ada: propose pin map rehearsal, revision 1", "Ada: describe device")
	refused(t, r.DescribeDevice(t.Context(), r.b, ada, renamed("part", "Again")), problem.Conflict, "already a device")

	r.b.Definition.Contacts = 2 // too few
	must(t, r.DescribeDevice(t.Context(), r.b, ada, renamed("large", "Large")))
	r.said(t, "large", "Ada: describe device")
	if pm, err := r.Store.GetPinMap(t.Context(), "large", RehearsalKey, 0); problem.CodeOf(err) != problem.NotFound {
		t.Errorf("4 pins on 2 contacts: %+v, %v", pm, err)
	}
}

// TestDescribeAgain: the pin map of a device that was deleted is replaced by
// one for the device that is described now.
func TestDescribeAgain(t *testing.T) {
	r := newRig(t)
	must(t, r.DescribeDevice(t.Context(), r.b, ada, renamed("part", "Part")))
	must(t, r.DeletePinMap(t.Context(), owner, "part", RehearsalKey))
	must(t, r.DeleteDevice(t.Context(), owner, "part"))
	must(t, r.DescribeDevice(t.Context(), r.b, boole, renamed("part", "Part")))
	if pm, err := r.Store.GetPinMap(t.Context(), "part", RehearsalKey, 0); err != nil || pm.Removed || pm.Rev != 2 {
		t.Errorf("its pin map is %+v, %v", pm, err)
	}
	if d, err := r.Store.GetDevice(t.Context(), "part", 0); err != nil || d.Removed || d.By != "Boole" {
		t.Errorf("%+v, %v", d, err)
	}
}

func TestDuplicateDevice(t *testing.T) {
	r := newRig(t)
	copied, err := r.DuplicateDevice(t.Context(), r.b, boole, loadDevice(), "twin", "Twin")
	if err != nil || !copied {
		t.Fatalf("copied %v, %v", copied, err)
	}
	if d := r.device(t, "twin", 0); d.Name != "Twin" || len(d.Pins) != 4 {
		t.Errorf("the copy is %+v", d)
	}
	pm, err := r.Store.GetPinMap(t.Context(), "twin", RehearsalKey, 0)
	if err != nil || pm.Body.Device != "twin" || pm.Body.Contacts[3] != 3 {
		t.Errorf("its pin map is %+v, %v", pm, err)
	}
	r.said(t, "twin", "Boole: duplicate device load, revision 1")

	// A pin map that was deleted is not copied.
	must(t, r.DeletePinMap(t.Context(), owner, "twin", RehearsalKey))
	copied, err = r.DuplicateDevice(t.Context(), r.b, ada, r.device(t, "twin", 0), "third", "Third")
	if err != nil || !copied {
		t.Fatalf("copied %v, %v", copied, err)
	}
	if pm, err := r.Store.GetPinMap(t.Context(), "third", RehearsalKey, 0); problem.CodeOf(err) != problem.NotFound {
		t.Errorf("a deleted pin map was copied: %+v, %v", pm, err)
	}
	for name, code := range map[string]problem.Code{"": problem.Invalid, "Twin again": problem.Conflict} {
		copied, err := r.DuplicateDevice(t.Context(), r.b, ada, loadDevice(), "twin", name)
		refused(t, err, code, "")
		if copied {
			t.Errorf("%q is said to be copied", name)
		}
	}
}

func TestDeleteDevice(t *testing.T) {
	r := newRig(t)
	refused(t, r.DeleteDevice(t.Context(), owner, "load"), problem.Conflict, "procedures are written for this device (1)")
	must(t, r.DeleteProcedure(t.Context(), owner, "check"))
	must(t, r.DeleteDevice(t.Context(), owner, "load"))
	r.said(t, "load", "Olga: "+DeletedDevice)
	refused(t, r.DeleteDevice(t.Context(), owner, "load"), problem.NotFound, "")
	if n := len(r.events(t, "load")); n != 1 {
		t.Errorf("%d lines in the log", n)
	}
	_, err := r.Start(t.Context(), r.b, ada, starting())
	refused(t, err, problem.Invalid, "there is no device")
}

func TestBringBackDevice(t *testing.T) {
	r := newRig(t)
	for i, name := range []string{"Second", "Third"} {
		_, err := r.SaveDevice(t.Context(), ada, renamed("load", name), i+1)
		must(t, err)
	}
	must(t, r.UndoDevice(t.Context(), boole, "load", 3))
	if d := r.device(t, "load", 0); d.Name != "Second" {
		t.Errorf("after undo it is %q", d.Name)
	}
	must(t, r.BringBackDevice(t.Context(), ada, "load", 1, 4))
	if d := r.device(t, "load", 5); d.Name != "Known load" {
		t.Errorf("brought back is %q", d.Name)
	}
	r.said(t, "load", "Ada: bring back device revision 1", "Boole: bring back device revision 2")

	refused(t, r.UndoDevice(t.Context(), ada, "load", 3), problem.Conflict, "changed meanwhile")
	refused(t, r.UndoDevice(t.Context(), ada, "load", 1), problem.Conflict, "first revision")
	refused(t, r.BringBackDevice(t.Context(), ada, "load", 0, 5), problem.Invalid, "Name the revision")
	refused(t, r.BringBackDevice(t.Context(), ada, "load", 9, 5), problem.NotFound, "revision 9")
	if n := len(r.events(t, "load")); n != 4 {
		t.Errorf("%d lines in the log", n)
	}
}
