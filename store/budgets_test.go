package store_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// aBudget is a budget with all that one can have.
func aBudget() *procedure.Budget {
	return &procedure.Budget{DF: 12.5, Lines: []procedure.Line{
		{Name: "scatter of 1A, sensing ±10 mA", Class: "scatter", Distribution: "Student's t", Standard: 1.25e-6, DF: 3, Sensitivity: -1e4, Contribution: 0.0125, Share: 0.75},
		{Name: "resistance of path 1A:1", Class: "path", Distribution: "rectangular", Standard: 0.577, Sensitivity: 1, Contribution: 0.577, Share: 0.25, Assumed: true},
	}, Held: []procedure.Held{{Pin: 14, Set: 5, Value: 5.00213842, U: 0.00161667}}}
}

// TestBudgetsKept: what a result says beside its value comes back as it was, is
// replaced with its result, and goes where the result has none any more; what has
// no interval has none afterwards either.
func TestBudgetsKept(t *testing.T) {
	s := storetest.New(t)
	begin(t, s, record("run-1", "u1"))
	full, endless, count := result(0, "full", 1, 10), result(0, "endless", 1, 11), result(0, "count", 1, 3)
	within, band := 0.981, 0.0125
	full.K, full.From, full.To, full.Band, full.Conformity, full.Budget = 1.75, 9.9, 10.2, &band, &within, aBudget()
	endless.U, endless.From, endless.To = math.NaN(), math.NaN(), math.NaN()
	endless.Budget = &procedure.Budget{Why: "less than one degree of freedom: scatter"}
	count.U, count.From, count.To = 0, 3, 3
	appendAll(t, s, "run-1", procedure.Batch{Results: []procedure.Result{full, endless, count}})
	want := []procedure.Result{full, endless, count}
	check := func(when string) {
		t.Helper()
		got, err := s.Budgets(t.Context(), "run-1")
		if diff := cmp.Diff(want, got, cmpopts.EquateNaNs(), cmpopts.EquateEmpty()); err != nil || diff != "" {
			t.Errorf("%s: %v\n%s", when, err, diff)
		}
	}
	check("written")
	want[0].Budget = &procedure.Budget{DF: 1, Lines: aBudget().Lines[:1]}
	want[1].Budget = nil
	appendAll(t, s, "run-1", procedure.Batch{Results: want[:2]})
	check("written again")
	bare, err := s.Results(t.Context(), "run-1")
	if err != nil || len(bare) != 3 || bare[0].Budget != nil || bare[0].K != 1.75 || *bare[0].Conformity != within {
		t.Errorf("results alone: %+v %v", bare, err)
	}
}

// TestBudgetsGoWithTheirRun: none is left of a run that is deleted.
func TestBudgetsGoWithTheirRun(t *testing.T) {
	s := storetest.New(t)
	begin(t, s, record("run-1", "u1"))
	x := result(0, "r", 1, 1)
	x.Budget = aBudget()
	appendAll(t, s, "run-1", procedure.Batch{Results: []procedure.Result{x}})
	if err := s.Finish(t.Context(), "run-1", procedure.Ending{Status: procedure.Done, Ended: time.Unix(9, 0)}); err != nil {
		t.Fatal(err)
	}
	if err := s.DeleteRun(t.Context(), "run-1"); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Budgets(t.Context(), "run-1"); err != nil || len(got) != 0 {
		t.Errorf("%v %v", got, err)
	}
}

// TestBudgetsCSV: a row for each contribution, and one that says why there are
// none; every row has as many cells as there are headings.
func TestBudgetsCSV(t *testing.T) {
	r := record("run", "u1")
	var b bytes.Buffer
	e := store.NewBudgetsCSV(&b)
	full, old := result(0, "full", 2, 10), result(0, "old", 2, 10)
	full.K, full.Budget = 1.75, aBudget()
	if err := errors.Join(e.Rows(r, &full), e.Rows(r, &old), e.Close()); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(rows) != 4 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	cell := func(row int, heading string) string {
		for i, h := range rows[0] {
			if h == heading {
				return rows[row][i]
			}
		}
		t.Fatalf("no column %q in %v", heading, rows[0])
		return ""
	}
	for _, c := range []struct {
		row           int
		heading, want string
	}{
		{1, "contribution", "scatter of 1A, sensing ±10 mA"}, {1, "degrees of freedom of the cause", "3"}, {1, "share", "0.75"}, {1, "assumed", "no"},
		{1, "k", "1.75"}, {1, "sensitivity", "-10000"}, {2, "assumed", "yes"}, {2, "degrees of freedom of the cause", ""}, {2, "degrees of freedom", "12.5"},
		{3, "contribution", "none: U is k = 2 of a reading, made before budgets were kept"}, {3, "k", ""}, {3, "share", ""},
	} {
		if got := cell(c.row, c.heading); got != c.want {
			t.Errorf("row %d, %s: %q, want %q", c.row, c.heading, got, c.want)
		}
	}
}
