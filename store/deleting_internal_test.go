package store

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"ohmkeep/server/cardinfo"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// TestRunBeingDeletedTakesNothing: once a deletion has begun, what is asked of
// the run finds none, and what is written to it is refused instead of being
// lost with it.
func TestRunBeingDeletedTakesNothing(t *testing.T) {
	s, ctx := open(t, filepath.Join(t.TempDir(), "x.db")), t.Context()
	t.Cleanup(func() { _ = s.Close() })
	seq := longRun(t, s, "long")
	secret, _, err := s.NewShare(ctx, "long", "somebody", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	calls := map[string]func() error{
		"head":         func() error { _, err := s.GetRun(ctx, "long"); return err },
		"note":         func() error { return s.SetNote(ctx, "long", "kept?") },
		"picture":      func() error { _, err := s.Picture(ctx, "long", 0); return err },
		"keep picture": func() error { return s.KeepPicture(ctx, "long", 0, 1, []byte("x")) },
		"new share":    func() error { _, _, err := s.NewShare(ctx, "long", "somebody", time.Time{}); return err },
		"shared run":   func() error { _, err := s.SharedRun(ctx, secret); return err },
		"traffic":      func() error { return s.SaveTraffic(ctx, "long", cardinfo.Traffic{}) },
	}
	for name, call := range calls {
		if err := call(); err != nil {
			t.Errorf("%s, before: %v", name, err)
		}
	}
	if _, err := s.markDeleting(ctx, "long"); err != nil {
		t.Fatal(err)
	}
	for name, call := range calls {
		want := NotFound
		if name == "shared run" {
			want = Denied // as of any link that leads nowhere
		}
		if err := call(); CodeOf(err) != want {
			t.Errorf("%s of a run that is being deleted: %v", name, err)
		}
	}
	if list, err := s.Results(ctx, "long"); err != nil || len(list) != 0 {
		t.Errorf("%d results of it, %v", len(list), err)
	}
	if list, err := s.ListShares(ctx, "long"); err != nil || len(list) != 0 {
		t.Errorf("%d links to it, %v", len(list), err)
	}
	if err := s.deleteMarked(ctx, seq); err != nil {
		t.Fatal(err)
	}
	if n := leftBehind(t, s); n != 0 {
		t.Errorf("%d rows are left", n)
	}
}

// TestPendingEndings: what is remembered of an end that could not be stored is
// an interruption, the latest for each run, and is forgotten when it is written.
func TestPendingEndings(t *testing.T) {
	s, ctx := open(t, filepath.Join(t.TempDir(), "x.db")), t.Context()
	t.Cleanup(func() { _ = s.Close() })
	for _, id := range []string{"a", "b", "c"} {
		r := &procedure.Record{ID: id, Device: dut.Device{Key: "d"}, Procedure: procedure.Procedure{Key: "p"}, Started: time.Unix(1, 0)}
		if err := s.Begin(ctx, r); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Finish(ctx, "c", procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: time.Unix(2, 0)}); err != nil {
		t.Fatal(err)
	}
	for i, id := range []string{"a", "b", "a", "c", "nobody"} {
		s.pending.add(id, procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: time.Unix(int64(10+i), 0)})
	}
	if e, ok := s.pending.of("a"); !ok || e.Status != procedure.Interrupted || e.Reason == "" || e.Ended != time.Unix(12, 0) {
		t.Errorf("%+v, %v", e, ok)
	}
	refused := errorf(Invalid, "refused")
	if err := s.update(ctx, "test", func(*tx) error { return refused }); err != refused {
		t.Error(err)
	}
	if _, ok := s.pending.of("b"); !ok {
		t.Error("an end is forgotten with a transaction that was rolled back")
	}
	if err := s.Log(ctx, Event{By: "x", Action: "x", Subject: "x"}); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"a", "b", "c", "nobody"} {
		if _, ok := s.pending.of(id); ok {
			t.Errorf("the end of %s is pending still", id)
		}
	}
	for id, want := range map[string]procedure.Status{"a": procedure.Interrupted, "b": procedure.Interrupted, "c": procedure.Done} {
		if r, err := s.GetRun(ctx, id); err != nil || r.Status != want || r.Outcome != derive.Pass {
			t.Errorf("%s: %+v, %v", id, r, err)
		}
	}
}

// TestPoolOfContext: a context reads from the pool it names last, and from that
// of pages where it names none; every pool has a name and connections.
func TestPoolOfContext(t *testing.T) {
	if p := PoolOf(context.Background()); p != Pages {
		t.Error(p)
	}
	names := map[string]bool{}
	for p := range pools {
		ctx := From(From(t.Context(), Reports), p)
		if PoolOf(ctx) != p || poolSizes[p] < 2 || names[p.String()] || p.String() == "" {
			t.Errorf("%v: %v, %d connections", p, PoolOf(ctx), poolSizes[p])
		}
		names[p.String()] = true
	}
}
