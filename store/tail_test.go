package store_test

import (
	"bytes"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// kept is the model of a run: the readings that the store must have of it.
type kept struct {
	id string
	of map[int]int // readings by measurement
}

// check compares everything that reads a run with the model.
func (k *kept) check(t *rapid.T, tb testing.TB, s *store.Store) {
	ctx := tb.Context()
	var all []bench.Reading
	for m := range 3 {
		want := readings(0, k.of[m], m+1)
		all = append(all, want...)
		if got := readAll(tb, s, k.id, m, 0); !slices.Equal(got, want) {
			t.Fatalf("measurement %d: %d readings differ from the %d given", m, len(got), len(want))
		}
		from := rapid.IntRange(0, k.of[m]+1).Draw(t, "from")
		if got := readAll(tb, s, k.id, m, int64(from)); !slices.Equal(got, want[min(from, len(want)):]) {
			t.Fatalf("measurement %d from %d: %d readings", m, from, len(got))
		}
		n := rapid.IntRange(0, 1500).Draw(t, "last")
		got, err := s.LastReadings(ctx, k.id, m, n)
		if err != nil || !slices.Equal(got, want[max(len(want)-n, 0):]) {
			t.Fatalf("measurement %d: the last %d are %d readings, %v", m, n, len(got), err)
		}
	}
	if got := readAll(tb, s, k.id, store.AllMeasurements, 0); !slices.Equal(got, all) {
		t.Fatalf("of all measurements %d readings differ from the %d given", len(got), len(all))
	}
	var csv bytes.Buffer
	if err := s.ExportReadings(ctx, &csv, k.id, store.AllMeasurements); err != nil || bytes.Count(csv.Bytes(), []byte("\r\n")) != len(all)+1 {
		t.Fatalf("a file of %d lines, %v", bytes.Count(csv.Bytes(), []byte("\r\n")), err)
	}
	r, err := s.GetRun(ctx, k.id)
	if err != nil || r.Readings != int64(len(all)) {
		t.Fatalf("the run counts not the %d readings: %+v, %v", len(all), r, err)
	}
	page, err := s.ListRuns(ctx, store.Filter{}, "", 1)
	if err != nil || page.Runs[0].ID != k.id || page.Runs[0].Readings != int64(len(all)) {
		t.Fatalf("the list counts not the %d readings: %+v, %v", len(all), page, err)
	}
	o, err := s.GetOverview(ctx, 1)
	if err != nil || o.Readings != int64(len(all)) {
		t.Fatalf("the overview counts not the %d readings: %+v, %v", len(all), o, err)
	}
}

// Whatever is appended in whatever portions, to measurements in turn, complete
// or not, with the store closed and opened in between, every reader sees all of
// it in order; and nothing is left in the tail after the end.
func TestChunksAndTailAreOne(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		path := storetest.Path(t)
		s, err := store.Open(t.Context(), path, store.Options{})
		if err != nil {
			rt.Fatal(err)
		}
		defer func() { _ = s.Close() }()
		k := &kept{id: "run", of: map[int]int{}}
		begin(t, s, record(k.id, ""))
		for range rapid.IntRange(1, 7).Draw(rt, "appends") {
			var b procedure.Batch
			for range rapid.IntRange(0, 3).Draw(rt, "parts") {
				m := rapid.IntRange(0, 2).Draw(rt, "measurement")
				n := rapid.OneOf(rapid.IntRange(0, 120), rapid.IntRange(0, 2500)).Draw(rt, "n")
				b.Readings = append(b.Readings, procedure.MeasurementReadings{Measurement: m, Readings: readings(k.of[m], n, m+1)})
				k.of[m] += n
			}
			b.Complete = rapid.SliceOfN(rapid.IntRange(0, 2), 0, 2).Draw(rt, "complete")
			appendAll(t, s, k.id, b)
			if rapid.IntRange(0, 3).Draw(rt, "look") == 0 {
				k.check(rt, t, s)
			}
			if rapid.IntRange(0, 4).Draw(rt, "reopen") == 0 {
				if err := s.Close(); err != nil {
					rt.Fatal(err)
				}
				if s, err = store.Open(t.Context(), path, store.Options{}); err != nil {
					rt.Fatal(err)
				}
			}
		}
		if rapid.Bool().Draw(rt, "interrupted") {
			if n, err := s.MarkInterrupted(t.Context()); n != 1 || err != nil {
				rt.Fatal(n, err)
			}
		} else if err := s.Finish(t.Context(), k.id, procedure.Ending{Status: procedure.Done, Ended: start}); err != nil {
			rt.Fatal(err)
		}
		k.check(rt, t, s)
		if n := store.CountRows(t, s, "tail"); n != 0 {
			rt.Fatalf("%d pages of the tail are left after the end", n)
		}
		if err := s.Integrity(t.Context()); err != nil {
			rt.Fatal(err)
		}
	})
}

