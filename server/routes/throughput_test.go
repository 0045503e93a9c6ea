package routes

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
	"ohmkeep/web"
)

// promptLink is a bench whose own time is next to nothing: every call returns
// at once, with samples that were computed before the run (the store alone is
// measured with such samples too).
type promptLink struct {
	begin time.Time
	gate  *readingGate
	waves []bench.Reading // what is read, from its beginning again at its end
	n     int
}

func (l *promptLink) Identify(context.Context) (bench.Identity, error) {
	return bench.Identity{Name: "Prompt", Rehearsal: true}, nil
}
func (l *promptLink) Set(context.Context, bench.ChannelID, bench.Setup) error { return nil }
func (l *promptLink) Output(context.Context, bench.ChannelID, bool) error     { return nil }
func (l *promptLink) Close(context.Context, []bench.PathID) error             { return nil }
func (l *promptLink) MakeSafe(context.Context) error                          { return nil }
func (l *promptLink) Faults(context.Context) ([]bench.Fault, error)           { return nil, nil }
func (l *promptLink) Read(_ context.Context, channels []bench.ChannelID, _ time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	if l.n == 0 {
		l.gate.wait()
	}
	for _, ch := range channels {
		r := &l.waves[l.n%len(l.waves)]
		l.n++
		dst = append(dst, bench.Sample{Channel: ch, At: l.begin.Add(time.Duration(l.n) * 10_000), V: r.V, I: r.I})
	}
	return dst, nil
}

// sampled is reading n of a slow wave with something on top that does not
// repeat.
func sampled(n int) bench.Reading {
	x := float64(n)
	return bench.Reading{T: int64(n) * 10_000, Set: 1, Channel: 1, Pin: 1,
		V: 1 + 1e-3*math.Sin(x*1e-5) + 1e-5*math.Mod(x*0.6180339887, 1), I: 1e-3 + 1e-8*math.Mod(x*0.7548776662, 1)}
}

// preparedSamples are enough readings for the longest run of the benchmark,
// computed once: a run must not be charged for the sines of its test bench.
var preparedSamples = sync.OnceValue(func() []bench.Reading { return samples(2_000_000) })

// samples are the readings 0 to n-1 of the test signal.
func samples(n int) []bench.Reading {
	rs := make([]bench.Reading, n)
	for i := range rs {
		rs[i] = sampled(i)
	}
	return rs
}

// readingGate holds the first reading back until the viewers are there. The
// throughput is counted from the moment that it opens, and the run must have
// reached it by then: what a run does before its first reading is not counted.
type readingGate struct {
	arrived func() // closes reached, once
	reached chan struct{}
	open    chan struct{}
}

func newReadingGate() *readingGate {
	g := &readingGate{reached: make(chan struct{}), open: make(chan struct{})}
	g.arrived = sync.OnceFunc(func() { close(g.reached) })
	return g
}

// wait says that the run has reached the gate, and waits until it opens.
func (g *readingGate) wait() {
	g.arrived()
	<-g.open
}

// gatedLink holds a rehearsal bench back until the viewers are there.
type gatedLink struct {
	*rehearsal.Bench
	gate *readingGate
}

func (l gatedLink) Read(ctx context.Context, channels []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	l.gate.wait()
	return l.Bench.Read(ctx, channels, aperture, dst)
}

// lab is the whole server on a real database file and a real listener.
type wholeServer struct {
	t       testing.TB
	store   *store.Store
	station *run.Station
	web     *httptest.Server
	token   string
	gate    *readingGate // before the first reading
}

// newLab makes a lab. Without rehearse its bench takes no time at all.
func newLab(t testing.TB, rehearse bool) *wholeServer {
	t.Helper()
	ctx := context.Background()
	l := &wholeServer{t: t, store: storetest.New(t), gate: newReadingGate()}
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	def := rehearsal.DefaultBench()
	rehearsed, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: 1})
	must(t, err)
	var link bench.Link = &promptLink{begin: clock.Now(), gate: l.gate, waves: preparedSamples()}
	if rehearse {
		link = gatedLink{rehearsed, l.gate}
	}
	log := slog.New(slog.DiscardHandler)
	hub := live.NewHub(log, nil)
	runs := liverun.New(hub, l.store, log)
	l.station = run.NewStation(ctx, run.Config{Link: link, Clock: clock, Recorder: l.store, Observer: runs})
	l.web = httptest.NewServer(New(Config{Store: l.store, Hub: hub, Runs: runs, Log: log,
		Lab: lab.New(lab.Config{Store: l.store, Live: runs, Log: log, Protocol: testProtocol}, &lab.Bench{Definition: def, Station: l.station, Rehearse: testRehearser{rehearsed},
			Said: func() bench.Identity { return bench.Identity{Name: "Prompt", Rehearsal: true} }, Stepper: run.NewStepper(link)})}))
	t.Cleanup(func() {
		if err := l.station.Close(ctx); err != nil {
			t.Error(err)
		}
		hub.Close()
		l.web.Close()
	})
	l.token, err = l.store.NewToken(ctx, store.Operator, "Tester")
	must(t, err)
	_, err = l.store.SaveBench(ctx, def, 0, "test")
	must(t, err)
	_, err = l.store.SaveDevice(ctx, loadDevice(), 0, "test")
	must(t, err)
	_, err = l.store.SavePinMap(ctx, loadPinMap(), 0, "test")
	must(t, err)
	return l
}

