package run

import (
	"context"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// instantLink takes no time for anything.
type instantLink struct {
	at time.Time
	n  int
}

func (l *instantLink) Identify(context.Context) (bench.Identity, error) { return bench.Identity{}, nil }
func (l *instantLink) Set(context.Context, bench.ChannelID, bench.Setup) error {
	return nil
}
func (l *instantLink) Output(context.Context, bench.ChannelID, bool) error { return nil }
func (l *instantLink) Close(context.Context, []bench.PathID) error         { return nil }
func (l *instantLink) MakeSafe(context.Context) error                      { return nil }
func (l *instantLink) Faults(context.Context) ([]bench.Fault, error)       { return nil, nil }
func (l *instantLink) Read(_ context.Context, chs []bench.ChannelID, _ time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	for _, ch := range chs {
		l.n++
		dst = append(dst, bench.Sample{Channel: ch, At: l.at, V: 1, I: float64(l.n)})
	}
	return dst, nil
}

// nothing is a recorder and observer that only counts readings.
type nothing struct{ readings int64 }

func (*nothing) Begin(context.Context, *procedure.Record) error         { return nil }
func (*nothing) Append(context.Context, string, procedure.Batch) error  { return nil }
func (*nothing) Finish(context.Context, string, procedure.Ending) error { return nil }
func (n *nothing) Observe(u Update)                                     { n.readings = u.Progress.Readings }

// BenchmarkReadings is what the runner itself can pass on: a link that takes
// no time, a recorder and an observer that do nothing.
func BenchmarkReadings(b *testing.B) {
	for _, tc := range []struct {
		name          string
		points, count int
	}{{"watch", 1, 1_000_000}, {"sweep", 200_000, 1}} {
		b.Run(tc.name, func(b *testing.B) {
			clock := bench.NewCountingClock(year)
			var readings int64
			for b.Loop() {
				var points []procedure.Point
				for k := range tc.points {
					p := point(pinA, volts(pinA, float64(k)/float64(tc.points)))
					p.Count = tc.count
					p.Settle.Time, p.Aperture.Seconds = 0, 1e-6
					points = append(points, p)
				}
				bed := newBed(clock, points)
				seen := &nothing{}
				bed.runner.Link, bed.runner.Recorder, bed.runner.Observer = &instantLink{at: year}, seen, seen
				if e, err := bed.runner.Run(context.Background(), bed.rec); err != nil || e.Status != procedure.Done {
					b.Fatal(e, err)
				}
				if seen.readings != int64(tc.points*tc.count) {
					b.Fatalf("%d readings shown", seen.readings)
				}
				readings += seen.readings
			}
			b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}

// BenchmarkRehearse is what a second of a real procedure costs in computing,
// bench and runner together: the time that a run takes beyond its waits.
func BenchmarkRehearse(b *testing.B) {
	for b.Loop() {
		clock := bench.NewCountingClock(year)
		r, rec, _ := rehearse(b, clock, 7, quick(b)...)
		if e, err := r.Run(context.Background(), rec); err != nil || e.Status != procedure.Done {
			b.Fatal(e, err)
		}
		b.ReportMetric(clock.Now().Sub(year).Seconds()*1e3, "ms-nominal")
	}
}
