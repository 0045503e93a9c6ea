package rehearsal

import (
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/model"
)

// BenchmarkRead reads one channel at an operating point that does not change.
func BenchmarkRead(b *testing.B) {
	r := withResistor(b, 1, 1000)
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceV(1, 10e-3))
	ids, dst := []bench.ChannelID{2}, make([]bench.Sample, 0, 8)
	ctx := b.Context()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := r.Read(ctx, ids, cycle, dst[:0]); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

// powered is a part with 5 V at one pin, another on the return, and a channel
// at a third.
func powered(b *testing.B, key string, supply, ground, input int) *rig {
	m, _ := model.Find(key)
	r := newRig(b, Config{Seed: 1, Seat: Seat{Model: key, PinMap: straight(m.Pins)}})
	r.wire(path(1, supply), path(0, ground), path(2, input))
	r.on(1, remote(forceV(5, 100e-3)))
	r.on(2, forceV(0, 10e-3))
	return r
}

// BenchmarkLevel changes the level at an input of a powered part: one solve.
func BenchmarkLevel(b *testing.B) {
	for _, m := range []struct {
		key                   string
		supply, ground, input int
	}{{"check-load", 3, 2, 1}, {"resistor-network", 1, 16, 2}, {"hex-inverter", 14, 7, 1}, {"io48", 36, 11, 1}} {
		b.Run(m.key, func(b *testing.B) {
			r := powered(b, m.key, m.supply, m.ground, m.input)
			level := 0.0
			for b.Loop() {
				if level += 0.01; level > 5 {
					level = 0
				}
				if err := r.Set(b.Context(), 2, forceV(level, 10e-3)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkClose moves one path of a powered part.
func BenchmarkClose(b *testing.B) {
	r := powered(b, "hex-inverter", 14, 7, 1)
	to := 1
	for b.Loop() {
		to = 4 - to // 1, 3
		if err := r.Close(b.Context(), []bench.PathID{path(1, 14), path(0, 7), path(2, to)}); err != nil {
			b.Fatal(err)
		}
	}
}
