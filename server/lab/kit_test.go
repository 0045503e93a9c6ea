package lab

import (
	"context"
	"log/slog"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// People of a lab.
var (
	ada   = Person{Name: "Ada", Role: store.Operator, Session: "session of Ada"}
	boole = Person{Name: "Boole", Role: store.Operator, Session: "session of Boole"}
	owner = Person{Name: "Olga", Role: store.Owner, Session: "session of Olga"}
	guest = Person{Name: "Guest", Role: store.Viewer, Session: "session of Guest"}
)

// gate is a counting clock that can be shut: whoever sleeps then waits until it
// opens or is called off. It holds a run at work for as long as a test needs one.
type gate struct {
	*bench.CountingClock
	mu      sync.Mutex
	shut    chan struct{}
	reached chan struct{} // told when somebody waits
}

func (g *gate) Sleep(ctx context.Context, d time.Duration) error {
	g.mu.Lock()
	shut, reached := g.shut, g.reached
	g.mu.Unlock()
	if shut != nil {
		select {
		case reached <- struct{}{}:
		default:
		}
		select {
		case <-shut:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return g.CountingClock.Sleep(ctx, d)
}

// close holds whoever sleeps from now on.
func (g *gate) close() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.shut, g.reached = make(chan struct{}), make(chan struct{}, 1)
}

// open lets everybody go on.
func (g *gate) open() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.shut != nil {
		close(g.shut)
		g.shut = nil
	}
}

// stubbornLink is a link that can be told not to become safe.
type stubbornLink struct {
	bench.Link
	mu     sync.Mutex
	unsafe error
}

func (l *stubbornLink) MakeSafe(ctx context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.unsafe != nil {
		return l.unsafe
	}
	return l.Link.MakeSafe(ctx)
}

func (l *stubbornLink) fail(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.unsafe = err
}

// watcher is LiveRuns that remembers what it is told.
type watcher struct {
	mu      sync.Mutex
	open    map[string]bool // by run, false once it is discarded
	changes int
}

func (w *watcher) Open(rec *procedure.Record) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.open[rec.ID] = true
}

func (w *watcher) Discard(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.open[id] = false
}

func (w *watcher) BenchChanged(run.Snapshot) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.changes++
}

// left is how many opened runs were not discarded.
func (w *watcher) left() (n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, open := range w.open {
		if open {
			n++
		}
	}
	return n
}

// socket is the Rehearser of a rehearsal bench with one model.
type socket struct {
	bench  *rehearsal.Bench
	mu     sync.Mutex
	seated bench.Seating // last
}

func (s *socket) Models() []bench.Model {
	return []bench.Model{
		{Key: NothingSeated, Title: "Empty socket"},
		{Key: "shorting-plug", Title: "Shorting plug", Pins: 48}, {Key: "numbered-plug", Title: "Numbered plug", Pins: 48},
		{Key: "check-load", Title: "Check load", Pins: 4, Options: []bench.ModelOption{{Key: "ohms", Title: "Resistance", Unit: "Ω", Default: 1000}}},
	}
}

func (s *socket) UnitFaultKinds() []bench.FaultKind {
	return []bench.FaultKind{{Kind: "open-bond", Title: "open bond", Fields: []string{"pin"}},
		{Kind: "pins-shorted", Title: "pins shorted", Fields: []string{"pin", "pin2", "value"}, Unit: "Ω"}}
}

func (s *socket) BenchFaultKinds() []bench.FaultKind {
	return []bench.FaultKind{{Kind: "enable-floating", Title: "enable floating", Fields: []string{"mux"}},
		{Kind: "path-stuck-open", Title: "path stuck open", Fields: []string{"path"}},
		{Kind: "gain-drift", Title: "gain drift", Fields: []string{"channel", "value"}, Unit: "of the value"},
		{Kind: "swapped-contacts", Title: "swapped contacts", Fields: []string{"contact", "contact2"}}}
}

func (s *socket) Seat(q bench.Seating) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	a := s.bench.Arranged()
	a.Seat = rehearsal.Seat{Model: q.Model, Seed: q.Seed, Options: q.Options, PinMap: q.PinMap, Insertion: q.Insertion}
	a.Seed, a.World = *q.BenchSeed, *q.World // the lab fills them in
	if err := s.bench.Arrange(a); err != nil {
		return err
	}
	s.seated = q
	return nil
}

func (s *socket) Drawn() (seed uint64, w bench.World) {
	a := s.bench.Arranged()
	return a.Seed, a.World
}

func (s *socket) Worlds() []bench.NamedWorld { return rehearsal.Worlds() }

func (s *socket) now() bench.Seating {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.seated
}

// rig is a lab on a rehearsal bench whose time only counts.
type rig struct {
	*Lab
	b      *Bench
	clock  *gate
	link   *stubbornLink
	socket *socket
	live   *watcher
}

