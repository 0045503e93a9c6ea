package store_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ohmkeep/server/bench"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

func someCorrections() *bench.Corrections {
	return &bench.Corrections{PathsAt: start, PathsFrom: "check-1", Paths: []bench.PathCorrection{{Path: 3, Ohms: 4.25, U: 0.004}},
		Ranges: []bench.RangeCorrection{{Channel: 1, Unit: "V", FullScale: 2, Gain: 1e-4, GainU: 1e-5, Offset: 1e-5, OffsetU: 1e-6, At: start, By: "ann", Standard: "a reference meter"}}}
}

// TestCorrections: each decision is a revision of its own, whoever was quicker wins,
// and what the disk changes is not used.
func TestCorrections(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	if c, err := s.Corrections(ctx, "b-one", 0); c != nil || err != nil {
		t.Errorf("of a bench without any: %+v, %v", c, err)
	}
	save := func(expected int, body *bench.Corrections) (int, error) {
		return s.SaveCorrections(ctx, store.BenchCorrections{Bench: "b-one", By: "ann", Why: "a check", Built: "sum", Serial: "7", Body: body}, expected)
	}
	rev, err := save(0, someCorrections())
	must(t, err)
	if rev != 1 {
		t.Errorf("revision %d", rev)
	}
	if _, err := save(0, someCorrections()); store.CodeOf(err) != store.Conflict {
		t.Errorf("taken over twice: %v", err)
	}
	_, err = save(1, nil)
	must(t, err)
	got, err := s.Corrections(ctx, "b-one", 0)
	must(t, err)
	if got.Revision != 2 || got.Body != nil || got.Damaged != "" || got.Why != "a check" || got.Built != "sum" || got.Serial != "7" {
		t.Errorf("the newest: %+v", got)
	}
	got, err = s.Corrections(ctx, "b-one", 1)
	must(t, err)
	if diff := cmp.Diff(someCorrections(), got.Body, cmpopts.IgnoreFields(bench.Corrections{}, "Revision", "At", "By")); diff != "" {
		t.Error(diff)
	}
	if got.Body.Revision != 1 || got.Body.By != "ann" || !got.Body.At.Equal(got.At) {
		t.Errorf("%+v", got.Body)
	}
	list, err := s.ListCorrections(ctx, "b-one", 10)
	must(t, err)
	if len(list) != 2 || list[0].Revision != 2 {
		t.Errorf("%+v", list)
	}
	for _, bad := range []store.BenchCorrections{{Bench: "No key"}, {Bench: "b-one", Body: &bench.Corrections{Paths: []bench.PathCorrection{{Ohms: math.NaN()}}}}} {
		if _, err := s.SaveCorrections(ctx, bad, 2); store.CodeOf(err) != store.Invalid {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	store.Spoil(t, s, "UPDATE corrections SET body = replace(body, '4.25', '5.25')")
	got, err = s.Corrections(ctx, "b-one", 1)
	must(t, err)
	if got.Body != nil || got.Damaged == "" {
		t.Errorf("damaged, and used all the same: %+v", got)
	}
}

// TestRunKeepsItsCorrections: a run is read with the corrections that it was made
// with, their age counted to its start, and runs that share them share one copy.
func TestRunKeepsItsCorrections(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	for i, id := range []string{"run-1", "run-2"} {
		r := record(id, "u1")
		r.Started = start.Add(time.Duration(i+1) * time.Hour)
		r.Bench.Corrections = someCorrections()
		begin(t, s, r)
		got, err := s.GetRun(t.Context(), id)
		must(t, err)
		c := got.Bench.Corrections
		if c == nil || len(c.Paths) != 1 || c.Age(c.PathsAt) != r.Started.Sub(start) {
			t.Errorf("%s: %+v", id, c)
		}
	}
	if n := store.Count(t, s, "SELECT count(DISTINCT bench_body) FROM runs"); n != 1 {
		t.Errorf("%d copies of one bench", n)
	}
}
