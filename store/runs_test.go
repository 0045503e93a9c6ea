package store_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

func TestRunComesBackWhole(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	r := record("run-1", "u1")
	r.Note, r.Manual = "a note", true
	r.Acknowledged = []procedure.Finding{{Severity: procedure.SeverityWarning, Code: procedure.CodeSettle, ID: "m1", Pins: []int{3}, Message: "settles too short"}}
	r.Confirmed = []procedure.Confirmation{{What: "pin 1 is where the drawing shows it", By: "ann", At: start}}
	begin(t, s, r)
	wantCode(t, s.Begin(ctx, r), store.Conflict)
	appendAll(t, s, "run-1", batch(0, readings(0, 7, 1)))
	end := procedure.Ending{Status: procedure.Stopped, Outcome: "fail", Ended: start.Add(time.Minute), Reason: "stopped by ann"}
	if err := s.Finish(ctx, "run-1", end); err != nil {
		t.Fatal(err)
	}
	wantCode(t, s.Finish(ctx, "run-1", end), store.Conflict)
	wantCode(t, s.Finish(ctx, "nobody", end), store.NotFound)
	wantCode(t, s.Finish(ctx, "run-1", procedure.Ending{Status: procedure.Running}), store.Invalid)

	want := *r
	want.Seated = json.RawMessage(`{"model":"resistor","seed":42}`)
	want.Status, want.Outcome, want.Ended, want.Reason, want.Readings = end.Status, end.Outcome, end.Ended, end.Reason, 7
	got, err := s.GetRun(ctx, "run-1")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(&want, got); diff != "" {
		t.Error(diff)
	}
	_, err = s.GetRun(ctx, "nobody")
	wantCode(t, err, store.NotFound)
}

func TestBeginNeedsTheRevisionsItNames(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	r := record("run-1", "")
	r.DeviceRev = 4
	wantCode(t, s.Begin(t.Context(), r), store.Invalid)
	wantCode(t, s.Begin(t.Context(), &procedure.Record{}), store.Invalid)
	r.DeviceRev, r.Bench.LineHz = 0, math.Inf(1)
	wantCode(t, s.Begin(t.Context(), r), store.Invalid)
}

func TestMarkInterrupted(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	for _, id := range []string{"a", "b", "c"} {
		begin(t, s, record(id, id))
	}
	if err := s.Finish(ctx, "b", procedure.Ending{Status: procedure.Done, Ended: start}); err != nil {
		t.Fatal(err)
	}
	if n, err := s.MarkInterrupted(ctx); n != 2 || err != nil {
		t.Fatalf("%d %v, want 2", n, err)
	}
	for id, want := range map[string]procedure.Status{"a": procedure.Interrupted, "b": procedure.Done, "c": procedure.Interrupted} {
		r, err := s.GetRun(ctx, id)
		if err != nil || r.Status != want || r.Ended.Before(r.Started) {
			t.Errorf("%s: %+v %v", id, r, err)
		}
	}
	wantCode(t, s.Append(ctx, "a", batch(0, readings(0, 1, 1))), store.Conflict)
}

// TestInterruptedBeforeItBegan: a run that the last stop interrupted, found at a
// start whose clock has been set back, ends when it began and no earlier.
func TestInterruptedBeforeItBegan(t *testing.T) {
	s := storetest.Open(t, storetest.Path(t), store.Options{Now: func() time.Time { return start.Add(-time.Hour) }})
	begin(t, s, record("a", "u1"))
	if n, err := s.MarkInterrupted(t.Context()); n != 1 || err != nil {
		t.Fatalf("%d %v", n, err)
	}
	r, err := s.GetRun(t.Context(), "a")
	must(t, err)
	if !r.Ended.Equal(r.Started) || !r.Started.Equal(start) {
		t.Errorf("from %v to %v", r.Started, r.Ended)
	}
	p, err := s.ListRuns(t.Context(), store.Filter{}, "", 1)
	must(t, err)
	if p.Runs[0].Ended.Before(p.Runs[0].Started) {
		t.Errorf("listed from %v to %v", p.Runs[0].Started, p.Runs[0].Ended)
	}
}

