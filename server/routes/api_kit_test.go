package routes

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/keeping"
	"ohmkeep/server/lab"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/people"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/rehearsal/model"
	"ohmkeep/server/run"
	"ohmkeep/server/turn"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// gate is a counting clock that can be closed: whoever sleeps then waits until
// it opens or is called off. It holds a run at work for as long as a test
// needs one.
type gate struct {
	*bench.CountingClock
	mu      sync.Mutex
	closed  chan struct{}
	reached chan struct{} // told when somebody waits
}

func (g *gate) Sleep(ctx context.Context, d time.Duration) error {
	g.mu.Lock()
	closed, reached := g.closed, g.reached
	g.mu.Unlock()
	if closed != nil {
		select {
		case reached <- struct{}{}:
		default:
		}
		select {
		case <-closed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return g.CountingClock.Sleep(ctx, d)
}

func (g *gate) shut() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.closed, g.reached = make(chan struct{}), make(chan struct{}, 1)
}

func (g *gate) open() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.closed != nil {
		close(g.closed)
		g.closed = nil
	}
}

// testRehearser offers a rehearsal bench to the routes.
type testRehearser struct{ bench *rehearsal.Bench }

func (r testRehearser) Models() []bench.Model {
	var out []bench.Model
	for _, m := range model.All() {
		x := bench.Model{Key: m.Key, Title: m.Title, Pins: m.Pins}
		for _, o := range m.Options {
			x.Options = append(x.Options, bench.ModelOption{Key: o.Key, Title: o.Title, Unit: o.Unit, Default: o.Default})
		}
		out = append(out, x)
	}
	return out
}

func (r testRehearser) UnitFaultKinds() []bench.FaultKind { return model.FaultKinds() }

func (r testRehearser) BenchFaultKinds() (out []bench.FaultKind) {
	return rehearsal.FaultKinds()
}

func (r testRehearser) Seat(q bench.Seating) error {
	seat := rehearsal.Seat{Model: q.Model, Seed: q.Seed, Options: q.Options, Faults: q.UnitFaults, PinMap: q.PinMap, Insertion: q.Insertion}
	return r.bench.Arrange(rehearsal.Arrangement{Seed: *q.BenchSeed, World: *q.World, Seat: seat, Faults: q.BenchFaults}) // the lab fills them in
}

func (r testRehearser) Drawn() (seed uint64, w bench.World) {
	a := r.bench.Arranged()
	return a.Seed, a.World
}

func (r testRehearser) Worlds() []bench.NamedWorld { return rehearsal.Worlds() }

// apiRig is the whole API on a rehearsal bench whose time only counts.
type apiRig struct {
	t      *testing.T
	server *Server
	http   http.Handler
	store  *store.Store
	clock  *gate
	log    *bytes.Buffer
	tokens map[store.Role]string
	table  []endpoint
	match  chi.Router
	seen   map[string]bool // operations that have succeeded
	// keeper waits for its turn in a queue of its own.
	keeper      *keeping.Keeper
	keeperTurns *turn.Queue
	// use stands for putting a bench in use.
	use func(ctx context.Context, key string) (*lab.Bench, error)
}

func newAPI(t *testing.T) *apiRig {
	t.Helper()
	return newWitnessedAPI(t, func(o run.Observer) run.Observer { return o })
}

