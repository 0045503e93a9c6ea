package main

import (
	"bytes"
	"errors"
	"io"
	"log/slog"
	"strings"
	"testing"

	"ohmkeep/server/bench"
)

// TestBenchSeedAtTheStart: without a flag a start goes on with the bench that
// was drawn last; with one it draws that bench, and keeps it.
func TestBenchSeedAtTheStart(t *testing.T) {
	dir := t.TempDir()
	begin := func(seed *uint64) (*app, func()) {
		t.Helper()
		a, err := start(t.Context(), options{Listen: "127.0.0.1:0", Data: dir, BenchSeed: seed, Log: slog.New(slog.DiscardHandler), Announce: io.Discard})
		if err != nil {
			t.Fatal(err)
		}
		return a, func() {
			if err := a.stop(); err != nil {
				t.Error(err)
			}
		}
	}
	is := func(a *app, want uint64, serial string) {
		t.Helper()
		if seed, _ := (rehearser{a.benches.rehearsal}).Drawn(); seed != want {
			t.Errorf("bench %d is drawn, want %d", seed, want)
		}
		if got := a.benches.inUse.Identity().Serial; got != serial {
			t.Errorf("it says it is %s", got)
		}
	}
	a, stop := begin(nil)
	is(a, benchSeed, "rehearsal-48")
	seven := uint64(7)
	seating := bench.Seating{Model: "check-load", BenchSeed: &seven}
	if err := a.store.SetSeating(t.Context(), a.benches.rehearsed.Key, seating, "test"); err != nil {
		t.Fatal(err)
	}
	stop()
	a, stop = begin(nil)
	is(a, 7, "rehearsal-7")
	stop()
	nine := uint64(9)
	a, stop = begin(&nine)
	is(a, 9, "rehearsal-9")
	stop()
	a, stop = begin(nil)
	is(a, 9, "rehearsal-9")
	stop()
}

// TestBenchSeedIsRead: what is no seed is refused in words.
func TestBenchSeedIsRead(t *testing.T) {
	for _, text := range []string{"-1", "1.5", "x", "9007199254740992"} {
		var said bytes.Buffer
		err := command(t.Context(), []string{"-bench-seed", text}, io.Discard, &said)
		if !errors.As(err, new(usageError)) || !strings.Contains(err.Error(), "whole number") {
			t.Errorf("%s: %v", text, err)
		}
	}
}
