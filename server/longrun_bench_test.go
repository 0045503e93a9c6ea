package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/store"
)

var longReadings = flag.Int("longreadings", 1_000_000, "readings of the longest run of BenchmarkLongRunPage; 50 million take 2.5 GB of disk")

// BenchmarkLongRunPage is a run's permanent page by its number of readings, in a
// server that was started for it and holds nothing else: the first page, for
// which the picture is gathered from all readings, the pages after it, and the
// most that the server has held in memory for both.
func BenchmarkLongRunPage(b *testing.B) {
	for _, kind := range []string{"watch", "sweep"} {
		for n := 1_000_000; n <= *longReadings; n = nextSize(n) {
			b.Run(fmt.Sprint(kind, "/", n), func(b *testing.B) {
				dir := b.TempDir()
				storeLongRun(b, dir, kind, n)
				p := startProcess(b, dir, "-demo=false")
				c := p.browser()
				page := func() time.Duration {
					begun := time.Now()
					c.page("/runs/long", "<svg")
					return time.Since(begun)
				}
				first := page()
				after := p.status("VmHWM")
				least := time.Hour
				b.ResetTimer()
				for range b.N {
					least = min(least, page())
				}
				b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N), "ms/page")
				b.ReportMetric(least.Seconds()*1e3, "ms-least")
				b.ReportMetric(first.Seconds(), "s-first")
				b.ReportMetric(float64(after)/mib, "MiB-first")
				b.ReportMetric(float64(p.status("VmHWM"))/mib, "MiB-most")
			})
		}
	}
}

// nextSize goes from 1 to 10 to 50 million.
func nextSize(n int) int {
	if n == 10_000_000 {
		return 50_000_000
	}
	return 10 * n
}

// browser is somebody who is signed in with cookies, as a person is.
type browser struct {
	t    testing.TB
	base string
	http *http.Client
}

func (p *process) browser() *browser {
	p.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		p.t.Fatal(err)
	}
	c := &browser{p.t, p.base, &http.Client{Jar: jar}}
	r, err := http.NewRequest("POST", p.base+"/sign-in", strings.NewReader(url.Values{"key": {p.key}, "name": {"owner"}}.Encode()))
	if err != nil {
		p.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	resp, err := c.http.Do(r)
	if err != nil {
		p.t.Fatal(err)
	}
	resp.Body.Close()
	return c
}

// page fetches a page that must hold a text.
func (c *browser) page(path, want string) {
	c.t.Helper()
	resp, err := c.http.Get(c.base + path)
	if err != nil {
		c.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK || !bytes.Contains(body, []byte(want)) {
		c.t.Fatalf("%s: %s, %v: %.300s", path, resp.Status, err, body)
	}
}

// storeLongRun fills a data directory with one run of n readings.
func storeLongRun(b *testing.B, dir, kind string, n int) {
	b.Helper()
	ctx := context.Background()
	s, err := store.Open(ctx, databasePath(dir), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	docs := demo.Scenario()
	rec := &procedure.Record{ID: "long", Device: docs.Devices[0], PinMap: docs.PinMaps[0], Bench: rehearsal.DefaultBench(), Started: time.Now(),
		Unit: dut.Unit{Serial: "S1"}, Procedure: procedure.Procedure{Key: "long", Name: "Long", Measurements: []procedure.Measurement{longMeasurement(kind, n)}}}
	must := func(err error) {
		b.Helper()
		if err != nil {
			b.Fatal(err)
		}
	}
	must(s.Begin(ctx, rec))
	const batch = 1 << 16
	rs := make([]bench.Reading, batch)
	for at := 0; at < n; at += batch {
		part := rs[:min(batch, n-at)]
		for i := range part {
			part[i] = longReading(kind, at+i, n)
		}
		must(s.Append(ctx, rec.ID, procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: part}}}))
	}
	must(s.Finish(ctx, rec.ID, procedure.Ending{Status: procedure.Done, Ended: time.Now()}))
}

func longMeasurement(kind string, n int) procedure.Measurement {
	m := procedure.Measurement{ID: kind, Name: kind, Kind: kind, Pins: []int{1}, Use: procedure.UseVoltage, Compliance: 0.01}
	if kind == "watch" {
		m.Duration = float64(n) * 1e-4
		return m
	}
	m.Sweep = &procedure.Sweep{Spacing: procedure.Linear, From: 0, To: 1, Points: n}
	return m
}

// longReading is reading i of n: of a watch with a slow wave, or of a diode's
// sweep, both with something on top that does not repeat.
func longReading(kind string, i, n int) bench.Reading {
	x, noise := float64(i)/float64(n), math.Mod(float64(i)*0.6180339887, 1)-0.5
	r := bench.Reading{T: int64(i) * 1e5, Point: uint32(i), Pin: 1, Channel: 1, Set: 1, V: 1, I: 1e-3 + 1e-5*math.Sin(20*x) + 1e-6*noise}
	if kind == "sweep" {
		r.Set, r.V = x, x+1e-4*noise
		r.I = 1e-9 * math.Exp(15*x) * (1 + 1e-3*noise)
	}
	return r
}
