package store_test

import (
	"strings"
	"testing"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// A run's documents are its own, also where SQLite gives the id of a deleted
// snapshot to another.
func TestSnapshotsOfDeletedRunsAreNotMistaken(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	for _, name := range []string{"first", "second", "third"} {
		r := record(name, "u")
		r.Device.Name, r.Procedure.Name = "Device "+name, "Procedure "+name
		begin(t, s, r)
		for range 2 { // decoded, then kept
			got, err := s.GetRun(ctx, name)
			must(t, err)
			if got.Device.Name != r.Device.Name || got.Procedure.Name != r.Procedure.Name || len(got.PinMap.Contacts) != 2 {
				t.Errorf("%s: device %q, procedure %q", name, got.Device.Name, got.Procedure.Name)
			}
		}
		must(t, s.Finish(ctx, name, procedure.Ending{Status: procedure.Done, Ended: start}))
		must(t, s.DeleteRun(ctx, name))
		_, err := s.GetRun(ctx, name)
		wantCode(t, err, store.NotFound)
	}
}

// Damage is not served as fact: what a run was made with is held against the
// hash that it is known by.
func TestDamagedSnapshotIsCorrupt(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("run", "u"))
	store.SpoilSnapshots(t, s)
	_, err := s.GetRun(t.Context(), "run")
	wantCode(t, err, store.Corrupt)
}

// A reader that changes what it got is found out.
func TestChangedDocumentIsNoticed(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	begin(t, s, record("run", "u"))
	r, err := s.GetRun(ctx, "run")
	must(t, err)
	r.Device.Name = "Mine" // its own copy
	must(t, s.CheckShared(ctx))
	kept := r.Device.Pins[0]
	r.Device.Pins[0] = dut.Pin{}
	if err := s.CheckShared(ctx); err == nil || !strings.Contains(err.Error(), "dut.Device") {
		t.Errorf("not noticed: %v", err)
	}
	r.Device.Pins[0] = kept
}

// BenchmarkGetRun reads the head of a run whose documents were read before.
func BenchmarkGetRun(b *testing.B) {
	s := storetest.New(b)
	r := record("run", "u")
	for i := range 500 {
		m := r.Procedure.Measurements[0]
		m.Pins = []int{1, 2}
		m.Name += itoa(i)
		r.Procedure.Measurements = append(r.Procedure.Measurements, m)
	}
	begin(b, s, r)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.GetRun(b.Context(), "run"); err != nil {
			b.Fatal(err)
		}
	}
}
