package liverun

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/live"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/server/turn"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// storedRun is a store with a run of two measurements, and what shows it.
func storedRun(t testing.TB) (*store.Store, *Runs, *procedure.Record, *bytes.Buffer) {
	t.Helper()
	s, log := storetest.New(t), &bytes.Buffer{}
	rec := record()
	if err := s.Begin(t.Context(), rec); err != nil {
		t.Fatal(err)
	}
	logger := slog.New(slog.NewTextHandler(log, nil))
	return s, New(live.NewHub(logger, nil), s, logger), rec, log
}

func appendTo(t testing.TB, s *store.Store, m int, rs []bench.Reading) {
	t.Helper()
	for part := range slices.Chunk(rs, 8192) {
		b := procedure.Batch{Readings: []procedure.MeasurementReadings{{Measurement: m, Readings: part}}}
		if err := s.Append(t.Context(), "1", b); err != nil {
			t.Fatal(err)
		}
	}
}

func storedPicture(t testing.TB, runs *Runs, rec *procedure.Record, m int) []byte {
	t.Helper()
	p, err := runs.Picture(t.Context(), rec, m)
	if err != nil {
		t.Fatal(err)
	}
	return p.Append(nil)
}

// However a picture came to be on the disk, and whatever is missing of it, the
// one that is shown is that of all stored readings.
func TestStoredPictureIsThatOfAllReadings(t *testing.T) {
	const n = keepFrom + 30_000
	rs := diodeSweep(n)
	shape := ShapeOf(record(), 0)
	want := pictureOf(shape, rs).Append(nil)
	damaged := slices.Clone(want)
	damaged[40] ^= 1
	for name, tc := range map[string]struct {
		readings int64
		picture  []byte
		kept     bool // it is kept by whoever asked
		says     string
	}{
		"a run of an older version":          {0, nil, true, ""},
		"killed on the way":                  {n - 20_000, pictureOf(shape, rs[:n-20_000]).Append(nil), false, ""},
		"killed long before the end":         {1000, pictureOf(shape, rs[:1000]).Append(nil), true, ""},
		"whole":                              {n, want, false, ""},
		"damaged":                            {n, damaged, true, "wrong checksum"},
		"of another shape":                   {n, pictureOf(shapes["two pins"], rs).Append(nil), true, "other axes"},
		"of more readings than there are":    {n, pictureOf(shape, diodeSweep(n+5)).Append(nil), true, "more readings"},
		"of a newer version of the program":  {n, append([]byte{99}, want[1:]...), true, "another version"},
		"of nothing, kept by an empty start": {0, NewPicture(shape).Append(nil), true, ""},
	} {
		t.Run(name, func(t *testing.T) {
			s, runs, rec, log := storedRun(t)
			appendTo(t, s, 0, rs)
			if tc.picture != nil {
				if err := s.KeepPicture(t.Context(), "1", 0, tc.readings, tc.picture); err != nil {
					t.Fatal(err)
				}
			}
			if !bytes.Equal(storedPicture(t, runs, rec, 0), want) {
				t.Error("it is another picture")
			}
			if !strings.Contains(log.String(), tc.says) || tc.says == "" && log.Len() > 0 {
				t.Errorf("the log says %q", log.String())
			}
			kept, err := s.Picture(t.Context(), "1", 0)
			if err != nil || bytes.Equal(kept, want) != (tc.kept || tc.readings == n) {
				t.Errorf("%d bytes are kept, %v", len(kept), err)
			}
		})
	}
}

