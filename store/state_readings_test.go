package store_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestOlderByReadingsAlone: an older copy of the database that lacks only the newest
// readings of a run at work is said at the start; the database as it was left, and
// one whose newest run was deleted, are not.
func TestOlderByReadingsAlone(t *testing.T) {
	t.Parallel()
	path := storetest.Path(t)
	older := filepath.Join(t.TempDir(), "older")
	open := func() *store.Store {
		s, err := store.Open(t.Context(), path, store.Options{})
		must(t, err)
		return s
	}
	measure := func(s *store.Store) {
		readings := make([]bench.Reading, 1500)
		for i := range readings {
			readings[i] = bench.Reading{T: int64(i), V: 1}
		}
		must(t, s.Append(t.Context(), "a", procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: readings}}}))
	}
	compared := func() string {
		found, err := store.LookAt(path)
		must(t, err)
		s := open()
		defer s.Close()
		notes, err := found.Compare(t.Context(), s)
		must(t, err)
		return strings.Join(notes, "; ")
	}
	s := open()
	must(t, s.Begin(t.Context(), &procedure.Record{ID: "a", Device: dut.Device{Key: "part", Name: "Part"}, Started: time.Unix(1, 0), Procedure: procedure.Procedure{Measurements: []procedure.Measurement{{ID: "m", Kind: "watch"}}}}))
	measure(s)
	must(t, s.KeepState(t.Context(), true))
	must(t, s.Close())
	must(t, store.CopyFile(path, older))

	s = open()
	measure(s)
	must(t, s.KeepState(t.Context(), true))
	must(t, s.Close())
	if said := compared(); said != "" {
		t.Errorf("as it was left: %s", said)
	}
	must(t, store.CopyFile(path, path+".left"))
	must(t, store.RemoveFile(path))
	must(t, store.CopyFile(older, path))
	if said := compared(); !strings.Contains(said, "older than its last known state") || !strings.Contains(said, "3000 readings; now it has 1500") {
		t.Errorf("the older copy: %q", said)
	}
	must(t, store.RemoveFile(path))
	must(t, store.CopyFile(path+".left", path))
	s = open()
	must(t, s.Finish(t.Context(), "a", procedure.Ending{Status: procedure.Stopped, Ended: time.Unix(2, 0)}))
	must(t, s.DeleteRun(t.Context(), "a", store.Event{By: "Ann", Action: "delete run", Subject: "a"}))
	must(t, s.Close())
	if said := compared(); said != "" {
		t.Errorf("the run was deleted: %s", said)
	}
}
