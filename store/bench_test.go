package store_test

import (
	"path/filepath"
	"testing"

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
