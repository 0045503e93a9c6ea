package store

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// longRun stores a run that has ended, of more chunks than one block deletes.
func longRun(t *testing.T, s *Store, id string) (seq int64) {
	t.Helper()
	r := &procedure.Record{ID: id, Device: dut.Device{Key: "d"}, Procedure: procedure.Procedure{Key: "p"}, Started: time.Unix(1, 0)}
	if err := s.Begin(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	readings := make([]bench.Reading, (2*deleteBlock+3)*chunkMax)
	b := procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: readings}}, Results: []procedure.Result{{Key: "r", Name: "R"}}}
	if err := s.Append(t.Context(), id, b); err != nil {
		t.Fatal(err)
	}
	if err := s.Finish(t.Context(), id, procedure.Ending{Status: procedure.Done, Ended: time.Unix(2, 0)}); err != nil {
		t.Fatal(err)
	}
	if err := s.write.QueryRow("SELECT seq FROM runs WHERE id = ?", id).Scan(&seq); err != nil {
		t.Fatal(err)
	}
	return seq
}

// leftBehind counts the rows of every table that holds a part of a run.
func leftBehind(t *testing.T, s *Store) (n int) {
	t.Helper()
	err := s.read[Pages].QueryRow(`SELECT (SELECT count(*) FROM runs) + (SELECT count(*) FROM chunks) + (SELECT count(*) FROM chunk_data)
		+ (SELECT count(*) FROM results) + (SELECT count(*) FROM snapshots) + (SELECT count(*) FROM deleting)`).Scan(&n)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestDeletionIsCutShort: a long run is deleted by blocks, between which
// others write; from the first on it is not found any more, and what a power
// cut leaves of it is deleted at the next start.
func TestDeletionIsCutShort(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "x.db")
	s := open(t, path)
	ctx := t.Context()
	seq := longRun(t, s, "long")
	chunks := func() (n int) {
		if err := s.read[Pages].QueryRow("SELECT count(*) FROM chunks").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := chunks()
	if _, err := s.markDeleting(ctx, "long"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.GetRun(ctx, "long"); CodeOf(err) != NotFound {
		t.Errorf("the head is found: %v", err)
	}
	if err := s.Chunks(ctx, "long", AllMeasurements, 0, func(Chunk) error { return nil }); CodeOf(err) != NotFound {
		t.Errorf("readings are found: %v", err)
	}
	if err := s.DeleteRun(ctx, "long"); CodeOf(err) != NotFound {
		t.Errorf("it is deleted twice: %v", err)
	}
	if more, err := s.deleteChunks(ctx, seq); err != nil || !more || before-chunks() != deleteBlock {
		t.Errorf("one block: %v, %v, %d chunks instead of %d", more, err, before-chunks(), deleteBlock)
	}
	if err := s.Log(ctx, Event{Action: "stop run"}); err != nil {
		t.Errorf("between two blocks: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, path)
	defer s.Close()
	if leftBehind(t, s) == 0 {
		t.Error("opening the store has waited for the deletion: the bench is not safe before it is open")
	}
	if err := s.FinishDeletions(ctx); err != nil {
		t.Error(err)
	}
	if n := leftBehind(t, s); n != 0 {
		t.Errorf("%d rows are left after the next start", n)
	}
	if err := s.Integrity(ctx); err != nil {
		t.Error(err)
	}
}

// TestDeletionIsCarriedThrough: whoever asked for it may leave.
func TestDeletionIsCarriedThrough(t *testing.T) {
	t.Parallel()
	s := open(t, filepath.Join(t.TempDir(), "x.db"))
	defer s.Close()
	longRun(t, s, "long")
	seq, err := s.markDeleting(t.Context(), "long")
	if err != nil {
		t.Fatal(err)
	}
	left, leave := context.WithCancel(t.Context())
	leave()
	if err := s.DeleteRun(left, "other"); err == nil {
		t.Error("a deletion begins for somebody who has left")
	}
	if err := s.deleteMarked(context.WithoutCancel(left), seq); err != nil || leftBehind(t, s) != 0 {
		t.Errorf("%v, %d rows are left", err, leftBehind(t, s))
	}
}

// A run that is being deleted is in no list any more.
func TestRunBeingDeletedIsNotListed(t *testing.T) {
	t.Parallel()
	s, ctx := open(t, filepath.Join(t.TempDir(), "x.db")), t.Context()
	longRun(t, s, "long")
	if _, err := s.markDeleting(ctx, "long"); err != nil {
		t.Fatal(err)
	}
	for name, f := range map[string]Filter{"all": {}, "device": {Device: "d"}, "outcome": {WithoutLimits: true}, "short text": {Text: "x"}} {
		if p, err := s.ListRuns(ctx, f, "", 10); err != nil || len(p.Runs) != 0 || p.Total != 0 {
			t.Errorf("%s: %+v, %v", name, p, err)
		}
	}
}
