package main

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"ohmkeep/store/storetest"
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
	return startProgramWith(t, dir, options{Listen: listen, Demo: demo})
}

// startProgramWith starts the program with options of the test's own, on a
// directory or, where none is given, on one that is new.
func startProgramWith(t testing.TB, dir string, o options) *program {
	t.Helper()
	if dir == "" {
		dir = storetest.Dir(t)
		if o.Demo {
			demonstrated(t, dir)
		}
	}
	var said bytes.Buffer
	log := slog.New(slog.NewTextHandler(testWriter{t}, &slog.HandlerOptions{Level: slog.LevelWarn}))
	o.Data, o.Log, o.Announce = dir, log, &said
	ready := make(chan *app, 1)
	o.ready = func(a *app) { ready <- a }
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- serve(ctx, o) }()
	p := &program{t: t, dir: dir}
	select {
	case p.app = <-ready:
		p.base = p.app.base()
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

// demonstration is a lab whose lot has been run, once for all tests: by the
// program as a process of its own, as a first start runs it.
var demonstration struct {
	sync.Mutex
	database   []byte
	idle, peak int64 // resident memory of that process after the lot, bytes
}

// runDemonstration runs the lot where no test has done so before.
func runDemonstration(t testing.TB) {
	t.Helper()
	demonstration.Lock()
	defer demonstration.Unlock()
	if demonstration.database != nil {
		return
	}
	p := startProcess(t, storetest.Dir(t))
	lotDone(p.token("operator"))
	t.Logf("the demonstration lot took %.1f s", time.Since(p.begun).Seconds())
	if _, err := os.Stat("/proc/self/status"); err == nil { // Linux tells
		demonstration.idle, demonstration.peak = p.settled(), p.status("VmHWM")
	}
	if code := p.terminate(); code != 0 {
		t.Fatalf("exit status %d\n%s", code, p.errors())
	}
	body, err := os.ReadFile(databasePath(p.dir)) // after the stop: its log is empty
	if err != nil {
		t.Fatal(err)
	}
	demonstration.database = body
}

// demonstrated copies the demonstration into a directory.
func demonstrated(t testing.TB, dir string) {
	t.Helper()
	runDemonstration(t)
	if err := os.WriteFile(databasePath(dir), demonstration.database, 0o600); err != nil {
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