// newWitnessedAPI is newAPI with something between the station and the live runs.
func newWitnessedAPI(t *testing.T, witnessed func(run.Observer) run.Observer) *apiRig {
	t.Helper()
	ctx := context.Background()
	a := &apiRig{t: t, log: &bytes.Buffer{}, tokens: map[store.Role]string{}, seen: map[string]bool{}}
	a.clock = &gate{CountingClock: bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))}
	a.store = storetest.Open(t, storetest.Path(t), store.Options{Now: a.clock.Now})
	log := slog.New(slog.NewTextHandler(a.log, &slog.HandlerOptions{Level: slog.LevelError}))
	def := rehearsal.DefaultBench()
	link, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: a.clock, Seed: 1})
	must(t, err)
	id, err := link.Identify(ctx)
	must(t, err)
	hub := live.NewHub(log, nil)
	runs := liverun.New(hub, a.store, log)
	stepper := run.NewStepper(link)
	station := run.NewStation(ctx, run.Config{Link: stepper, Clock: a.clock, Recorder: a.store, Observer: witnessed(runs)})
	t.Cleanup(func() {
		a.clock.open()
		if err := station.Close(ctx); err != nil {
			t.Error(err)
		}
		hub.Close()
	})
	cfg := Config{Store: a.store, Reports: turn.NewQueue(turn.Limits{}), Hub: hub, Runs: runs, Log: log, Version: "test", Now: a.clock.Now, Protocol: testReference()}
	first := &lab.Bench{Definition: def, Said: func() bench.Identity { return id }, Station: station, Rehearse: testRehearser{link}, Stepper: stepper}
	cfg.Lab = lab.New(lab.Config{Store: a.store, Live: runs, Log: log, Protocol: testProtocol, Now: a.clock.Now,
		Open: func(ctx context.Context, key string) (*lab.Bench, error) { return a.use(ctx, key) }}, first)
	a.use = func(context.Context, string) (*lab.Bench, error) { return first, nil }
	a.keeperTurns = turn.NewQueue(turn.Limits{Computing: 1, Open: 4, Each: 4})
	a.keeper = keeping.New(keeping.Config{Store: a.store, Reports: a.keeperTurns, Log: log, Dir: filepath.Join(t.TempDir(), "backups")})
	t.Cleanup(a.keeper.Close)
	cfg.Keeper = a.keeper
	cfg.People = people.New(people.Config{Store: a.store, Log: log})
	a.server = newServer(cfg)
	a.http = a.server.handler()
	for _, role := range []store.Role{store.Viewer, store.Operator, store.Owner} {
		a.tokens[role], err = a.store.NewToken(ctx, role, role.String())
		must(t, err)
	}
	a.prepare(ctx, def)
	a.routing()
	return a
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// prepare stores the bench, a device and two procedures for it.
func (a *apiRig) prepare(ctx context.Context, def bench.Definition) {
	_, err := a.store.SaveBench(ctx, def, 0, "test")
	must(a.t, err)
	_, err = a.store.SaveDevice(ctx, loadDevice(), 0, "test")
	must(a.t, err)
	_, err = a.store.SavePinMap(ctx, loadPinMap(), 0, "test")
	must(a.t, err)
	_, err = a.store.SaveProcedure(ctx, loadProcedure(), 0, "test")
	must(a.t, err)
}

// loadDevice is a known resistor with two wires and two for remote sense.
func loadDevice() dut.Device {
	d := dut.Device{Key: "load", Name: "Known load", Package: dut.Package{Family: dut.SingleRow, Pins: 4}, Model: "check-load"}
	for n, name := range []string{"A", "B", "AS", "BS"} {
		d.Pins = append(d.Pins, dut.Pin{Number: n + 1, Name: name, Function: dut.Analog, MinV: -10, MaxV: 10, MaxI: 0.1})
	}
	return d
}

func loadPinMap() bench.PinMap {
	return bench.PinMap{Device: "load", Bench: "rehearsal", Contacts: map[int]int{1: 1, 2: 2, 3: 3, 4: 4}}
}

func loadProcedure() procedure.Procedure {
	low, high := 900.0, 1100.0
	quick := procedure.Measurement{Settle: procedure.Settle{Time: 1e-3}, Aperture: procedure.Aperture{Cycles: 1}}
	ohms, watch := quick, quick
	ohms.ID, ohms.Name, ohms.Kind = "ohms", "Resistance", "resistance"
	ohms.Pins, ohms.Against, ohms.Method, ohms.Use = []int{1}, 2, procedure.TwoWire, procedure.UseCurrent
	ohms.Level, ohms.Compliance = 1e-3, 5
	ohms.Limits = map[string]procedure.Limit{"resistance": {Low: &low, High: &high}}
	watch.ID, watch.Name, watch.Kind = "watch", "Watch", "watch"
	watch.Pins, watch.Use, watch.Level, watch.Compliance = []int{1}, procedure.UseVoltage, 1, 10e-3
	watch.Hold = []procedure.Hold{{Pin: 2, Use: procedure.UseReturn}}
	watch.Duration, watch.Interval = 10, 0.1
	return procedure.Procedure{Key: "check", Name: "Check", Device: "load", Guard: 1, Measurements: []procedure.Measurement{ohms, watch}}
}

// routing finds the endpoint that an address belongs to.
func (a *apiRig) routing() {
	a.table, a.match = a.server.endpoints(), chi.NewRouter()
	for _, e := range a.table {
		a.match.Method(e.method, e.path, http.NotFoundHandler())
	}
}

func (a *apiRig) endpoint(method, address string) *endpoint {
	path, _, _ := strings.Cut(strings.TrimPrefix(address, "/api/v1"), "?")
	ctx := chi.NewRouteContext()
	if !a.match.Match(ctx, method, path) {
		return nil
	}
	for i := range a.table {
		if a.table[i].method == method && a.table[i].path == ctx.RoutePattern() {
			return &a.table[i]
		}
	}
	a.t.Fatalf("%s %s: matched, but not in the table", method, address)
	return nil
}

