package store

import (
	"path/filepath"
	"testing"
	"time"
)

// TestControlNeedsNoOtherPool: with the pools of pages and reports gone, who
// asks is still found and the server still answers; with the pool of reports
// alone gone, pages do.
func TestControlNeedsNoOtherPool(t *testing.T) {
	t.Parallel()
	s := open(t, filepath.Join(t.TempDir(), "x.db"))
	defer s.Close()
	ctx := t.Context()
	session, err := s.NewSession(ctx, Operator, "someone", time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	token, err := s.NewToken(ctx, Viewer, "reader")
	if err != nil {
		t.Fatal(err)
	}
	closed := func(p Pool) {
		if err := s.read[p].Close(); err != nil { // a closed pool fails at once, where an empty one would wait
			t.Fatal(err)
		}
	}
	closed(Reports)
	if err := s.Ping(ctx); err != nil {
		t.Errorf("pages read from the pool of reports: %v", err)
	}
	closed(Pages)
	if err := s.Ping(ctx); err == nil {
		t.Error("what names no pool does not read from that of pages")
	}
	if err := s.Ping(From(ctx, Reports)); err == nil {
		t.Error("reports read from another pool")
	}
	if a, err := s.Session(From(ctx, Reports), session); err != nil || a.Name != "someone" {
		t.Errorf("session: %v, %v", a, err)
	}
	if a, err := s.TokenAccess(ctx, token); err != nil || a.Role != Viewer {
		t.Errorf("token: %v, %v", a, err)
	}
	if _, err := s.Shared(ctx, "none"); CodeOf(err) != Denied {
		t.Errorf("share: %v", err)
	}
	if err := s.Ping(From(ctx, Control)); err != nil {
		t.Errorf("control: %v", err)
	}
}

func TestPoolOfAContext(t *testing.T) {
	t.Parallel()
	if p := PoolOf(t.Context()); p != Pages {
		t.Errorf("without a name: %s", p)
	}
	for p := range pools {
		if got := PoolOf(From(From(t.Context(), Reports), p)); got != p {
			t.Errorf("%s became %s", p, got)
		}
		if poolSizes[p] < 1 {
			t.Errorf("%s has no connection", p)
		}
	}
}
