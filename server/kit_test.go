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

	"ohmkeep/server/demo"
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

// unitsOfTests is how many units of the demonstration lot the lab of the tests
// has. All 24 would take a fifth of the processor time of all tests here; six
// fill every page of a lot, and the fourth of them is faulty. TestProcessMemory
// has the whole lot run with -wholelot.
const unitsOfTests = 6

// demonstration is the database of a lab whose lot has been run, once for all
// tests.
var demonstration struct {
	sync.Mutex
	database []byte
}

// runDemonstration runs the lot where no test has done so before.
func runDemonstration(t testing.TB) {
	t.Helper()
	demonstration.Lock()
	defer demonstration.Unlock()
	if demonstration.database != nil {
		return
	}
	dir := storetest.Dir(t)
	p := startProgramWith(t, dir, options{Listen: "127.0.0.1:0", Demo: true, lot: demo.Lot()[:unitsOfTests]})
	<-p.app.prepare.ended
	if done, total := p.app.prepare.progress(); done != unitsOfTests || total != unitsOfTests {
		t.Fatalf("%d of %d units of the lot were run, not %d", done, total, unitsOfTests)
	}
	p.stop()
	body, err := os.ReadFile(databasePath(dir)) // after the stop: its log is empty
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