// What is short is not kept: it costs more to write than to read again. What is
// not there has an empty picture.
func TestShortPictureIsNotKept(t *testing.T) {
	s, runs, rec, _ := storedRun(t)
	rs := diodeSweep(5000)
	for part := range slices.Chunk(rs, 7) { // as a slow measurement comes
		appendTo(t, s, 0, part)
	}
	if !bytes.Equal(storedPicture(t, runs, rec, 0), pictureOf(ShapeOf(rec, 0), rs).Append(nil)) {
		t.Error("it is another picture")
	}
	if kept, err := s.Picture(t.Context(), "1", 0); err != nil || kept != nil {
		t.Errorf("%d bytes are kept, %v", len(kept), err)
	}
	if p, err := runs.Picture(t.Context(), rec, 1); err != nil || p.Readings() != 0 {
		t.Errorf("%+v, %v", p, err)
	}
	if _, err := runs.Picture(t.Context(), &procedure.Record{ID: "nobody"}, 0); err == nil {
		t.Error("a picture of no run")
	}
}

// Many who ask at once all get the whole picture.
func TestManyAskForOnePicture(t *testing.T) {
	s, runs, rec, _ := storedRun(t)
	rs := diodeSweep(keepFrom + 1)
	appendTo(t, s, 0, rs)
	want := pictureOf(ShapeOf(rec, 0), rs).Append(nil)
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			if p, err := runs.Picture(t.Context(), rec, 0); err != nil || !bytes.Equal(p.Append(nil), want) {
				t.Error("another picture", err)
			}
		})
	}
	all.Wait()
	if len(runs.making) != 0 {
		t.Error("somebody is still at it")
	}
}

// TestLongGatheringTakesATurn: what is long waits for its turn as a report of
// whoever asks does, and is refused where there are too many; what is short is
// gathered beside all reports.
func TestLongGatheringTakesATurn(t *testing.T) {
	s, runs, rec, _ := storedRun(t)
	appendTo(t, s, 0, diodeSweep(keepFrom+3000))
	appendTo(t, s, 1, diodeSweep(3000))
	q := turn.NewQueue(turn.Limits{Computing: 1, Open: 2})
	ctx := turn.For(t.Context(), q, "me")
	holder, err := q.Open("somebody")
	if err != nil {
		t.Fatal(err)
	}
	if err := holder.Take(ctx); err != nil {
		t.Fatal(err)
	}
	if p, err := runs.Picture(ctx, rec, 1); err != nil || p.Readings() != 3000 {
		t.Errorf("the short one: %+v, %v", p, err)
	}
	gathered := make(chan int64, 2)
	for range 2 { // of two who ask, one works
		go func() {
			p, err := runs.Picture(ctx, rec, 0)
			if err != nil {
				t.Error(err)
			}
			gathered <- p.Readings()
		}()
	}
	for q.Opened() != 2 { // until it waits for its turn
		runtime.Gosched()
	}
	if _, err := runs.Picture(ctx, &procedure.Record{ID: "nobody"}, 0); problem.CodeOf(err) != problem.NotFound {
		t.Errorf("of no run: %v", err)
	}
	other := &procedure.Record{ID: "2", Device: rec.Device, Procedure: rec.Procedure, Started: rec.Started}
	if err := s.Begin(t.Context(), other); err != nil {
		t.Fatal(err)
	}
	if err := s.Append(t.Context(), "2", procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: diodeSweep(keepFrom)}}}); err != nil {
		t.Fatal(err)
	}
	if _, err := runs.Picture(ctx, other, 0); problem.CodeOf(err) != problem.Unavailable {
		t.Errorf("beside too many reports: %v", err)
	}
	if len(gathered) != 0 {
		t.Error("gathered without the turn")
	}
	holder.Close()
	for range 2 {
		if n := <-gathered; n != keepFrom+3000 {
			t.Errorf("%d readings", n)
		}
	}
	if q.Opened() != 0 {
		t.Error("a report is left in the queue")
	}
}

