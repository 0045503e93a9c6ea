package main

import (
	"io"
	"log/slog"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
)

// A second server on the same data is refused before it touches anything: the
// run of the first goes on.
func TestSecondServerIsRefused(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	p := startProcess(t, dir, "-demo=false")
	c := p.token("operator")
	furnish(c)
	id := c.start("tarnel-6", crashProcedure)

	o := options{Listen: "127.0.0.1:0", Data: dir, Log: slog.New(slog.DiscardHandler), Announce: io.Discard}
	second, err := start(t.Context(), o)
	if err == nil {
		_ = second.stop()
		t.Error("a second server started on the same data")
	} else if !strings.Contains(err.Error(), "another server") || !strings.Contains(err.Error(), dir) {
		t.Errorf("the refusal does not say why: %v", err)
	}
	var rec struct{ Status procedure.Status }
	c.do("GET", "/runs/"+id, nil, &rec)
	if rec.Status != procedure.Running {
		t.Errorf("the first server's run is %q after the second was started", rec.Status)
	}

	p.kill() // without a word: the lock must not outlive it
	third, err := start(t.Context(), o)
	if err != nil {
		t.Fatalf("after the first was killed: %v", err)
	}
	if err := third.stop(); err != nil {
		t.Error(err)
	}
	again, err := start(t.Context(), o)
	if err != nil {
		t.Fatalf("after an ordered stop: %v", err)
	}
	if err := again.stop(); err != nil {
		t.Error(err)
	}
}
