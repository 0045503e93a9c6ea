package routes

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

// TestWatcherProcess is no test: it is the process that benchmarks start to
// look at pages, so that what looking costs is not counted as the server's. It
// opens sockets, says so by a line, and reads until its input ends.
func TestWatcherProcess(t *testing.T) {
	url, n := os.Getenv("OHMKEEP_WATCH"), 0
	if url == "" {
		t.Skip("it is started by BenchmarkIdleViewers and BenchmarkRunViewers")
	}
	n, err := strconv.Atoi(os.Getenv("OHMKEEP_WATCHERS"))
	must(t, err)
	for range n {
		c, _, err := websocket.DefaultDialer.Dial(url, http.Header{"Authorization": {"Bearer " + os.Getenv("OHMKEEP_TOKEN")}})
		must(t, err)
		go func() {
			for {
				if _, _, err := c.NextReader(); err != nil {
					return
				}
			}
		}()
	}
	fmt.Println("watching")
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// watchFrom has another process look at a page n times, until the end is called.
func watchFrom(b *testing.B, url, token string, n int) (end func()) {
	b.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestWatcherProcess$")
	cmd.Env = append(os.Environ(), "OHMKEEP_WATCH="+strings.Replace(url, "http", "ws", 1), "OHMKEEP_TOKEN="+token, fmt.Sprint("OHMKEEP_WATCHERS=", n))
	in, err := cmd.StdinPipe()
	must(b, err)
	out, err := cmd.StdoutPipe()
	must(b, err)
	must(b, cmd.Start())
	line := make([]byte, len("watching\n"))
	if _, err := io.ReadFull(out, line); err != nil || string(line) != "watching\n" {
		b.Fatalf("the watchers said %q, %v", line, err)
	}
	go func() { _, _ = io.Copy(io.Discard, out) }()
	return func() {
		_ = in.Close()
		if err := cmd.Wait(); err != nil {
			b.Error(err)
		}
	}
}

// cpuTime is what this process has used of all processors.
func cpuTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	must(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkIdleViewers is what it costs that 200 pages show the first page of a
// server on which nothing happens: processor time by time, and beside it the
// same with nobody looking. Every operation is ten seconds.
func BenchmarkIdleViewers(b *testing.B) {
	const span = 10 * time.Second
	for _, n := range []int{0, 20, 200} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			l := newLab(b, true)
			end := watchFrom(b, l.web.URL+"/live", l.token, n)
			defer end()
			b.ResetTimer()
			begun := cpuTime(b)
			for range b.N {
				time.Sleep(span)
			}
			used := cpuTime(b) - begun
			b.ReportMetric(100*used.Seconds()/b.Elapsed().Seconds(), "%-of-a-core")
		})
	}
}

// frameAt is what a run's page was sent, and when.
type frameAt struct {
	after time.Duration
	parts map[string]string
}

// BenchmarkRunViewers is what 100 pages of a run at work cost: gathering,
// drawing and sending, against a bare hub that sends the same frames at the
// same moments. Every operation is ten seconds of a sweep of 1,000 readings/s,
// committed 50 times a second.
func BenchmarkRunViewers(b *testing.B) {
	const viewers, span = 100, 10 * time.Second
	var whole, bare time.Duration
	frames := 0
	for range b.N {
		var sent []frameAt
		used := runWatched(b, viewers, span, &sent)
		whole, frames = whole+used, frames+len(sent)
		bare += hubWatched(b, viewers, sent)
	}
	b.ReportMetric(100*whole.Seconds()/(float64(b.N)*span.Seconds()), "%-of-a-core")
	b.ReportMetric(100*bare.Seconds()/(float64(b.N)*span.Seconds()), "%-bare-hub")
	b.ReportMetric(whole.Seconds()/bare.Seconds(), "of-bare-hub")
	b.ReportMetric(float64(frames)/float64(b.N)/span.Seconds(), "frames/s")
}

// streaming serves one topic of a hub by HTTP.
func streaming(b *testing.B, hub *live.Hub, topic string) *httptest.Server {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { hub.Serve(w, r, topic, 0) }))
	b.Cleanup(func() { hub.Close(); server.Close() })
	return server
}