func newRig(t testing.TB) *rig {
	t.Helper()
	ctx := context.Background()
	clock := &gate{CountingClock: bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))}
	r := &rig{clock: clock, live: &watcher{open: map[string]bool{}}}
	kept := storetest.New(t)
	def := rehearsal.DefaultBench()
	r.b, r.link, r.socket = newBench(t, def, clock, kept)
	r.Lab = New(Config{Store: kept, Live: r.live, Log: slog.New(slog.DiscardHandler), Now: clock.Now, Protocol: func() Protocol { return askingMarks{} }}, r.b)
	_, err := kept.SaveBench(ctx, def, 0, "test")
	must(t, err)
	_, err = kept.SaveDevice(ctx, loadDevice(), 0, "test")
	must(t, err)
	_, err = kept.SavePinMap(ctx, bench.PinMap{Device: "load", Bench: def.Key, Contacts: map[int]int{1: 1, 2: 2, 3: 3, 4: 4}}, 0, "test")
	must(t, err)
	_, err = kept.SaveProcedure(ctx, loadProcedure(), 0, "test")
	must(t, err)
	return r
}

// newBench is a rehearsal bench with a station of its own.
func newBench(t testing.TB, def bench.Definition, clock *gate, kept *store.Store) (*Bench, *stubbornLink, *socket) {
	t.Helper()
	ctx := context.Background()
	rehearsed, err := rehearsal.New(rehearsal.Config{Definition: rehearsal.DefaultBench(), Clock: clock, Seed: 1})
	must(t, err)
	id, err := rehearsed.Identify(ctx)
	must(t, err)
	link := &stubbornLink{Link: rehearsed}
	stepper := run.NewStepper(link)
	station := run.NewStation(ctx, run.Config{Link: stepper, Clock: clock, Recorder: kept})
	t.Cleanup(func() {
		link.fail(nil)
		clock.open()
		must(t, station.Close(ctx))
	})
	in := &socket{bench: rehearsed}
	return &Bench{Definition: def, Said: func() bench.Identity { return id }, Station: station, Rehearse: in, Stepper: stepper}, link, in
}

// withCards has the rig's bench stand for one with cards.
func (r *rig) withCards() *cards {
	c := newCards()
	r.b.Cards, r.b.Rehearse = c, nil
	return c
}

func (r *rig) wait(t testing.TB) {
	t.Helper()
	r.clock.open()
	must(t, r.b.Station.Wait(t.Context()))
}

// starting is what starts the rig's procedure on a unit that is seated for it.
func starting() StartRequest {
	return StartRequest{Device: "load", Procedure: "check", Serial: "S1", Lot: "L1", Seat: true}
}

// running holds a run at work and returns its id; it was seated and let begin.
func (r *rig) running(t testing.TB, who Person) string {
	t.Helper()
	r.clock.close()
	id, err := r.Start(t.Context(), r.b, who, starting())
	must(t, err)
	<-r.clock.reached
	return id
}

// events are the lines of the log about a subject, newest first.
func (r *rig) events(t testing.TB, subject string) []store.Event {
	t.Helper()
	list, err := r.Store.Events(t.Context(), subject, 0, 50)
	must(t, err)
	return list
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// refused holds an error against the code and a part of the words that it must
// have.
func refused(t testing.TB, err error, code problem.Code, words string) {
	t.Helper()
	if problem.CodeOf(err) != code || words != "" && !containsText(err.Error(), words) {
		t.Errorf("%q: %v, want %q: …%s…", problem.CodeOf(err), err, code, words)
	}
}

// loadDevice is a known resistor with two wires and two for remote sense.
func loadDevice() dut.Device {
	d := dut.Device{Key: "load", Name: "Known load", Package: dut.Package{Family: dut.SingleRow, Pins: 4}, Model: "check-load"}
	for n, name := range []string{"A", "B", "AS", "BS"} {
		d.Pins = append(d.Pins, dut.Pin{Number: n + 1, Name: name, Function: dut.Analog, MinV: -10, MaxV: 10, MaxI: 0.1})
	}
	return d
}

// ohms measures the load's resistance; watch holds 1 V on it for 10 s.
func ohms() procedure.Measurement {
	m := procedure.Measurement{ID: "ohms", Name: "Resistance", Kind: "resistance", Pins: []int{1}, Against: 2,
		Method: procedure.TwoWire, Use: procedure.UseCurrent, Level: 1e-3, Compliance: 5}
	m.Settle.Time, m.Aperture.Cycles = 1e-3, 1
	return m
}

func watch() procedure.Measurement {
	m := procedure.Measurement{ID: "watch", Name: "Watch", Kind: "watch", Pins: []int{1}, Use: procedure.UseVoltage, Level: 1, Compliance: 10e-3,
		Hold: []procedure.Hold{{Pin: 2, Use: procedure.UseReturn}}, Duration: 10, Interval: 0.1}
	m.Settle.Time, m.Aperture.Cycles = 1e-3, 1
	return m
}

func loadProcedure() procedure.Procedure {
	low, high := 900.0, 1100.0
	m := ohms()
	m.Limits = map[string]procedure.Limit{"resistance": {Low: &low, High: &high}}
	return procedure.Procedure{Key: "check", Name: "Check", Device: "load", Guard: 1, Measurements: []procedure.Measurement{m, watch()}}
}
