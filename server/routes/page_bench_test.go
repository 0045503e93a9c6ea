package routes

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/store"
)

// measured is a stored run of the demonstration's long procedure, with all its
// results, whose measurement m has n readings.
func measured(b *testing.B, l *wholeServer, m string, n int) (id string, index int) {
	b.Helper()
	ctx, docs := context.Background(), demo.Scenario()
	rec := &procedure.Record{ID: "run", Device: docs.Devices[0], Bench: rehearsal.DefaultBench(),
		PinMap: docs.PinMaps[0], Started: time.Now(), Rehearsal: true}
	for _, p := range docs.Procedures {
		if p.Key == demo.LotProcedure {
			rec.Procedure = p
		}
	}
	must(b, l.store.Begin(ctx, rec))
	index = -1
	var results []procedure.Result
	for i, mm := range rec.Procedure.Measurements {
		if mm.ID == m {
			index = i
		}
		for _, pin := range mm.Pins {
			results = append(results, procedure.Result{Measurement: i, Key: "value", Name: mm.Name, Pin: pin,
				Value: 1.234567 * float64(pin), Unit: "V", U: 1e-4, Outcome: derive.Pass})
		}
	}
	if index < 0 {
		b.Fatalf("no measurement %q", m)
	}
	const batch = 1 << 16
	for at := 0; at < n; at += batch {
		rs := make([]bench.Reading, min(batch, n-at))
		for i := range rs {
			rs[i] = pageReading(m, at+i, n)
		}
		must(b, l.store.Append(ctx, rec.ID, procedure.Batch{Readings: []procedure.MeasurementReadings{{Measurement: index, Readings: rs}}}))
	}
	must(b, l.store.Append(ctx, rec.ID, procedure.Batch{Results: results}))
	must(b, l.store.Finish(ctx, rec.ID, procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: time.Now()}))
	return rec.ID, index
}

// pageReading is reading i of n: of a watch with drift and noise, or of a
// diode's sweep over five decades, out and back, with noise. The same each time.
func pageReading(m string, i, n int) bench.Reading {
	noise := rand.New(rand.NewPCG(1, uint64(i))).NormFloat64()
	r := bench.Reading{T: int64(i) * 1e5, Point: uint32(i), Pin: 2, Channel: 1, Set: -4e-3}
	if m == "watch" {
		x := float64(i) / float64(n)
		r.V, r.I = 4.8+1e-3*math.Sin(20*x)+2e-4*noise, -4e-3
		if i%1000 == 0 {
			r.Flags = bench.InCompliance
		}
		return r
	}
	x := 2 * float64(i) / float64(n)
	if x > 1 {
		x, r.Group = 2-x, 1
	}
	r.Set = 1e-7 * math.Pow(10, 5*x)
	r.I = r.Set * (1 + 1e-3*noise)
	r.V = 0.026*math.Log(r.I/1e-14) + 20*r.I + 1e-4*noise
	r.Pin = 1
	return r
}

// BenchmarkRunPage is the server's time for a run's permanent page with its
// plot, through the whole handler with a signed-in browser's session.
func BenchmarkRunPage(b *testing.B) {
	for _, m := range []string{"watch", "diode-upper"} {
		for _, n := range []int{1_000, 100_000, 1_000_000} {
			b.Run(fmt.Sprintf("%s/%d", m, n), func(b *testing.B) {
				l := newLab(b, false)
				id, index := measured(b, l, m, n)
				session, err := l.store.NewSession(context.Background(), store.Owner, "Tester", time.Hour)
				must(b, err)
				least, size := time.Hour, 0
				b.ResetTimer()
				for range b.N {
					begun := time.Now()
					r := httptest.NewRequest("GET", fmt.Sprintf("/runs/%s?m=%d", id, index), nil)
					r.Host = "localhost"
					r.AddCookie(&http.Cookie{Name: sessionCookie, Value: session})
					w := httptest.NewRecorder()
					l.web.Config.Handler.ServeHTTP(w, r)
					least, size = min(least, time.Since(begun)), w.Body.Len()
					if w.Code != http.StatusOK || !bytes.Contains(w.Body.Bytes(), []byte("<svg")) {
						b.Fatalf("status %d: %.300s", w.Code, w.Body)
					}
				}
				b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N), "ms/page")
				b.ReportMetric(least.Seconds()*1e3, "ms-least")
				b.ReportMetric(float64(size)/1024, "KiB")
			})
		}
	}
}