// TestGatheringEndsWithWhoAsked: it is called off when the last who wants it
// leaves, and what was gathered is there for the next.
func TestGatheringEndsWithWhoAsked(t *testing.T) {
	s, runs, rec, _ := storedRun(t)
	rs := diodeSweep(4*keepFrom + 3000)
	appendTo(t, s, 0, rs)
	ctx, leave := context.WithCancel(t.Context())
	half := &leaving{Context: ctx, leave: leave, after: 200}
	if _, err := runs.Picture(half, rec, 0); !errors.Is(err, context.Canceled) {
		t.Fatalf("gathered for somebody who has left: %v", err)
	}
	shape := ShapeOf(rec, 0)
	data, err := s.Picture(t.Context(), "1", 0)
	if err != nil || data == nil {
		t.Fatalf("nothing is kept of it: %v", err)
	}
	p, err := DecodePicture(data, shape)
	if err != nil || p.Readings() < keepFrom || p.Readings() >= int64(len(rs)) {
		t.Errorf("kept with %d readings, %v", p.Readings(), err)
	}
	if !bytes.Equal(storedPicture(t, runs, rec, 0), pictureOf(shape, rs).Append(nil)) {
		t.Error("the next who asks gets another picture")
	}
}

// leaving is the context of somebody who leaves after it was asked so often
// whether it has ended: once a chunk of readings, and a few times a query.
type leaving struct {
	context.Context
	leave func()
	after int
	asked atomic.Int64
}

func (c *leaving) Err() error {
	if c.asked.Add(1) == int64(c.after) {
		c.leave()
	}
	return c.Context.Err()
}

// A long measurement's picture is on the disk when the run has ended, and on the
// way when it is very long; it is dropped from memory when the next begins, and
// what is shown stays the same.
func TestLongPicturesAreKept(t *testing.T) {
	s, runs, rec, log := storedRun(t)
	shape := ShapeOf(rec, 0)
	rs := diodeSweep(keepEvery + 1000)
	b := newLiveRun(rec, live.NewTopic(rec.Started), runs.log)
	runs.m["1"] = b
	keep := func(u run.Update) {
		b.observe(u)
		runs.keepPictures(b)
	}
	kept := func(m int) int64 {
		data, err := s.Picture(t.Context(), "1", m)
		if err != nil || data == nil {
			return 0
		}
		p, err := DecodePicture(data, shape)
		if err != nil {
			t.Fatal(err)
		}
		return p.Readings()
	}
	appendTo(t, s, 0, rs)
	keep(update(0, rs[:keepEvery-1]...))
	if n := kept(0); n != 0 {
		t.Errorf("%d readings kept before it is worth it", n)
	}
	keep(update(0, rs[keepEvery-1:keepEvery+10]...))
	if n := kept(0); n != keepEvery+10 {
		t.Errorf("%d readings kept on the way", n)
	}
	keep(update(0, rs[keepEvery+10:]...))
	before, _ := runs.Snapshot("1", 0)
	keep(update(1, rs[:keepFrom]...))
	after, _ := runs.Snapshot("1", 0)
	if after.Picture != nil || len(b.pictures) != 1 {
		t.Error("the picture of what is over stays in memory")
	}
	if !bytes.Equal(storedPicture(t, runs, rec, 0), before.Picture.Append(nil)) {
		t.Error("the stored picture is another than the live one")
	}
	appendTo(t, s, 1, rs[:keepFrom])
	keep(ended())
	if n := kept(1); n != keepFrom {
		t.Errorf("%d readings kept at the end", n)
	}
	if log.Len() > 0 {
		t.Error(log.String())
	}
}

// What a person measures by hand is in memory alone: nothing is kept of it.
func TestManualWorkKeepsNoPicture(t *testing.T) {
	_, runs, rec, log := storedRun(t)
	rec.Manual, rec.ID = true, "by hand"
	b := newLiveRun(rec, live.NewTopic(rec.Started), runs.log)
	b.observe(update(0, diodeSweep(keepFrom)...))
	b.observe(update(1, diodeSweep(10)...))
	runs.keepPictures(b)
	if log.Len() > 0 || len(b.pictures) != 2 {
		t.Errorf("%d pictures in memory, log %q", len(b.pictures), log.String())
	}
}
