package store_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// Letters that an index and LIKE may think differently of: other alphabets,
// letters that fold to a to z (the Kelvin sign, the long s), marks that stand
// apart from their letter, what an index query or a pattern takes for itself,
// and bytes that are no UTF-8.
var searchLetters = []string{"a", "b", "A", "k", "\u212A", "s", "\u017F", "ä", "Ä", "a\u0308", "ı", "İ", "ß", "中", "🔌", " ", " ", `"`, "%", "_",
	`\`, "*", "-", "'", "(", ":", "^", "AND", "OR", "NEAR", "\xff", "\xc3", "\n"}

func searchText(most int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		return strings.Join(rapid.SliceOfN(rapid.SampledFrom(searchLetters), 0, most).Draw(t, "letters"), "")
	})
}

// drawRun is a run with texts that searches meet by chance, started within a
// few steps of the index of texts.
func drawRun(t *rapid.T, id string) *procedure.Record {
	r := record(id, rapid.SampledFrom([]string{"", "u1", "u2", "ab\"k"}).Draw(t, "serial"))
	r.Device = device(rapid.SampledFrom([]string{"d-a", "d-b"}).Draw(t, "device"))
	r.Procedure = proc(rapid.SampledFrom([]string{"p-a", "p-b"}).Draw(t, "procedure"), r.Device.Key)
	r.Unit.Lot = rapid.SampledFrom([]string{"", "L1", "L2"}).Draw(t, "lot")
	r.Operator = rapid.SampledFrom([]string{"Änne", "ANNE", "kasbah"}).Draw(t, "operator")
	r.Note = searchText(8).Draw(t, "note")
	r.Started = start.Add(time.Duration(rapid.Int64Range(0, 3).Draw(t, "step"))<<20 + time.Duration(rapid.IntRange(-1, 1).Draw(t, "ns")))
	return r
}

func drawFilter(t *rapid.T) store.Filter {
	sometimes := func(name string, values ...string) string {
		return rapid.SampledFrom(append([]string{"", ""}, values...)).Draw(t, name)
	}
	f := store.Filter{Device: sometimes("device", "d-a", "none"), Procedure: sometimes("procedure", "p-b"), Serial: sometimes("serial", "u1", "ab\"k"),
		Lot: sometimes("lot", "L1"), Outcome: derive.Outcome(sometimes("outcome", "pass")), Status: procedure.Status(sometimes("status", "running", "done")),
		WithoutLimits: rapid.IntRange(0, 5).Draw(t, "no limits") == 0}
	if rapid.Bool().Draw(t, "with text") {
		f.Text = rapid.OneOf(searchText(4), rapid.SampledFrom([]string{"part d", "änn", "ÄNN", "CHECK P", "nne", "zzz"})).Draw(t, "text")
	}
	if rapid.IntRange(0, 3).Draw(t, "with times") == 0 {
		f.From = start.Add(time.Duration(rapid.Int64Range(0, 3).Draw(t, "from")) << 20)
		f.To = f.From.Add(time.Duration(rapid.Int64Range(1, 3).Draw(t, "span")) << 19)
	}
	return f
}

// changeRuns carries out begins, ends, notes and deletions at random, and
// returns how many runs it began.
func changeRuns(t *rapid.T, ctx context.Context, s *store.Store) int {
	n := rapid.IntRange(1, 25).Draw(t, "changes")
	for i := range n {
		id := fmt.Sprint("r", rapid.IntRange(0, i).Draw(t, "which"))
		var err error
		switch rapid.IntRange(0, 5).Draw(t, "change") {
		default:
			err = s.Begin(ctx, drawRun(t, fmt.Sprint("r", i)))
		case 0:
			err = s.SetNote(ctx, id, searchText(8).Draw(t, "new note"))
		case 1:
			err = s.Finish(ctx, id, procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: start.Add(time.Hour)})
		case 2:
			err = s.DeleteRun(ctx, id)
		}
		if code := store.CodeOf(err); err != nil && code != store.NotFound && code != store.Conflict {
			t.Fatal(err)
		}
	}
	return n
}

// TestSearchIsTheScan: whatever index a filter is answered by, it picks the
// runs that a scan of all of them picks, in the same order, on pages of any
// size; and what it counts is true.
func TestSearchIsTheScan(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	rapid.Check(t, func(t *rapid.T) {
		var all []string
		must(t, s.EachRun(ctx, store.Filter{}, func(r *store.RunRow) error { all = append(all, r.ID); return nil }))
		for _, id := range all {
			if err := s.Finish(ctx, id, procedure.Ending{Status: procedure.Done, Ended: start}); err != nil && store.CodeOf(err) != store.Conflict {
				t.Fatal(err)
			}
			must(t, s.DeleteRun(ctx, id))
		}
		changeRuns(t, ctx, s)
		for range 8 {
			f := drawFilter(t)
			want, err := s.ScanRuns(ctx, f)
			must(t, err)
			var each, paged []string
			must(t, s.EachRun(ctx, f, func(r *store.RunRow) error { each = append(each, r.ID); return nil }))
			limit := rapid.IntRange(1, 7).Draw(t, "limit")
			for cursor, pages := "", 0; ; pages++ {
				p, err := s.ListRuns(ctx, f, cursor, limit)
				must(t, err)
				if p.Total != len(want) || p.More {
					t.Fatalf("%+v: counted %d (more: %v), there are %d", f, p.Total, p.More, len(want))
				}
				if len(p.Runs) > limit || p.Next != "" && len(p.Runs) == 0 || pages > 30 {
					t.Fatalf("%+v: page %d has %d runs, next %q", f, pages, len(p.Runs), p.Next)
				}
				paged = append(paged, ids(p.Runs)...)
				if cursor = p.Next; cursor == "" {
					break
				}
			}
			if !slices.Equal(each, want) || !slices.Equal(paged, want) {
				t.Fatalf("%+v:\neach  %v\npaged %v\nwant  %v", f, each, paged, want)
			}
		}
	})
	must(t, s.Integrity(ctx))
}

type fataler interface{ Fatal(...any) }

func must(t fataler, err error) {
	if h, ok := t.(interface{ Helper() }); ok {
		h.Helper()
	}
	if err != nil {
		t.Fatal(err)
	}
}

// A search that no index answers alone looks at a bounded number of runs for
// each page, says that there may be more, and goes on from there: nothing is
// left out.
func TestPagesLookNoFurtherThanTheirBound(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	const n = 2*store.LookBound + 100
	storetest.Fill(t, s, n, record("first", "u1"), map[string]string{
		"started": fmt.Sprintf("%d + i * 1000000000", start.UnixNano()),
		"note":    "CASE WHEN i < 3 THEN 'qz old' ELSE 'another ' || i END",
		"status":  "CASE WHEN i < 5 THEN 'failed' ELSE 'done' END",
		"outcome": "CASE WHEN i < 2 THEN 'fail' WHEN i % 2 THEN 'pass' ELSE 'fail' END",
		"device":  "CASE WHEN i < 4 THEN 'd-b' ELSE 'r-one' END",
	})
	for name, c := range map[string]struct {
		f           store.Filter
		first       int  // runs on the first page
		total       int  // counted at once
		more        bool // than counted
		inAll       int
		mostOnePage bool
	}{
		"short text, old":        {store.Filter{Text: "qz"}, 0, 0, true, 3, false},
		"short text, none":       {store.Filter{Text: "qx"}, 0, 0, true, 0, false},
		"text, old":              {store.Filter{Text: "qz o"}, 3, 3, false, 3, true},
		"text, none":             {store.Filter{Text: "nothing like it"}, 0, 0, false, 0, true},
		"text, many":             {store.Filter{Text: "another"}, 10, store.CountBound, true, n - 3, false},
		"two columns, few":       {store.Filter{Outcome: derive.Fail, Status: procedure.Failed}, 4, 4, false, 4, true},
		"two columns and a text": {store.Filter{Outcome: derive.Fail, Device: "r-one", Text: "another"}, 10, store.CountBound, true, n/2 - 2, false},
		"one column":             {store.Filter{Status: procedure.Done}, 10, n - 5, false, n - 5, false},
	} {
		p, err := s.ListRuns(t.Context(), c.f, "", 10)
		must(t, err)
		if len(p.Runs) != c.first || p.Total > c.total || p.More != c.more || !c.more && p.Total != c.total || c.mostOnePage != (p.Next == "") {
			t.Errorf("%s: %d runs, %d counted, more %v, next %q", name, len(p.Runs), p.Total, p.More, p.Next)
		}
		got := len(p.Runs)
		for pages := 0; p.Next != ""; pages++ {
			p, err = s.ListRuns(t.Context(), c.f, p.Next, 500)
			must(t, err)
			if got += len(p.Runs); pages > n/400 {
				t.Fatalf("%s: still at it after %d pages", name, pages)
			}
		}
		each := 0
		must(t, s.EachRun(t.Context(), c.f, func(*store.RunRow) error { each++; return nil }))
		if got != c.inAll || each != c.inAll {
			t.Errorf("%s: %d on pages, %d each, want %d", name, got, each, c.inAll)
		}
	}
}

// Every filter of one column is read from an index of its own in the order of
// the list: nothing is sorted and nothing is passed over but runs that
// are being deleted. What a run at work has in the tail is counted from the
// tail's index, where it was brought from by its number; whether a run or that
// without a seal may have none, by an only row.
func TestFiltersAreReadInOrder(t *testing.T) {
	t.Parallel()
	s := lab(t)
	for name, f := range map[string]store.Filter{
		"started": {}, "device": {Device: "r-two"}, "procedure": {Procedure: "r-check"}, "serial": {Serial: "u1"}, "lot": {Lot: "L2"},
		"outcome": {Outcome: derive.Fail}, "status": {Status: procedure.Done},
	} {
		f.From = start
		steps, err := s.PlanOf(t.Context(), f)
		must(t, err)
		if len(steps) != 11 || steps[2] != "SEARCH deleting USING INTEGER PRIMARY KEY (rowid=?)" || steps[4] != "SEARCH tail USING INDEX tail_run (run=?)" ||
			steps[6] != "SEARCH origins USING INTEGER PRIMARY KEY (rowid=?)" ||
			steps[8] != "SEARCH unsealed USING INTEGER PRIMARY KEY (rowid=?)" || steps[10] != "SEARCH unsealed USING INTEGER PRIMARY KEY (rowid=?)" {
			t.Errorf("%s: %q", name, steps)
		}
		if !strings.Contains(steps[0], "SEARCH runs USING INDEX runs_"+name+" (") || !strings.Contains(steps[0], "started") {
			t.Errorf("%s: %q", name, steps)
		}
	}
}
