package store_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// checkOf is a check whose steps were done one minute after another.
func checkOf(id, benchKey string, began time.Time, steps ...check.Step) *check.Record {
	r := &check.Record{ID: id, Bench: benchKey, By: "ann", Began: began, Identity: bench.Identity{Name: "fake", Serial: "1", Rehearsal: true}}
	for i, step := range steps {
		from := began.Add(time.Duration(i) * time.Minute)
		r.Put(check.StepResult{Step: step, Began: from, Ended: from.Add(time.Minute), Took: 20, Readings: 400, Findings: []check.Finding{},
			Paths: []check.PathValue{{Path: 3, Ohms: 4.1, U: 0.02}}})
	}
	return r
}

func faultyCheck(id, benchKey string, began time.Time) *check.Record {
	r := checkOf(id, benchKey, began, check.Empty)
	r.Steps[0].Findings = []check.Finding{{Kind: check.EnableFloats, Fault: true, Said: "the enable seems to float, faulty", Mux: "1A/1-16", Paths: []bench.PathID{1, 2}}}
	return r
}

// TestBenchChecks: a check is kept as it was saved last, and found by when its
// newest step ended.
func TestBenchChecks(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	if c, err := s.LastCheckBefore(ctx, "b-one", start); c != nil || err != nil {
		t.Errorf("of a bench without one: %+v, %v", c, err)
	}
	_, err := s.GetCheck(ctx, "check-1")
	if store.CodeOf(err) != store.NotFound {
		t.Errorf("one that is not there: %v", err)
	}
	must(t, s.SaveCheck(ctx, checkOf("check-1", "b-one", start, check.Empty)))
	whole := checkOf("check-1", "b-one", start, check.Empty, check.Channels, check.Plug, check.Numbers)
	whole.Ended = start.Add(5 * time.Minute)
	must(t, s.SaveCheck(ctx, whole))
	must(t, s.SaveCheck(ctx, faultyCheck("check-2", "b-one", start.Add(time.Hour))))
	must(t, s.SaveCheck(ctx, checkOf("check-3", "b-two", start, check.Empty)))

	got, err := s.GetCheck(ctx, "check-1")
	must(t, err)
	if got.Verdict != check.Good || !got.Ended.Equal(whole.Ended) || !got.At.Equal(start.Add(4*time.Minute)) || got.By != "ann" {
		t.Errorf("%+v", got)
	}
	if diff := cmp.Diff(whole, got.Record); diff != "" {
		t.Error(diff)
	}
	for _, c := range []struct {
		before        bool
		after         time.Duration
		want, verdict string
	}{
		{true, 4*time.Minute - 1, "", ""}, {true, 4 * time.Minute, "check-1", "good"}, {true, 90 * time.Minute, "check-2", "faulty"},
		{false, 0, "check-1", "good"}, {false, 4 * time.Minute, "check-2", "faulty"}, {false, 2 * time.Hour, "", ""},
	} {
		ask := s.FirstCheckAfter
		if c.before {
			ask = s.LastCheckBefore
		}
		found, err := ask(ctx, "b-one", start.Add(c.after))
		must(t, err)
		if found == nil {
			found = &store.BenchCheck{}
		}
		if found.ID != c.want || string(found.Verdict) != c.verdict {
			t.Errorf("before %v, %v: %q %s, want %q %s", c.before, c.after, found.ID, found.Verdict, c.want, c.verdict)
		}
	}
	list, next, err := s.ListChecks(ctx, "b-one", "", 1)
	must(t, err)
	if len(list) != 1 || list[0].ID != "check-2" || next != "check-2" {
		t.Errorf("first page: %+v, next %q", list, next)
	}
	list, next, err = s.ListChecks(ctx, "b-one", next, 1)
	must(t, err)
	if len(list) != 1 || list[0].ID != "check-1" || next != "" {
		t.Errorf("second page: %+v, next %q", list, next)
	}
	if _, _, err := s.ListChecks(ctx, "b-one", "'; --", 1); store.CodeOf(err) != store.Invalid {
		t.Errorf("a cursor of another list: %v", err)
	}
}

// TestDamagedBenchCheck: a damaged check says so wherever it is met, and an older
// one does not stand in for it.
func TestDamagedBenchCheck(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	must(t, s.SaveCheck(ctx, checkOf("check-1", "b-one", start, check.Empty, check.Channels, check.Plug, check.Numbers)))
	must(t, s.SaveCheck(ctx, faultyCheck("check-2", "b-one", start.Add(time.Hour))))
	store.Spoil(t, s, "UPDATE bench_checks SET verdict = 'good', body = replace(body, 'true', 'false') WHERE id = 'check-2'")
	if c, err := s.GetCheck(ctx, "check-2"); store.CodeOf(err) != store.Corrupt {
		t.Errorf("%+v, %v", c, err)
	}
	c, err := s.LastCheckBefore(ctx, "b-one", start.Add(2*time.Hour))
	must(t, err)
	if c == nil || c.ID != "check-2" || c.Damaged == "" || c.Verdict != "" || c.Record != nil {
		t.Errorf("%+v", c)
	}
	list, _, err := s.ListChecks(ctx, "b-one", "", 10)
	must(t, err)
	if len(list) != 2 || list[0].Damaged == "" || list[1].Damaged != "" {
		t.Errorf("%+v", list)
	}
	if met := s.MetDamage(); len(met) != 1 {
		t.Errorf("met: %q", met)
	}
}

// TestBenchCheckNotStored: what cannot be kept whole is refused.
func TestBenchCheckNotStored(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	infinite := checkOf("check-1", "b-one", start, check.Empty)
	infinite.Steps[0].Paths[0].Ohms = math.Inf(1)
	for name, r := range map[string]*check.Record{
		"without an identity": checkOf("", "b-one", start, check.Empty), "of no bench": checkOf("check-1", "", start, check.Empty), "of infinite ohms": infinite,
	} {
		if err := s.SaveCheck(t.Context(), r); store.CodeOf(err) != store.Invalid {
			t.Errorf("a check %s: %v", name, err)
		}
	}
}
