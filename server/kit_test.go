package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
)

// program is the whole program at work in this process, as main starts it.
type program struct {
	t    testing.TB
	base string
	key  string
	dir  string
	app  *app
	stop func()
}

// startProgram starts the program on a free port, with its data in dir. For ""
// that is a directory of the test's own; with demo, one of a lab whose
// demonstration lot has been run already, which takes the program some seconds.
func startProgram(t testing.TB, dir string, demo bool) *program {
	t.Helper()
	return startProgramOn(t, "127.0.0.1:0", dir, demo)
}

func startProgramOn(t testing.TB, listen, dir string, demo bool) *program {
	t.Helper()
	if dir == "" {
		dir = t.TempDir()
		if demo {
			demonstrated(t, dir)
		}
	}
	var said bytes.Buffer
	log := slog.New(slog.NewTextHandler(testWriter{t}, &slog.HandlerOptions{Level: slog.LevelWarn}))
	o := options{Listen: listen, Data: dir, Demo: demo, Log: log, Announce: &said}
	ready := make(chan *app, 1)
	o.ready = func(a *app) { ready <- a }
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- serve(ctx, o) }()
	p := &program{t: t, dir: dir}
	select {
	case p.app = <-ready:
		p.base = "http://" + browserAddress(p.app.listener.Addr().String())
	case err := <-ended:
		cancel()
		t.Fatalf("the program did not start: %v", err)
	}
	p.key = regexp.MustCompile(`key=(\S+)`).FindStringSubmatch(said.String())[1]
	var once sync.Once
	p.stop = func() {
		once.Do(func() {
			cancel()
			if err := <-ended; err != nil {
				t.Errorf("the program ended with %v", err)
			}
		})
	}
	t.Cleanup(p.stop)
	return p
}

// demonstration is the database of a lab whose demonstration lot has been run.
var demonstration = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "ohmkeep-demonstration-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	a, err := start(context.Background(), options{Listen: "127.0.0.1:0", Data: dir, Demo: true,
		Log: slog.New(slog.DiscardHandler), Announce: io.Discard})
	if err != nil {
		return nil, err
	}
	<-a.prepare.ended
	done, total := a.prepare.progress()
	if err := a.stop(); err != nil {
		return nil, err
	}
	if done < total || total == 0 {
		return nil, fmt.Errorf("%d of %d units of the demonstration lot have been run", done, total)
	}
	return os.ReadFile(databasePath(dir)) // after the stop: its log is empty
})

// demonstrated copies the demonstration into a directory.
func demonstrated(t testing.TB, dir string) {
	t.Helper()
	body, err := demonstration()
	if err == nil {
		err = os.WriteFile(databasePath(dir), body, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// testWriter sends logs to the test.
type testWriter struct{ t testing.TB }

func (w testWriter) Write(b []byte) (int, error) {
	w.t.Log(strings.TrimSpace(string(b)))
	return len(b), nil
}

// link is the sign-in link that the program printed.
func (p *program) link() string { return p.base + "/sign-in?key=" + p.key }