// A commit of few readings writes one page, and a chunk is written once.
func TestFewReadingsTouchOnePage(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("slow", ""))
	const size = 31
	n := 0
	add := func(results ...procedure.Result) int {
		store.EmptyLog(t, s)
		b := batch(0, readings(n, size, 1))
		b.Results = results
		n += size
		appendAll(t, s, "slow", b)
		return store.LogFrames(t, s)
	}
	for n < 3*1024 { // until all pages of the tail are there
		add()
	}
	most, sum, commits := 0, 0, 0
	for end := n + 4*1024; n < end; commits++ {
		frames := add()
		most, sum = max(most, frames), sum+frames
		if full := n/1024 > (n-size)/1024; !full && frames != 1 {
			t.Errorf("a commit of %d readings wrote %d pages", size, frames)
		}
	}
	// Four chunks of 43 kB are 11 pages each, with their rows.
	if extra := sum - commits; extra > 4*17 {
		t.Errorf("four chunks took %d pages, one of the commits %d", extra, most)
	}
	add(result(0, "mean", 1, 1))
	if frames := add(result(0, "mean", 1, 2)); frames > 2 {
		t.Errorf("a commit with a result that is there already wrote %d pages", frames)
	}
	if n := store.TailOverflows(t, s); n != 0 {
		t.Errorf("rows of the tail do not fit: %d pages more", n)
	}
}

// A reader sees every reading that was committed before it began, and none
// twice, also while chunks are made of the tail.
func TestReadersDuringFolds(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("run", ""))
	const commits, size = 300, 25 // seven chunks
	var committed atomic.Int64
	var readers sync.WaitGroup
	ctx := t.Context()
	for _, measurement := range []int{0, store.AllMeasurements} {
		readers.Go(func() {
			for committed.Load() < commits*size {
				before, got := committed.Load(), int64(0)
				err := s.Readings(ctx, "run", measurement, 0, func(first int64, c *store.Columns) error {
					if first != got {
						return fmt.Errorf("reading %d after %d", first, got)
					}
					got += int64(c.Len())
					return nil
				})
				if r, e := s.GetRun(ctx, "run"); e != nil || r.Readings < got {
					err = fmt.Errorf("%d readings were read, then the run counts %d: %v", got, r.Readings, e)
				}
				if err != nil || got < before {
					t.Errorf("%d readings of %d: %v", got, before, err)
					return
				}
			}
		})
	}
	for i := range commits {
		appendAll(t, s, "run", batch(0, readings(i*size, size, 1)))
		committed.Store(int64(i+1) * size)
	}
	readers.Wait()
}

// A complete measurement leaves the tail with its last readings, and one that
// is measured again goes on behind them.
func TestCompleteMeasurementsAreInChunks(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("run", ""))
	for attempt := range 2 {
		for m := range 3 {
			b := batch(m, readings(50*attempt, 50, 1))
			b.Complete = []int{m}
			appendAll(t, s, "run", b)
		}
	}
	if n := store.CountRows(t, s, "chunks"); n != 6 {
		t.Errorf("%d chunks of 3 measurements with 2 attempts each", n)
	}
	if n := store.CountRows(t, s, "tail"); n != 0 {
		t.Errorf("%d pages of the tail", n)
	}
	if got := readAll(t, s, "run", 2, 0); !slices.Equal(got, readings(0, 100, 1)) {
		t.Errorf("%d readings", len(got))
	}
}

// A damaged tail is not served as readings; the run ends all the same, and
// others are not touched.
func TestDamagedTail(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("broken", ""))
	appendAll(t, s, "broken", batch(0, readings(0, 1100, 1)))
	store.SpoilTail(t, s)
	begin(t, s, record("whole", ""))
	appendAll(t, s, "whole", batch(0, readings(0, 10, 1)))
	read := func() error {
		return s.Readings(t.Context(), "broken", 0, 0, func(int64, *store.Columns) error { return nil })
	}
	if read() == nil {
		t.Error("readings came from a damaged tail")
	}
	if s.Append(t.Context(), "broken", batch(0, readings(1100, 1, 1))) == nil {
		t.Error("it was appended to")
	}
	if n, err := s.MarkInterrupted(t.Context()); n != 2 || err != nil {
		t.Fatalf("%d interrupted, %v", n, err)
	}
	r, err := s.GetRun(t.Context(), "broken")
	if err != nil || r.Status != procedure.Interrupted || r.Readings != 1100 {
		t.Errorf("%+v, %v", r, err)
	}
	if read() == nil {
		t.Error("the damage is forgotten")
	}
	if got := readAll(t, s, "whole", 0, 0); !slices.Equal(got, readings(0, 10, 1)) {
		t.Errorf("the other run has %d readings", len(got))
	}
	if err := s.DeleteRun(t.Context(), "broken"); err != nil {
		t.Error(err)
	}
	if n := store.CountRows(t, s, "tail"); n != 0 {
		t.Errorf("%d pages of the tail are left", n)
	}
}