// start begins a procedure of this one measurement; nothing is read before the
// lab is opened.
func (l *wholeServer) start(m procedure.Measurement) string {
	l.t.Helper()
	p := procedure.Procedure{Key: "figures", Name: "Figures", Device: "load", Measurements: []procedure.Measurement{m}}
	device := loadDevice()
	must(l.t, p.Validate(&device))
	_, err := l.store.SaveProcedure(context.Background(), p, 0, "test")
	must(l.t, err)
	var started apiStarted
	l.do("POST", "/runs", map[string]any{"device": "load", "procedure": "figures", "serial": "S1", "seat": true,
		"acknowledge": l.warnings("figures")}, &started)
	return started.ID
}

// warnings are those of a procedure's check before power, by name: these
// measure as fast as they can.
func (l *wholeServer) warnings(procedure string) []string {
	l.t.Helper()
	var check struct {
		Findings []struct{ Severity, Name string }
	}
	l.do("GET", "/procedures/"+procedure+"/check", nil, &check)
	names := []string{}
	for _, f := range check.Findings {
		if f.Severity == "warning" {
			names = append(names, f.Name)
		}
	}
	return names
}

// do sends a request to the API that must succeed, and decodes the answer.
func (l *wholeServer) do(method, path string, body, out any) {
	l.t.Helper()
	var in io.Reader
	if body != nil {
		text, err := json.Marshal(body)
		must(l.t, err)
		in = bytes.NewReader(text)
	}
	r, err := http.NewRequest(method, l.web.URL+"/api/v1"+path, in)
	must(l.t, err)
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	r.Header.Set("Authorization", "Bearer "+l.token)
	resp, err := http.DefaultClient.Do(r)
	must(l.t, err)
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	must(l.t, err)
	if resp.StatusCode >= 300 || json.Unmarshal(text, out) != nil {
		l.t.Fatalf("%s: %s", resp.Status, text)
	}
}

// watchers connects n pages to a run.
func (l *wholeServer) watchers(id string, n int) []*websocket.Conn {
	l.t.Helper()
	var out []*websocket.Conn
	for range n {
		c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(l.web.URL, "http")+"/runs/"+id+"/live",
			http.Header{"Authorization": {"Bearer " + l.token}})
		must(l.t, err)
		l.t.Cleanup(func() { c.Close() })
		out = append(out, c)
	}
	return out
}

// watchOf is a watch of n readings, back to back.
func watchOf(n int) procedure.Measurement {
	return procedure.Measurement{ID: "watch", Name: "Watch", Kind: "watch", Pins: []int{1}, Use: procedure.UseVoltage,
		Level: 1, Compliance: 10e-3, Hold: []procedure.Hold{{Pin: 2, Use: procedure.UseReturn}}, Settle: procedure.Settle{Time: 1e-3},
		Aperture: procedure.Aperture{Seconds: 1e-5}, Duration: float64(n) * 1e-5}
}

// sweepOf is an I–V sweep of n readings, two a point.
func sweepOf(n int) procedure.Measurement {
	return procedure.Measurement{ID: "sweep", Name: "Sweep", Kind: "sweep", Pins: []int{1}, Against: 2, Use: procedure.UseVoltage,
		Compliance: 10e-3, Sweep: &procedure.Sweep{Spacing: procedure.Linear, From: -1, To: 1, Points: n / 2},
		Repeats: 2, Aperture: procedure.Aperture{Seconds: 1e-5}}
}

// viewersAtOnce is how many pages watch in the figure to reach.
const viewersAtOnce = 20

