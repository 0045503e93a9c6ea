package store_test

import (
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// Two runs are appended to while everything that reads, reads.
func TestWritersAndReadersTogether(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	const commits, size = 60, 67
	var writers, readers sync.WaitGroup
	var stop atomic.Bool
	for w := range 2 {
		id := fmt.Sprint("run-", w)
		begin(t, s, record(id, ""))
		writers.Go(func() {
			for i := range commits {
				b := batch(w, readings(i*size, size, 2))
				b.Results = []procedure.Result{result(w, "r", 1, float64(i))}
				if err := s.Append(ctx, id, b); err != nil {
					t.Error(err)
					return
				}
			}
		})
		for _, read := range []func() error{
			func() error { return s.ExportReadings(ctx, io.Discard, id, store.AllMeasurements) },
			func() error {
				_, err := s.LastReadings(ctx, id, w, 100)
				return err
			},
			func() error { _, err := s.ListRuns(ctx, store.Filter{}, "", 10); return err },
			func() error { _, err := s.Results(ctx, id); return err },
			func() error { return prefixOnly(s, t, id, w) },
		} {
			readers.Go(func() {
				for !stop.Load() {
					if err := read(); err != nil {
						t.Error(err)
						return
					}
				}
			})
		}
	}
	writers.Wait()
	stop.Store(true)
	readers.Wait()
	for w := range 2 {
		if got := readAll(t, s, fmt.Sprint("run-", w), w, 0); len(got) != commits*size {
			t.Errorf("run %d: %d readings", w, len(got))
		}
	}
	if err := s.Integrity(ctx); err != nil {
		t.Error(err)
	}
}

// prefixOnly: a reader sees readings from the first on, without a gap.
func prefixOnly(s *store.Store, t testing.TB, id string, measurement int) error {
	next := int64(0)
	return s.Readings(t.Context(), id, measurement, 0, func(first int64, c *store.Columns) error {
		for i := range c.Len() {
			if c.At(i) != reading(int(first)+i, 2) {
				return fmt.Errorf("reading %d is another", first+int64(i))
			}
		}
		if first != next {
			return fmt.Errorf("gap: %d instead of %d", first, next)
		}
		next += int64(c.Len())
		return nil
	})
}

// A reader that stops half way must not keep the write-ahead log from being
// emptied.
func TestSlowReaderHoldsNoLock(t *testing.T) {
	t.Parallel()
	s := filled(t, 50_000)
	calls := 0
	err := s.Readings(t.Context(), "run", 0, 0, func(int64, *store.Columns) error {
		calls++
		if err := s.Checkpoint(t.Context()); err != nil {
			return err
		}
		if n := store.LogFrames(t, s); n != 0 {
			return fmt.Errorf("%d frames stay in the log", n)
		}
		return nil
	})
	if err != nil || calls != 49 {
		t.Errorf("%d calls, %v", calls, err)
	}
}
