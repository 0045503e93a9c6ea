package routes

import (
	"math"
	"net/http"
	"strings"
	"testing"

	"ohmkeep/store"
)

// TestBudgetsOfARun: the API, the page and the CSV of a run tell the same of what
// its uncertainties are made of, and the results carry rule, band, probability
// and interval.
func TestBudgetsOfARun(t *testing.T) {
	a := newAPI(t)
	id := a.runOnce(nil)
	results := read[apiResults](a, a.ask(store.Viewer, "GET", "/runs/"+id+"/results", nil), http.StatusOK)
	if results.Rule == "" || len(results.Items) == 0 {
		t.Fatalf("%+v", results)
	}
	budgets := read[apiBudgets](a, a.ask(store.Viewer, "GET", "/runs/"+id+"/budgets", nil), http.StatusOK)
	if len(budgets.Items) != len(results.Items) {
		t.Fatalf("%d budgets of %d results", len(budgets.Items), len(results.Items))
	}
	lines := 0
	for i, b := range budgets.Items {
		x := results.Items[i]
		if b.Key != x.Key || b.Measurement != x.Measurement || b.Value != x.Value {
			t.Fatalf("budget %d is of another result: %+v %+v", i, b, x)
		}
		if (x.Low != nil || x.High != nil) && x.Outcome != "invalid" && (x.W == nil || x.Conformity == nil || *x.Conformity < 0 || *x.Conformity > 1) {
			t.Errorf("%s has limits and says neither band nor probability: %+v", x.Key, x)
		}
		if len(b.Lines) == 0 {
			if b.Without == "" {
				t.Errorf("%s has no budget and does not say why", b.Key)
			}
			lines++
			continue
		}
		lines += len(b.Lines)
		sum := 0.0
		for _, l := range b.Lines {
			sum += l.Share
		}
		if math.Abs(sum-1) > 1e-3 || len(b.NotCounted) == 0 {
			t.Errorf("%s: shares come to %g, not counted: %v", b.Key, sum, b.NotCounted)
		}
		v, u := float64(x.Value), float64(x.U) // u is the larger side
		if side := max(v-float64(x.From), float64(x.To)-v); !(float64(x.From) < v && v < float64(x.To)) || math.Abs(side-u) > 1e-9*u || !(float64(x.K) > 1) {
			t.Errorf("%s: %g to %g about %g ± %g, k = %g", x.Key, x.From, x.To, x.Value, x.U, x.K)
		}
	}
	if rows := a.csv("/runs/" + id + "/budgets.csv"); len(rows) != lines+1 {
		t.Errorf("%d rows for %d contributions", len(rows), lines)
	}
	first := read[apiBudgets](a, a.ask(store.Viewer, "GET", "/runs/"+id+"/budgets?measurement=0", nil), http.StatusOK)
	for _, b := range first.Items {
		if b.Measurement != 0 {
			t.Errorf("asked for measurement 0: %+v", b)
		}
	}
	if w := a.ask(store.Viewer, "GET", "/runs/none/budgets", nil); w.status != http.StatusNotFound {
		t.Errorf("of no run: %d", w.status)
	}
}

// TestBudgetPick: an address picks one result, a measurement or all; what it does
// not name is refused.
func TestBudgetPick(t *testing.T) {
	a := newAPI(t)
	id := a.runOnce(nil)
	for query, want := range map[string]int{
		"budget=all": http.StatusOK, "budget=0": http.StatusOK, "budget=x": http.StatusNotFound, "budget=-1": http.StatusNotFound,
		"budget=0&key=resistance&pin=1": http.StatusOK, "budget=0&key=resistance&pin=99": http.StatusNotFound, "budget=0&key=r&pin=x": http.StatusNotFound,
	} {
		w := a.askPage(store.Viewer, "GET", "/runs/"+id+"?"+query, nil)
		if w.Code != want {
			t.Errorf("%s: %d, want %d", query, w.Code, want)
		}
		if want == http.StatusOK && !strings.Contains(w.Body.String(), "What the uncertainty is made of") {
			t.Errorf("%s: another page", query)
		}
	}
}