func TestResultsReplaceTheirEarlierSelves(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	begin(t, s, record("run-1", ""))
	first := result(1, "b", 2, 5)
	second := result(0, "a", 1, math.NaN())
	second.U, second.Outcome, second.Flags, second.Note = math.Inf(1), "invalid", bench.NotSettled, "never settled"
	appendAll(t, s, "run-1", procedure.Batch{Results: []procedure.Result{first, second, result(1, "a", 2, 6)}})
	first.Value, first.Low = -1e-12, nil
	high := 3.0
	first.High = &high
	appendAll(t, s, "run-1", procedure.Batch{Results: []procedure.Result{first}})
	got, err := s.Results(ctx, "run-1")
	if err != nil {
		t.Fatal(err)
	}
	want := []procedure.Result{second, first, result(1, "a", 2, 6)}
	if diff := cmp.Diff(want, got, cmpopts.EquateNaNs()); diff != "" {
		t.Error(diff)
	}
}

func TestDeleteRunTakesAllOfIt(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	for _, id := range []string{"gone", "kept"} {
		begin(t, s, record(id, "u1"))
		b := batch(0, readings(0, 3000, 2))
		b.Results = []procedure.Result{result(0, "r", 1, 100)}
		appendAll(t, s, id, b)
		if _, _, err := s.NewShare(ctx, id, "ann", time.Time{}); err != nil {
			t.Fatal(err)
		}
	}
	wantCode(t, s.DeleteRun(ctx, "gone"), store.Conflict) // still running
	for _, id := range []string{"gone", "kept"} {
		if err := s.Finish(ctx, id, procedure.Ending{Status: procedure.Done, Ended: start}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.DeleteRun(ctx, "gone"); err != nil {
		t.Fatal(err)
	}
	wantCode(t, s.DeleteRun(ctx, "gone"), store.NotFound)
	_, err := s.GetRun(ctx, "gone")
	wantCode(t, err, store.NotFound)
	if got := readAll(t, s, "kept", 0, 0); len(got) != 3000 {
		t.Errorf("the other run has %d readings", len(got))
	}
	if r, err := s.GetRun(ctx, "kept"); err != nil || r.Device.Key != "r-one" {
		t.Errorf("the other run: %+v %v", r, err)
	}
	if err := s.DeleteRun(ctx, "kept"); err != nil {
		t.Fatal(err)
	}
	for table, want := range map[string]int{"runs": 0, "chunks": 0, "chunk_data": 0, "results": 0, "shares": 0, "snapshots": 0, "units": 1} {
		if n := store.CountRows(t, s, table); n != want {
			t.Errorf("%d rows left in %s, want %d", n, table, want)
		}
	}
	if err := s.Integrity(ctx); err != nil {
		t.Error(err)
	}
}

func TestNote(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	begin(t, s, record("run-1", ""))
	if err := s.SetNote(ctx, "run-1", "see the left pin"); err != nil {
		t.Fatal(err)
	}
	if r, err := s.GetRun(ctx, "run-1"); err != nil || r.Note != "see the left pin" {
		t.Errorf("%+v %v", r, err)
	}
	wantCode(t, s.SetNote(ctx, "nobody", ""), store.NotFound)
}

func TestUnitsAndLots(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	for i, id := range []string{"a", "b", "c"} {
		r := record(id, []string{"u1", "u1", ""}[i])
		if i == 1 {
			r.Unit.Lot = ""
		}
		begin(t, s, r)
	}
	units, _, err := s.UnitPage(ctx, "r-one", "", 10)
	if err != nil || len(units) != 1 || units[0].Serial != "u1" || units[0].Lot != "L1" || units[0].Runs != 2 {
		t.Errorf("%+v %v", units, err)
	}
	if lots, err := s.Lots(ctx, ""); err != nil || len(lots) != 1 || lots[0] != "L1" {
		t.Errorf("%v %v", lots, err)
	}
	if units, _, err := s.UnitPage(ctx, "other", "", 10); err != nil || len(units) != 0 {
		t.Errorf("%+v %v", units, err)
	}
}
