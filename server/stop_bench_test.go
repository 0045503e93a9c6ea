package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

var (
	historyRuns = flag.Int("historyruns", 20_000, "runs in the history of BenchmarkStopUnderReports")
	stopsEach   = flag.Int("stops", 40, "stops and make-safes that BenchmarkStopUnderReports times on each side")
)

// BenchmarkStopUnderReports is what a stop and a make-safe take, and how long a
// run lasts, while reports are made as fast as they are let: 16 wide tables of
// the whole history, 16 pages of lots, and 100 readers of a long run's readings
// who accept little. The server is a process of its own with a run at work, and
// everything goes over loopback. The same is measured before on the idle
// server: the differences are what counts, not the times.
//
// Then the load goes on until each of the 16 has had a wide table: when the
// first was answered and when all were, and how that compares with the tables
// and lots that were answered, made one after the other on the idle server. All
// of them by turns must not take much longer than one by one; what the 100
// readers and the runs at work took comes on top.
//
//	go test ./server -run xxx -bench StopUnderReports -benchtime 1x -timeout 20m
//
// To reach: stop and make safe at the 99th percentile within 50 ms of those of
// the idle server, a run within 1.02 of its time there.
func BenchmarkStopUnderReports(b *testing.B) {
	dir := b.TempDir()
	long := longHistory(b, databasePath(dir), *historyRuns)
	p := startProcess(b, dir, "-demo=false")
	c := p.token("operator")
	furnish(c)
	for _, q := range demo.Scenario().Procedures {
		if q.Device == demo.TarnelKey {
			c.do("PUT", "/procedures/"+q.Key, q, nil)
		}
	}
	for range b.N {
		idle := timed(c, *stopsEach)
		table, lot := alone(c, wideTable), alone(c, lotPage(0))
		load := reportsOn(b, p, long)
		busy := timed(c, *stopsEach)
		first, all := load.answered()
		byOne := table*time.Duration(load.wide.Load()) + lot*time.Duration(load.lots.Load())
		b.ReportMetric(first.Seconds(), "first-wide-s")
		b.ReportMetric(all.Seconds(), "all-wide-s")
		b.ReportMetric(all.Seconds()/byOne.Seconds(), "all-over-one-by-one")
		resident := p.status("VmHWM")
		load.end()
		for i, name := range []string{"stop", "safe", "health", "start"} {
			b.ReportMetric(ms(quantile(idle.took[i], 0.99)), name+"-idle-p99-ms")
			b.ReportMetric(ms(quantile(busy.took[i], 0.99)), name+"-p99-ms")
			b.ReportMetric(ms(quantile(busy.took[i], 0.5)), name+"-p50-ms")
		}
		b.ReportMetric(busy.run.Seconds()/idle.run.Seconds(), "run-ratio")
		b.ReportMetric(float64(resident)/mib, "MiB")
		b.Logf("alone a wide table takes %v and a lot %v", table, lot)
		b.Logf("the run took %v idle and %v under reports; meanwhile %s", idle.run, busy.run, load)
	}
}

func ms(d time.Duration) float64 { return d.Seconds() * 1e3 }

// quantile is the nearest rank.
func quantile(took []time.Duration, q float64) time.Duration {
	slices.Sort(took)
	return took[min(int(q*float64(len(took))), len(took)-1)]
}