func anyOrigin(*http.Request) bool { return true }

// runWatched feeds a run to live runs and returns what that, its drawings and
// its viewers cost; what was drawn goes to sent.
func runWatched(b *testing.B, viewers int, span time.Duration, sent *[]frameAt) time.Duration {
	b.Helper()
	log := slog.New(slog.DiscardHandler)
	hub := live.NewHub(log, anyOrigin)
	runs := liverun.New(hub, nil, log)
	s := &Server{Config: Config{Hub: hub, Runs: runs, Log: log}}
	var mu sync.Mutex
	var begun time.Time
	runs.DrawOn(func(id string) liverun.Screen {
		return tapped{s.newRunScreen(id), func(parts map[string]string) {
			mu.Lock()
			defer mu.Unlock()
			*sent = append(*sent, frameAt{time.Since(begun), maps.Clone(parts)})
		}}
	})
	rec := sweptRun()
	begun = time.Now()
	runs.Open(rec)
	server := streaming(b, hub, liverun.Topic(rec.ID))
	defer watchFrom(b, server.URL, "", viewers)()
	begun = time.Now()
	from := cpuTime(b)
	pace := time.NewTicker(20 * time.Millisecond)
	defer pace.Stop()
	for n := 0; time.Since(begun) < span; n++ {
		runs.Observe(sweepUpdate(rec, n))
		<-pace.C
	}
	used := cpuTime(b) - from
	runs.Observe(run.Update{Run: rec.ID, Ending: &procedure.Ending{Status: procedure.Done}})
	must(b, runs.Wait(context.Background()))
	return used
}

// hubWatched sends the same frames by a hub alone.
func hubWatched(b *testing.B, viewers int, sent []frameAt) time.Duration {
	b.Helper()
	hub := live.NewHub(slog.New(slog.DiscardHandler), anyOrigin)
	topic := hub.Open("bare")
	server := streaming(b, hub, "bare")
	defer watchFrom(b, server.URL, "", viewers)()
	begun, from := time.Now(), cpuTime(b)
	for _, f := range sent {
		time.Sleep(f.after - time.Since(begun))
		topic.Publish(f.parts)
	}
	used := cpuTime(b) - from
	topic.End(nil)
	return used
}

// sweptRun is a run of an I–V sweep on a part of 14 pins.
func sweptRun() *procedure.Record {
	rec := longRun(12)
	rec.Device.Pins = rec.Device.Pins[:14]
	rec.Device.Package.Pins = 14
	for m := range rec.Procedure.Measurements {
		mm := sweepOf(10_000)
		mm.Name = fmt.Sprint("Sweep ", m)
		rec.Procedure.Measurements[m] = mm
	}
	return rec
}

// sweepUpdate is commit n of the run: 20 readings, now and then a result.
func sweepUpdate(rec *procedure.Record, n int) run.Update {
	m := n / 50 % len(rec.Procedure.Measurements)
	rs := make([]bench.Reading, 20)
	for i := range rs {
		k := float64(n%50*20+i) / 1000
		rs[i] = bench.Reading{T: int64(n*20+i) * 1e6, Point: uint32(n*20 + i), Pin: 1, Channel: 1, Set: k, V: k, I: 1e-9 * math.Exp(15*k)}
	}
	last := rs[len(rs)-1]
	u := run.Update{Run: rec.ID, Progress: run.Progress{Measurement: m, Point: n % 50 * 20, Points: 1000, Done: make([]bool, len(rec.Procedure.Measurements)),
		Elapsed: time.Duration(last.T), Left: time.Minute, Readings: int64(20 * n)},
		Pins:  []run.PinState{{Pin: 1, Use: procedure.UseVoltage, Channel: 1, Level: last.Set, V: last.V, I: last.I}, {Pin: 2, Use: procedure.UseReturn}},
		Batch: procedure.Batch{Readings: []procedure.MeasurementReadings{{Measurement: m, Readings: rs}}}}
	if n%10 == 0 {
		u.Batch.Results = []procedure.Result{{Measurement: m, Key: "value", Name: "Value", Pin: 1, Value: last.I, U: 1e-10, Unit: "A", Outcome: derive.Pass}}
	}
	return u
}
