package routes

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/rehearsal"
	"ohmkeep/store/storetest"
)

// lotOf fills a lab's store with one lot of units of perRun results each, and
// returns the lot's name.
func lotOf(b testing.TB, l *wholeServer, units, perRun int) string {
	b.Helper()
	ctx := context.Background()
	p := procedure.Procedure{Key: "wide", Name: "Wide", Device: "load"}
	for m := range 3 {
		p.Measurements = append(p.Measurements, procedure.Measurement{ID: fmt.Sprint("m", m), Name: fmt.Sprint("Measurement ", m), Kind: "watch"})
	}
	rec := &procedure.Record{ID: fmt.Sprint("first-", units), Device: loadDevice(), Procedure: p, PinMap: loadPinMap(), Bench: rehearsal.DefaultBench(),
		Identity: bench.Identity{Name: "Rehearsal", Rehearsal: true}, Unit: dut.Unit{Serial: "first"}, Status: procedure.Running,
		Started: time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)}
	must(b, l.store.Begin(ctx, rec))
	var all procedure.Batch
	low, high := 0.5, 100.0
	for i := range perRun {
		all.Results = append(all.Results, procedure.Result{Measurement: i * 3 / perRun, Key: fmt.Sprint("r", i), Name: fmt.Sprint("Result ", i), Pin: 1 + i%4,
			Condition: "VCC 4.5 V", Value: 1 + float64(i)/7, Unit: quantity.Volt, U: 0.01, Low: &low, High: &high, Outcome: "pass"})
	}
	must(b, l.store.Append(ctx, rec.ID, all))
	must(b, l.store.Finish(ctx, rec.ID, procedure.Ending{Status: procedure.Done, Outcome: "pass", Ended: rec.Started.Add(time.Minute)}))
	storetest.Copies{Runs: units, PerLot: units, Prefix: fmt.Sprint("n", units, "-"), Between: int64(time.Minute)}.Copy(b, l.store.Path())
	must(b, l.store.DeleteRun(ctx, rec.ID))
	return fmt.Sprint("n", units, "-lot-1-0")
}

// BenchmarkCompare is the page of a lot of 39 results a unit: its time is to
// grow with the lot and no faster, and its size not at all.
func BenchmarkCompare(b *testing.B) {
	for _, units := range []int{1000, 5000} {
		b.Run(fmt.Sprint(units, " units"), func(b *testing.B) {
			l := newLab(b, true)
			lot := lotOf(b, l, units, 39)
			var size int64
			b.ResetTimer()
			for range b.N {
				r, err := http.NewRequest("GET", l.web.URL+"/compare?lot="+lot, nil)
				must(b, err)
				r.Header.Set("Authorization", "Bearer "+l.token)
				resp, err := http.DefaultClient.Do(r)
				must(b, err)
				size, err = io.Copy(io.Discard, resp.Body)
				must(b, err)
				resp.Body.Close()
				if resp.StatusCode != http.StatusOK {
					b.Fatal(resp.Status)
				}
			}
			b.ReportMetric(float64(size)/1e6, "MB")
			b.ReportMetric(b.Elapsed().Seconds()*1e6/float64(b.N*units), "µs/unit")
		})
	}
}