// longHistory fills a database with runs of 39 results in lots of 500 units,
// and one run of 500,000 readings, whose id it returns.
func longHistory(b *testing.B, path string, runs int) (long string) {
	b.Helper()
	ctx := context.Background()
	must := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	s, err := store.Open(ctx, path, store.Options{})
	must(err)
	docs := demo.Scenario()
	rec := &procedure.Record{ID: "first", Procedure: crashing(), Identity: bench.Identity{Name: "Rehearsal", Rehearsal: true},
		Rehearsal: true, Started: time.Now().Add(-time.Hour).AddDate(0, 0, -20)}
	for _, d := range docs.Devices {
		if d.Key == demo.TarnelKey {
			rec.Device = d
		}
	}
	begin := func(all procedure.Batch) {
		must(s.Begin(ctx, rec))
		must(s.Append(ctx, rec.ID, all))
		must(s.Finish(ctx, rec.ID, procedure.Ending{Status: procedure.Done, Outcome: "pass", Ended: rec.Started.Add(time.Minute)}))
	}
	var results procedure.Batch
	low := 0.5
	for i := range 39 {
		results.Results = append(results.Results, procedure.Result{Measurement: i % 3, Key: "r", Name: "Level", Pin: 1 + i/3, Condition: "VCC 4.5 V",
			Value: 1 + float64(i)/7, Unit: quantity.Volt, U: 0.01, Low: &low, Outcome: "pass"})
	}
	begin(results)
	storetest.Copies{Runs: runs - 1, PerLot: 500, Prefix: "n", Between: int64(time.Minute)}.Copy(b, path)
	rec.ID, rec.Unit.Serial = "long", "long"
	readings := make([]bench.Reading, 500_000)
	for i := range readings {
		readings[i] = bench.Reading{T: int64(i) * 1000, Set: 1, V: 1 + float64(i)*1e-7, I: float64(i) * 1e-9, Pin: 1, Channel: 1, Point: uint32(i)}
	}
	begin(procedure.Batch{Readings: []procedure.MeasurementReadings{{Measurement: 2, Readings: readings}}})
	must(s.Close())
	return rec.ID
}

// timing is what was timed on one side.
type timing struct {
	took [4][]time.Duration // stop, make safe, health, start
	run  time.Duration      // of the demonstration's characterisation
}

// timed stops a run and makes the bench safe by turns, and then lets one run
// come to its end.
func timed(c *apiClient, each int) (t timing) {
	c.t.Helper()
	for i := range 2 * each {
		begun := time.Now()
		id := c.start(demo.TarnelKey, crashProcedure)
		t.took[3] = append(t.took[3], time.Since(begun))
		until(func() bool {
			var at struct{ Readings int64 }
			c.do("GET", "/runs/"+id+"/progress", nil, &at)
			return at.Readings > 0
		})
		begun = time.Now()
		if i%2 == 0 {
			c.do("POST", "/runs/"+id+"/stop", nil, nil)
		} else {
			c.do("POST", "/benches/rehearsal/safe", nil, nil)
		}
		t.took[i%2] = append(t.took[i%2], time.Since(begun))
		begun = time.Now()
		c.do("GET", "/health", nil, nil)
		t.took[2] = append(t.took[2], time.Since(begun))
		until(func() bool { // its end is stored a moment before the bench is free
			var at struct {
				State bench.State
				Run   string
			}
			c.do("GET", "/benches/rehearsal", nil, &at)
			return at.Run == "" && at.State == bench.Safe
		})
	}
	id := c.start(demo.TarnelKey, demo.LotProcedure)
	if err := readToEnd(c.watch(id)); err != nil {
		c.t.Fatal(err)
	}
	var rec procedure.Record
	c.do("GET", "/runs/"+id, nil, &rec)
	if rec.Status != procedure.Done {
		c.t.Fatalf("the run ended as %s: %s", rec.Status, rec.Reason)
	}
	t.run = rec.Ended.Sub(rec.Started)
	return t
}

// wideAskers is how many ask for wide tables at the same time, and how many for
// lots.
const wideAskers = 16

const wideTable = "/runs/wide.csv"

func lotPage(i int) string { return fmt.Sprintf("/compare?lot=nlot-1-%d", i%max(1, *historyRuns/500)) }

// alone is the time that one report takes on the idle server, the better of two.
func alone(c *apiClient, path string) time.Duration {
	c.t.Helper()
	best := time.Duration(math.MaxInt64)
	for range 2 {
		begun := time.Now()
		q, err := http.NewRequestWithContext(c.t.Context(), "GET", c.base+path, nil)
		if err != nil {
			c.t.Fatal(err)
		}
		q.Header.Set("Authorization", "Bearer "+c.token)
		resp, err := http.DefaultClient.Do(q)
		if err != nil {
			c.t.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, resp.Body); err != nil || resp.StatusCode != http.StatusOK {
			c.t.Fatalf("%s: %s, %v", path, resp.Status, err)
		}
		resp.Body.Close()
		best = min(best, time.Since(begun))
	}
	return best
}

