package store_test

import (
	"bytes"
	"strings"
	"testing"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestDeletedHereIsSaid: a document that was deleted here and comes in a file stays
// deleted and is called so, in a look as in the import, and comes back where that is
// asked for.
func TestDeletedHereIsSaid(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	from, to := storetest.New(t), storetest.New(t)
	stockLab(t, from)
	file, _ := exported(t, from, store.Choice{All: true})
	imported(t, to, file)
	must(t, to.DeleteProcedure(ctx, "r-check"))
	must(t, to.DeleteDevice(ctx, "r-one"))
	listed := func() bool {
		t.Helper()
		all, err := to.ListDevices(ctx)
		must(t, err)
		for _, d := range all {
			if d.Body.Key == "r-one" {
				return true
			}
		}
		return false
	}
	line := func(r *store.Imported) store.BundleLine {
		for _, l := range r.Lines {
			if l.What == "device r-one" {
				return l
			}
		}
		return store.BundleLine{}
	}
	got := imported(t, to, file)
	if l := line(got); l.Fate != store.FateThere || !l.Deleted || !strings.HasPrefix(l.Why, "deleted here on 20") || !strings.HasSuffix(l.Why, "not brought back") || got.Deleted != 2 || listed() {
		t.Errorf("%+v, listed %v", got, listed())
	}
	back := store.ImportOptions{Back: true}
	looked, err := to.Look(ctx, bytes.NewReader(file), back)
	must(t, err)
	if l := line(looked); l.Fate != store.FateBack || looked.Back != 2 || listed() {
		t.Errorf("%+v", looked)
	}
	got, err = to.Import(ctx, bytes.NewReader(file), "Bob", back)
	must(t, err)
	sound(t, to)
	if l := line(got); l.Fate != store.FateBack || !strings.HasSuffix(l.Why, "brought back") || !listed() {
		t.Errorf("%+v, listed %v", got, listed())
	}
	if got, err = to.Import(ctx, bytes.NewReader(file), "Bob", back); err != nil || got.Changes() {
		t.Errorf("again: %+v, %v", got, err)
	}
}

// TestDeletedRunIsSaid: a run that was deleted here and comes in a file stays deleted
// and is called so, also where it came here under another number, and comes back where
// that is asked for.
func TestDeletedRunIsSaid(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	from, to := storetest.New(t), storetest.New(t)
	stockLab(t, from)
	stockRun(t, from, "run-a", 20, nil)
	file, _ := exported(t, from, store.Choice{All: true})
	imported(t, to, file)
	must(t, to.DeleteRun(ctx, "run-a", store.Event{By: "Bob", Action: store.DeletedRun, Subject: "run-a"}))
	line := func(r *store.Imported) store.BundleLine {
		for _, l := range r.Lines {
			if l.What == "run run-a" {
				return l
			}
		}
		return store.BundleLine{}
	}
	for range 2 {
		got := imported(t, to, file)
		if l := line(got); l.Fate != store.FateThere || !l.Deleted || !strings.HasPrefix(l.Why, "deleted here on 20") || !strings.HasSuffix(l.Why, "not brought back") || got.Deleted != 1 || got.Changes() {
			t.Errorf("%+v of %+v", l, got)
		}
		if _, err := to.GetRun(ctx, "run-a"); store.CodeOf(err) != store.NotFound {
			t.Errorf("it is there: %v", err)
		}
	}
	back := store.ImportOptions{Back: true}
	got, err := to.Import(ctx, bytes.NewReader(file), "Bob", back)
	must(t, err)
	sound(t, to)
	if l := line(got); l.Fate != store.FateBack || !strings.HasSuffix(l.Why, "brought back") || got.Back != 1 || got.Runs != 1 || got.Readings != 20 {
		t.Errorf("%+v of %+v", l, got)
	}
	if _, err := to.GetRun(ctx, "run-a"); err != nil {
		t.Error(err)
	}
	if got, err = to.Import(ctx, bytes.NewReader(file), "Bob", back); err != nil || got.Changes() {
		t.Errorf("again: %+v, %v", got, err)
	}
}