// answer is what came back.
type answer struct {
	status  int
	header  http.Header
	body    []byte
	problem problemDetails // of an error
}

// ask sends a request as a role (store.Nobody: without a token) and holds the
// answer against its schema. A body that is not a string is sent as JSON.
func (a *apiRig) ask(role store.Role, method, address string, body any, headers ...string) *answer {
	a.t.Helper()
	var in io.Reader
	switch b := body.(type) {
	case nil:
	case string:
		in = strings.NewReader(b)
	default:
		text, err := json.Marshal(b)
		must(a.t, err)
		in = bytes.NewReader(text)
	}
	r := httptest.NewRequest(method, "/api/v1"+address, in)
	r.Host = "localhost"
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if token := a.tokens[role]; token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	a.http.ServeHTTP(w, r)
	out := &answer{status: w.Code, header: w.Header(), body: w.Body.Bytes()}
	a.hold(method, address, out)
	return out
}

// hold checks an answer against what the document says of it.
func (a *apiRig) hold(method, address string, out *answer) {
	a.t.Helper()
	media, _, _ := mime.ParseMediaType(out.header.Get("Content-Type"))
	if out.status >= 400 {
		if media != "application/problem+json" {
			a.t.Fatalf("%s %s: status %d as %q: %s", method, address, out.status, media, out.body)
		}
		a.conforms(problemDetails{}, out.body)
		must(a.t, json.Unmarshal(out.body, &out.problem))
		if out.problem.Status != out.status || out.problem.Title == "" || out.problem.Detail == "" {
			a.t.Errorf("%s %s: status %d with problem %+v", method, address, out.status, out.problem)
		}
		return
	}
	e := a.endpoint(method, address)
	if e == nil {
		a.t.Fatalf("%s %s: status %d from no endpoint", method, address, out.status)
	}
	if out.status != e.success() && !(out.status == http.StatusCreated && e.tagged) {
		a.t.Errorf("%s %s: status %d, the document says %d", method, address, out.status, e.success())
	}
	a.seen[e.id] = true
	switch {
	case e.media != "":
		if out.header.Get("Content-Type") != e.media {
			a.t.Errorf("%s %s: %q, want %q", method, address, out.header.Get("Content-Type"), e.media)
		}
	case e.response == nil:
		if len(out.body) > 0 {
			a.t.Errorf("%s %s: unexpected body %s", method, address, out.body)
		}
	default:
		if media != "application/json" {
			a.t.Errorf("%s %s: %q", method, address, media)
		}
		a.conforms(e.response, out.body)
	}
}

// conforms checks a body against the schema of a type.
func (a *apiRig) conforms(zero any, body []byte) {
	a.t.Helper()
	if err := apiTypes.Check(reflect.TypeOf(zero), body); err != nil {
		a.t.Errorf("the answer is not what the document says: %v\n%.2000s", err, body)
	}
}

// get asks for a resource that must be there and reads it.
func get[T any](a *apiRig, address string) T {
	a.t.Helper()
	out := a.ask(store.Viewer, "GET", address, nil)
	return read[T](a, out, http.StatusOK)
}

func read[T any](a *apiRig, out *answer, status int) T {
	a.t.Helper()
	var v T
	if out.status != status {
		a.t.Fatalf("status %d, want %d: %s", out.status, status, out.body)
	}
	must(a.t, json.Unmarshal(out.body, &v))
	return v
}

// start starts the prepared procedure and returns the run.
func (a *apiRig) start(body map[string]any) string {
	a.t.Helper()
	q := map[string]any{"device": "load", "procedure": "check", "serial": "S1"}
	for k, v := range body {
		q[k] = v
	}
	out := a.ask(store.Operator, "POST", "/runs", q)
	started := read[apiStarted](a, out, http.StatusCreated)
	if out.header.Get("Location") != "/api/v1/runs/"+started.ID {
		a.t.Errorf("Location %q", out.header.Get("Location"))
	}
	return started.ID
}

// hang starts a run that stays at work until the clock's gate is opened.
func (a *apiRig) hang(body map[string]any) string {
	a.t.Helper()
	a.clock.shut()
	id := a.start(body)
	<-a.clock.reached
	return id
}

// wait waits until the run at work has ended.
func (a *apiRig) wait() {
	a.t.Helper()
	must(a.t, a.server.Lab.InUse().Station.Wait(context.Background()))
}

// runOnce seats a unit and runs the prepared procedure to its end.
func (a *apiRig) runOnce(body map[string]any) string {
	a.t.Helper()
	read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/seating", map[string]any{"device": "load", "serial": "S1"}), http.StatusOK)
	id := a.start(body)
	a.wait()
	return id
}
