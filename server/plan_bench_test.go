package main

import (
	"testing"
	"time"

	"ohmkeep/server/demo"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
)

// plannedTime is how long a procedure of the demonstration lab should take on
// the rehearsal bench, as its plan says.
func plannedTime(t testing.TB, key string) time.Duration {
	t.Helper()
	docs := demo.Scenario()
	rec := procedure.Record{Bench: rehearsal.DefaultBench()}
	for _, p := range docs.Procedures {
		if p.Key == key {
			rec.Procedure = p
		}
	}
	for _, d := range docs.Devices {
		if d.Key == rec.Procedure.Device {
			rec.Device = d
		}
	}
	for _, m := range docs.PinMaps {
		if m.Device == rec.Device.Key {
			rec.PinMap = m
		}
	}
	planned, err := run.Check(&rec)
	if err != nil {
		t.Fatal(err)
	}
	return planned
}

// BenchmarkRunOverPlan is the time that a run takes in the program, as a
// process of its own with its database on the disk, beside the time that its
// plan says. At most 1.02 is the figure to keep, also for a run of 4 s. Both
// clocks are reported: that of whoever waits for the end of the stream, and
// what the run's record says.
func BenchmarkRunOverPlan(b *testing.B) {
	for _, key := range []string{"tarnel-6-quick", demo.LotProcedure} {
		b.Run(key, func(b *testing.B) {
			p := startProcess(b, b.TempDir())
			c := p.token("operator")
			lotDone(c)
			planned := plannedTime(b, key)
			var waited, recorded time.Duration
			n := 0
			for b.Loop() {
				begun := time.Now()
				id := c.start(demo.TarnelKey, key)
				if err := readToEnd(c.watch(id)); err != nil {
					b.Fatal(err)
				}
				waited += time.Since(begun)
				var rec struct {
					Status         string
					Started, Ended time.Time
				}
				c.do("GET", "/runs/"+id, nil, &rec)
				if rec.Status != "done" {
					b.Fatalf("the run has ended as %s", rec.Status)
				}
				recorded += rec.Ended.Sub(rec.Started)
				n++
			}
			whole := float64(n) * planned.Seconds()
			b.ReportMetric(waited.Seconds()/whole, "waited/plan")
			b.ReportMetric(recorded.Seconds()/whole, "recorded/plan")
			b.ReportMetric(planned.Seconds(), "s-planned")
		})
	}
}