// reports is a load of reports.
type reports struct {
	cancel                       context.CancelFunc
	tables                       chan time.Duration // after which each asker had its first wide table
	all                          sync.WaitGroup
	wide, lots, refused, readers atomic.Int64
	bytes                        atomic.Int64
}

func (r *reports) end() {
	r.cancel()
	r.all.Wait()
}

// answered waits until every asker has had a wide table, and returns when the
// first had one and when all had.
func (r *reports) answered() (first, all time.Duration) {
	for i := range wideAskers {
		if all = <-r.tables; i == 0 {
			first = all
		}
	}
	return first, all
}

func (r *reports) String() string {
	return fmt.Sprintf("%d wide tables and %d lots were answered, %d readers began, %d reports were put off, %d MB",
		r.wide.Load(), r.lots.Load(), r.readers.Load(), r.refused.Load(), r.bytes.Load()>>20)
}

// reportsOn asks for reports as four people until it is ended. It returns when
// every one of them has been answered or put off once.
func reportsOn(b *testing.B, p *process, long string) *reports {
	b.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r := &reports{cancel: cancel, tables: make(chan time.Duration, wideAskers)}
	begun := time.Now()
	b.Cleanup(r.end)
	var tokens []string
	for range 4 {
		tokens = append(tokens, p.token("viewer").token)
	}
	var first sync.WaitGroup
	ask := func(i int, client *http.Client, path string, counted func(), read func(io.Reader) error) {
		first.Add(1)
		once := sync.OnceFunc(first.Done)
		r.all.Go(func() {
			defer once()
			for ctx.Err() == nil {
				q, err := http.NewRequestWithContext(ctx, "GET", p.base+path, nil)
				if err != nil {
					b.Error(err)
					return
				}
				q.Header.Set("Authorization", "Bearer "+tokens[i%len(tokens)])
				resp, err := client.Do(q)
				if err != nil {
					continue // let go, or over
				}
				once()
				switch {
				case resp.StatusCode == http.StatusServiceUnavailable && resp.Header.Get("Retry-After") != "":
					r.refused.Add(1)
					select {
					case <-ctx.Done():
					case <-time.After(time.Second):
					}
				case resp.StatusCode != http.StatusOK:
					b.Errorf("%s: %s", path, resp.Status)
				case read(resp.Body) == nil:
					counted()
				}
				resp.Body.Close()
			}
		})
	}
	fast := &http.Client{Transport: &http.Transport{MaxConnsPerHost: 0}}
	quick := func(body io.Reader) error {
		n, err := io.Copy(io.Discard, body)
		r.bytes.Add(n)
		return err
	}
	for i := range wideAskers {
		had := sync.OnceFunc(func() { r.tables <- time.Since(begun) })
		ask(i, fast, wideTable, func() { r.wide.Add(1); had() }, quick)
		ask(i, fast, lotPage(i), func() { r.lots.Add(1) }, quick)
	}
	for i := range 100 {
		ask(i, narrow(), "/runs/"+long+"/readings.csv", func() { r.readers.Add(1) }, func(body io.Reader) error { return slowly(ctx, body) })
	}
	first.Wait()
	return r
}

// narrow is a client whose connection holds little.
func narrow() *http.Client {
	d := net.Dialer{Control: func(_, _ string, c syscall.RawConn) error {
		return c.Control(func(fd uintptr) { _ = syscall.SetsockoptInt(int(fd), syscall.SOL_SOCKET, syscall.SO_RCVBUF, 8<<10) })
	}}
	return &http.Client{Transport: &http.Transport{DialContext: d.DialContext, DisableKeepAlives: true}}
}

// slowly accepts 4 kB four times a second.
func slowly(ctx context.Context, body io.Reader) error {
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	buf := make([]byte, 4<<10)
	for {
		if _, err := io.ReadFull(body, buf); err != nil {
			return nil // the end, or let go: it began
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}
