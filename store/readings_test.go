package store_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

func TestReadingsComeBackInAnyBatchSize(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		id := string(rune('a'+n%26)) + rapid.StringMatching(`[a-z0-9]{20}`).Draw(rt, "id")
		begin(t, s, record(id, ""))
		sizes := rapid.SliceOfN(rapid.IntRange(0, 2500), 1, 6).Draw(rt, "sizes")
		total := 0
		for _, size := range sizes {
			appendAll(t, s, id, batch(3, readings(total, size, 3)))
			total += size
		}
		want := readings(0, total, 3)
		if got := readAll(t, s, id, 3, 0); !slices.Equal(got, want) {
			rt.Fatalf("%d readings differ from the %d given", len(got), total)
		}
		from := rapid.IntRange(0, total+1).Draw(rt, "from")
		if got := readAll(t, s, id, 3, int64(from)); !slices.Equal(got, want[min(from, total):]) {
			rt.Fatalf("from %d: %d readings", from, len(got))
		}
		chunks := 0
		if err := s.Chunks(t.Context(), id, 3, 0, func(store.Chunk) error { chunks++; return nil }); err != nil {
			rt.Fatal(err)
		}
		if chunks != (total+1023)/1024 {
			rt.Fatalf("%d chunks for %d readings", chunks, total)
		}
	})
}

func TestManyTinyAppendsLeaveFewChunks(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("tiny", "u1"))
	for i := range 1030 {
		b := batch(0, readings(i, 1, 2))
		b.Readings = append(b.Readings, procedure.MeasurementReadings{Measurement: 1, Readings: readings(i, 1, 1)})
		appendAll(t, s, "tiny", b)
	}
	chunks := 0
	if err := s.Chunks(t.Context(), "tiny", store.AllMeasurements, 0, func(k store.Chunk) error {
		chunks++
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if chunks != 4 {
		t.Errorf("%d chunks, want 2 of each measurement", chunks)
	}
	if got := readAll(t, s, "tiny", store.AllMeasurements, 0); !slices.Equal(got, append(readings(0, 1030, 2), readings(0, 1030, 1)...)) {
		t.Error("readings differ")
	}
	r, err := s.GetRun(t.Context(), "tiny")
	if err != nil || r.Readings != 2060 {
		t.Errorf("run counts %d readings (%v)", r.Readings, err)
	}
}

func TestAppendGoesOnAfterReopening(t *testing.T) {
	t.Parallel()
	path := storetest.Path(t)
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	begin(t, s, record("again", ""))
	appendAll(t, s, "again", batch(0, readings(0, 1500, 2)))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storetest.Open(t, path, store.Options{})
	appendAll(t, s, "again", batch(0, readings(1500, 1500, 2)))
	if got := readAll(t, s, "again", 0, 0); !slices.Equal(got, readings(0, 3000, 2)) {
		t.Errorf("%d readings differ", len(got))
	}
}

// A failed append must leave neither its readings nor a tail that is ahead of
// the disk.
func TestFailedAppendLeavesNothing(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("fail", ""))
	appendAll(t, s, "fail", batch(0, readings(0, 10, 1)))
	bad := batch(0, readings(10, 5, 1))
	bad.Results = []procedure.Result{{Measurement: -1, Key: "x"}} // refused after the readings are written
	wantCode(t, s.Append(t.Context(), "fail", bad), store.Invalid)
	if got := readAll(t, s, "fail", 0, 0); !slices.Equal(got, readings(0, 10, 1)) {
		t.Fatalf("%d readings after a failed append", len(got))
	}
	appendAll(t, s, "fail", batch(0, readings(10, 5, 1)))
	if got := readAll(t, s, "fail", 0, 0); !slices.Equal(got, readings(0, 15, 1)) {
		t.Fatalf("%d readings after the retry", len(got))
	}
}

func TestAppendNeedsARunningRun(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	wantCode(t, s.Append(t.Context(), "nobody", batch(0, readings(0, 1, 1))), store.NotFound)
	begin(t, s, record("ended", ""))
	appendAll(t, s, "ended", batch(0, readings(0, 1, 1)))
	if err := s.Finish(t.Context(), "ended", procedure.Ending{Status: procedure.Done, Ended: start}); err != nil {
		t.Fatal(err)
	}
	wantCode(t, s.Append(t.Context(), "ended", batch(0, readings(1, 1, 1))), store.Conflict)
	if got := readAll(t, s, "ended", 0, 0); len(got) != 1 {
		t.Errorf("%d readings, want the 1 from before the end", len(got))
	}
	wantCode(t, s.Readings(t.Context(), "nobody", 0, 0, func(int64, *store.Columns) error { return nil }), store.NotFound)
}

func TestLastReadings(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("run", ""))
	if got, err := s.LastReadings(t.Context(), "run", 0, 5); err != nil || len(got) != 0 {
		t.Errorf("of none: %v %v", got, err)
	}
	appendAll(t, s, "run", batch(0, readings(0, 2500, 1)))
	for _, n := range []int{0, 1, 500, 1500, 2500, 9999} {
		got, err := s.LastReadings(t.Context(), "run", 0, n)
		k := min(n, 2500)
		if err != nil || !slices.Equal(got, readings(2500-k, k, 1)) {
			t.Errorf("last %d: %d readings, %v", n, len(got), err)
		}
	}
	_, err := s.LastReadings(t.Context(), "nobody", 0, 5)
	wantCode(t, err, store.NotFound)
}

// TestExportOfGrowingRunLacksNothing: readings that come while a run's
// readings are read page by page leave no hole in what is read. With a tail
// that is not full at the end of a page there was one.
func TestExportOfGrowingRunLacksNothing(t *testing.T) {
	t.Parallel()
	for _, before := range []int{100, 8*1024 - 1000, 8*1024 - 1, 8 * 1024, 8*1024 + 1, 16*1024 - 5} {
		for _, which := range []int{0, store.AllMeasurements} {
			s := storetest.New(t)
			begin(t, s, record("growing", ""))
			appendAll(t, s, "growing", batch(0, readings(0, before, 3)))
			var got store.Columns
			total, chunks := before, 0
			err := s.Chunks(t.Context(), "growing", which, 0, func(k store.Chunk) error {
				if k.First != int64(got.Len()) {
					t.Errorf("%d readings at first: after %d readings comes reading %d", before, got.Len(), k.First)
				}
				if err := k.Decode(&got); err != nil {
					return err
				}
				if k.First+int64(k.Count) != int64(got.Len()) {
					t.Errorf("%d readings at first: a chunk from %d of %d ends at %d", before, k.First, k.Count, got.Len())
				}
				if chunks++; chunks%8 == 0 && chunks < 20 {
					appendAll(t, s, "growing", batch(0, readings(total, 3000, 3)))
					total += 3000
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			want := readings(0, total, 3)[:got.Len()]
			if got.Len() < before || !slices.EqualFunc(got.V, want, func(v float64, r bench.Reading) bool { return v == r.V }) {
				t.Errorf("%d readings at first: %d were read, which are not the first of the %d there are", before, got.Len(), total)
			}
		}
	}
}
