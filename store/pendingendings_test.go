package store_test

import (
	"context"
	"testing"
	"time"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// TestEndThatCouldNotBeStored: a run whose end did not reach the disk does not
// stand as running for ever: it reads as interrupted at once, and is written so
// with the next thing that is.
func TestEndThatCouldNotBeStored(t *testing.T) {
	t.Parallel()
	s := lab(t)
	begin(t, s, record("cut", "u1"))
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	e := procedure.Ending{Status: procedure.Done, Outcome: "pass", Ended: start.Add(time.Minute)}
	if err := s.Finish(cancelled, "cut", e); err == nil {
		t.Fatal("the end was stored")
	}
	got, err := s.GetRun(t.Context(), "cut")
	if err != nil || got.Status != procedure.Interrupted || got.Reason == "" || got.Ended.IsZero() {
		t.Errorf("before the next write: %q, %q, %v, %v", got.Status, got.Reason, got.Ended, err)
	}
	if err := s.Log(t.Context(), store.Event{By: "x", Action: "x", Subject: "x"}); err != nil {
		t.Fatal(err)
	}
	page, err := s.ListRuns(t.Context(), store.Filter{Status: procedure.Interrupted}, "", 10)
	if err != nil || len(page.Runs) != 1 || page.Runs[0].ID != "cut" {
		t.Errorf("after the next write: %+v, %v", page, err)
	}
	wantCode(t, s.Finish(t.Context(), "cut", e), store.Conflict)
	wantCode(t, s.Finish(t.Context(), "nobody", e), store.NotFound)
	if err := s.DeleteRun(t.Context(), "cut"); err != nil {
		t.Errorf("it cannot be deleted: %v", err)
	}
}