// Every page ends with the same, which is all of it, however few of the frames
// it had time for.
func TestEveryViewerEndsWithAll(t *testing.T) {
	const n = 100_000
	l := newLab(t, false)
	id := l.start(watchOf(n))
	var all sync.WaitGroup
	got := make([]map[string]string, viewersAtOnce)
	for i, c := range l.watchers(id, viewersAtOnce) {
		got[i] = map[string]string{}
		all.Go(func() {
			for {
				var f live.Frame
				if err := c.ReadJSON(&f); err != nil {
					t.Errorf("viewer %d: %v before the end", i, err)
					return
				}
				maps.Copy(got[i], f.Parts)
				if f.Final {
					return
				}
			}
		})
	}
	close(l.gate.open)
	all.Wait()
	for i := range got {
		if !maps.Equal(got[i], got[0]) {
			t.Errorf("viewers 0 and %d ended with different pages", i)
		}
	}
	rec, err := l.store.GetRun(t.Context(), id)
	must(t, err)
	for id, want := range map[string]string{
		web.PartRunStatus: fmt.Sprintf(`data-status="done" data-readings="%d"`, rec.Readings),
		web.PartRunLatest: "<td", web.PartRunPlot: "<svg", web.PartRunResults(0): "Standard deviation",
	} {
		if !strings.Contains(got[0][id], want) {
			t.Errorf("part %s ended without %q:\n%.300s", id, want, got[0][id])
		}
	}
	// Besides those asked for there are the levels that are held, read back.
	if rec.Readings < n || rec.Readings > n+10 || rec.Status != procedure.Done {
		t.Errorf("%d readings stored, %s", rec.Readings, rec.Status)
	}
}

var finalFrame = regexp.MustCompile(`"final":true`)

// count reads a live stream to its end and returns how many frames came.
func count(t testing.TB, c *websocket.Conn) (frames int) {
	for {
		_, text, err := c.ReadMessage()
		if err != nil {
			t.Errorf("a viewer was left behind: %v", err)
			return frames
		}
		frames++
		if tail := text[max(0, len(text)-40):]; finalFrame.Match(tail) {
			return frames
		}
	}
}

// BenchmarkThroughput is how many readings a second are stored (synchronous
// FULL), derived from, and shown to twenty pages, from the first reading to the
// last frame; beside it what the store alone takes, of the very readings that the
// run has stored, in batches of 64k.
func BenchmarkThroughput(b *testing.B) {
	for _, tc := range []struct {
		name     string
		n        int
		of       func(int) procedure.Measurement
		rehearse bool
	}{
		{"watch", 2_000_000, watchOf, false},
		{"sweep", 1_000_000, sweepOf, false},
		{"rehearsed", 200_000, watchOf, true},
	} {
		b.Run(tc.name, func(b *testing.B) {
			var took, alone time.Duration
			frames := 0
			for range b.N {
				d, f, rs := throughput(b, tc.of(tc.n), tc.rehearse)
				if len(rs) < tc.n || len(rs) > tc.n+10 { // with the levels that are held, read back
					b.Fatalf("%d readings of %d were stored", len(rs), tc.n)
				}
				took, frames = took+d, frames+f
				alone += ceiling(b, rs)
			}
			rate := float64(tc.n*b.N) / took.Seconds()
			most := float64(tc.n*b.N) / alone.Seconds()
			b.ReportMetric(rate, "readings/s")
			b.ReportMetric(most, "ceiling-readings/s")
			b.ReportMetric(rate/most, "of-ceiling")
			b.ReportMetric(float64(frames)/viewersAtOnce/took.Seconds(), "frames/s")
		})
	}
}

// throughput is the time of one run with its viewers, the frames that came, and
// the readings that it stored.
func throughput(b *testing.B, m procedure.Measurement, rehearse bool) (time.Duration, int, []bench.Reading) {
	b.Helper()
	l := newLab(b, rehearse)
	id := l.start(m)
	conns := l.watchers(id, viewersAtOnce)
	frames := make([]int, len(conns))
	var all sync.WaitGroup
	for i, c := range conns {
		all.Go(func() { frames[i] = count(b, c) })
	}
	<-l.gate.reached
	begun := time.Now()
	close(l.gate.open)
	all.Wait()
	took := time.Since(begun)
	sum := 0
	for _, n := range frames {
		sum += n
	}
	rec, err := l.store.GetRun(context.Background(), id)
	must(b, err)
	if rec.Status != procedure.Done {
		b.Fatalf("the run ended as %s: %s", rec.Status, rec.Reason)
	}
	rs := make([]bench.Reading, 0, rec.Readings)
	must(b, l.store.Readings(context.Background(), id, 0, 0, func(_ int64, c *store.Columns) error {
		for i := range c.Len() {
			rs = append(rs, c.At(i))
		}
		return nil
	}))
	return took, sum, rs
}

// ceiling is the time that the store alone takes for readings.
func ceiling(b *testing.B, rs []bench.Reading) time.Duration {
	b.Helper()
	const batch = 64 << 10
	ctx, s := context.Background(), storetest.New(b)
	rec := &procedure.Record{ID: "run", Device: loadDevice(), Bench: rehearsal.DefaultBench(), PinMap: loadPinMap(),
		Procedure: loadProcedure(), Started: time.Now()}
	must(b, s.Begin(ctx, rec))
	begun := time.Now()
	for ; len(rs) > 0; rs = rs[min(batch, len(rs)):] {
		part := []procedure.MeasurementReadings{{Readings: rs[:min(batch, len(rs))]}}
		must(b, s.Append(ctx, rec.ID, procedure.Batch{Readings: part}))
	}
	return time.Since(begun)
}
