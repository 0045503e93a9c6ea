package store_test

import (
	"path/filepath"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// filled returns a store with one run of n readings of one pin.
func filled(b testing.TB, n int) *store.Store {
	s := storetest.New(b)
	begin(b, s, record("run", ""))
	for at := 0; at < n; at += 8192 {
		appendAll(b, s, "run", batch(0, readings(at, min(8192, n-at), 1)))
	}
	return s
}

func BenchmarkAppend(b *testing.B) {
	for _, size := range []int{1, 32, 1024, 8192} {
		b.Run(itoa(size)+" a batch", func(b *testing.B) {
			s := storetest.New(b)
			begin(b, s, record("run", ""))
			rs := readings(0, size, 1)
			b.ReportAllocs()
			b.ResetTimer()
			for range b.N {
				appendAll(b, s, "run", batch(0, rs))
			}
			b.ReportMetric(float64(b.N*size)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}

func BenchmarkPlotTime(b *testing.B) {
	for _, n := range []int{100_000, 1_000_000} {
		b.Run(itoa(n), func(b *testing.B) {
			s := filled(b, n)
			b.ResetTimer()
			for range b.N {
				p, err := s.PlotTime(b.Context(), store.TimePlot{Run: "run", Quantity: procedure.QuantityCurrent, Columns: 800})
				if err != nil || len(p) != 1 {
					b.Fatal(len(p), err)
				}
			}
		})
	}
}

// An orbit fills the plot, so that next to nothing can be left out: the worst
// case. A sweep up and down is the usual one.
func BenchmarkPlotXY(b *testing.B) {
	for _, n := range []int{100_000, 1_000_000} {
		for _, shape := range []string{"sweep", "orbit"} {
			b.Run(itoa(n)+" "+shape, func(b *testing.B) {
				s := storetest.New(b)
				begin(b, s, record("run", ""))
				for at := 0; at < n; at += 8192 {
					rs := readings(at, min(8192, n-at), 1)
					for i := range rs {
						if shape == "sweep" {
							rs[i].V = float64(min(at+i, n-at-i)) * 1e-6
						}
					}
					appendAll(b, s, "run", batch(0, rs))
				}
				b.ResetTimer()
				for range b.N {
					p, _, err := s.PlotXY(b.Context(), store.XYPlot{Run: "run", X: procedure.Axis{Quantity: procedure.QuantityVoltage},
						Y: procedure.Axis{Quantity: procedure.QuantityCurrent}, Columns: 800})
					if err != nil || len(p) != 1 {
						b.Fatal(len(p), err)
					}
				}
			})
		}
	}
}

func BenchmarkOpen(b *testing.B) {
	b.Run("fresh", func(b *testing.B) {
		for range b.N {
			s, err := store.Open(b.Context(), filepath.Join(b.TempDir(), "x.db"), store.Options{})
			if err != nil {
				b.Fatal(err)
			}
			s.Close()
		}
	})
	b.Run("again", func(b *testing.B) {
		path := storetest.Path(b)
		b.ResetTimer()
		for range b.N {
			s, err := store.Open(b.Context(), path, store.Options{})
			if err != nil {
				b.Fatal(err)
			}
			s.Close()
		}
	})
}

func BenchmarkReadings(b *testing.B) {
	s := filled(b, 1_000_000)
	b.ResetTimer()
	for range b.N {
		n := 0
		err := s.Readings(b.Context(), "run", 0, 0, func(_ int64, c *store.Columns) error { n += c.Len(); return nil })
		if err != nil || n != 1_000_000 {
			b.Fatal(n, err)
		}
	}
	b.ReportMetric(float64(b.N)*1e6/b.Elapsed().Seconds(), "readings/s")
}
