package store_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// wholeCheck is a check of all steps of the bench of a run, which began then.
func wholeCheck(id string, r *procedure.Record, began time.Time) *check.Record {
	c := checkOf(id, r.Bench.Key, began, check.Empty, check.Channels, check.Plug, check.Numbers)
	c.Identity, c.Built = r.Identity, r.Bench.Built()
	return c
}

// badgeOf is the badge of a run in the history, which must be that of its head.
func badgeOf(t *testing.T, s *store.Store, id string) standing.Badge {
	t.Helper()
	q := s.NewStandings()
	q.Demo = "Mossgate lab"
	var listed standing.Badge
	must(t, s.EachRun(t.Context(), store.Filter{}, func(r *store.RunRow) error {
		if r.ID != id {
			return nil
		}
		err := q.Mark(t.Context(), r)
		listed = r.Badge
		return err
	}))
	rec, err := s.GetRun(t.Context(), id)
	must(t, err)
	of, err := q.OfRecord(t.Context(), rec)
	must(t, err)
	if of.Badge != listed {
		t.Errorf("run %s is %q in the list and %q by itself", id, listed, of.Badge)
	}
	return listed
}

// TestStandings: what stands behind a run follows the checks of its bench as they
// are stored, and those of another bench of the same name say nothing.
func TestStandings(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	r := record("run-1", "A1")
	r.Identity = bench.Identity{Name: "fake", Serial: "1"}
	must(t, s.Begin(ctx, r))
	is := func(want standing.Badge, why string) {
		t.Helper()
		if got := badgeOf(t, s, "run-1"); got != want {
			t.Errorf("%s: %q, want %q", why, got, want)
		}
	}
	is(standing.Due, "without a check")
	other := wholeCheck("check-0", r, r.Started.Add(-2*time.Hour))
	other.Identity.Serial = "2"
	must(t, s.SaveCheck(ctx, other))
	is(standing.Due, "with a check of another bench")
	must(t, s.SaveCheck(ctx, wholeCheck("check-1", r, r.Started.Add(-time.Hour))))
	is(standing.Checked, "with a good check")
	later := wholeCheck("check-2", r, r.Started.Add(time.Hour))
	must(t, s.SaveCheck(ctx, later))
	is(standing.Checked, "with a good one after it")
	later.Steps[1].Findings = []check.Finding{{Kind: check.ChannelDisagrees, Fault: true, Said: "A channel disagrees."}}
	must(t, s.SaveCheck(ctx, later))
	is(standing.Doubtful, "after the later one was stored anew, with a fault")
	unlike := *r
	unlike.ID, unlike.Bench.Contacts, unlike.Started = "run-2", r.Bench.Contacts+1, r.Started.Add(time.Second)
	must(t, s.Begin(ctx, &unlike))
	later.Steps[1].Findings = nil
	must(t, s.SaveCheck(ctx, later))
	if got := badgeOf(t, s, "run-2"); got != standing.Due {
		t.Errorf("on a bench that was built otherwise: %q", got)
	}
	ofDemo := *r
	ofDemo.ID, ofDemo.Operator = "run-3", "Mossgate lab"
	must(t, s.Begin(ctx, &ofDemo))
	if got := badgeOf(t, s, "run-3"); got != standing.Untold {
		t.Errorf("of the demonstration: %q", got)
	}
	var b bytes.Buffer
	e, q := store.NewHistoryCSV(&b), s.NewStandings()
	must(t, s.EachRun(ctx, store.Filter{Serial: "A1"}, func(row *store.RunRow) error { return errors.Join(q.Mark(ctx, row), e.Row(row)) }))
	must(t, e.Close())
	if !strings.Contains(b.String(), ",bench check\r\n") || strings.Count(b.String(), ",checked\r\n") != 2 || strings.Count(b.String(), ",check due\r\n") != 1 {
		t.Errorf("%s", b.String())
	}
}

// TestDamagedStandings: a damaged check says nothing good, and a damaged run none
// at all.
func TestDamagedStandings(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	r := record("run-1", "A1")
	r.Identity = bench.Identity{Name: "fake", Serial: "1"}
	must(t, s.Begin(ctx, r))
	must(t, s.SaveCheck(ctx, wholeCheck("check-1", r, r.Started.Add(-2*time.Hour))))
	must(t, s.SaveCheck(ctx, wholeCheck("check-2", r, r.Started.Add(-time.Hour))))
	store.Spoil(t, s, "UPDATE bench_checks SET body = replace(body, 'false', 'true') || ' ' WHERE id = 'check-2'")
	if got := badgeOf(t, s, "run-1"); got != standing.Due {
		t.Errorf("after a damaged check: %q", got)
	}
	store.Spoil(t, s, "UPDATE runs SET operator = 'nobody' WHERE id = 'run-1'")
	q := s.NewStandings()
	must(t, s.EachRun(ctx, store.Filter{}, func(row *store.RunRow) error {
		st, err := q.Of(ctx, row)
		if st.Badge != standing.Untold {
			t.Errorf("a damaged run: %+v", st)
		}
		return err
	}))
}

// TestRunsOfBench: runs are listed by bench and time, page by page.
func TestRunsOfBench(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	for i, key := range []string{"b-one", "b-two", "b-one", "b-one"} {
		r := record("run-"+string(rune('1'+i)), "A1")
		r.Bench.Key, r.Started = key, start.Add(time.Duration(i)*time.Hour)
		must(t, s.Begin(ctx, r))
	}
	f := store.Filter{Bench: "b-one", From: start, To: start.Add(3 * time.Hour)}
	var ids []string
	for cursor := ""; ; {
		p, err := s.ListRuns(ctx, f, cursor, 1)
		must(t, err)
		for i := range p.Runs {
			ids = append(ids, p.Runs[i].ID)
		}
		if cursor = p.Next; cursor == "" {
			break
		}
	}
	if strings.Join(ids, " ") != "run-3 run-1" {
		t.Errorf("%q", ids)
	}
}
