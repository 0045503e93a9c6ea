package routes

import (
	"net/http"
	"net/url"
	"testing"

	"ohmkeep/server/check"
	"ohmkeep/server/rehearsal"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

const correctionsAt = "/benches/rehearsal/corrections"

// uncertain is the half-width of the first resistance of a run, Ω.
func uncertain(a *apiRig, id string) float64 {
	for _, x := range get[apiResults](a, "/runs/"+id+"/results").Items {
		if x.Key == "resistance" && x.U > 0 {
			return float64(x.U)
		}
	}
	a.t.Fatal("no resistance")
	return 0
}

// TestCorrections: what a real check of the rehearsal bench measured is taken over by
// a person, makes the next run's two-wire result known better, stays with that run,
// and is taken off and put back.
func TestCorrections(t *testing.T) {
	a := newAPI(t)
	a.describeAndSeat()
	a.has(store.Operator, "/bench/corrections", []string{"None.", "No check of this bench has measured its paths yet"}, "take-over-button")
	body := map[string]any{"device": "load", "procedure": "check", "serial": "S1"}
	stated := a.runOnce(body)
	now := a.step(apiBenchCheckRequest{Steps: []check.Step{check.Empty}, Seat: true})
	a.answers(http.StatusNoContent, a.ask(store.Operator, "POST", checksAt+"/seat-back", nil))
	a.has(store.Operator, "/bench/corrections", []string{"240 paths of 240", "take-over-button", now.Open.ID})
	a.has(store.Viewer, "/bench/corrections", []string{"240 paths of 240"}, "take-over-button")

	for _, q := range []apiCorrectionsChange{{}, {Check: now.Open.ID, None: true}, {Again: 1}, {Again: -1}, {Check: "no such check"}} {
		if w := a.ask(store.Operator, "POST", correctionsAt, q); w.status < 400 || w.status >= 500 {
			t.Errorf("%+v: %d", q, w.status)
		}
	}
	change := func(q apiCorrectionsChange) apiBenchCorrections {
		t.Helper()
		return read[apiBenchCorrections](a, a.ask(store.Operator, "POST", correctionsAt, q), http.StatusOK)
	}
	got := change(apiCorrectionsChange{Check: now.Open.ID, Why: "new switches"})
	if got.InUse == nil || got.InUse.Revision != 1 || len(got.InUse.Paths) != 240 || got.InUse.PathsFrom != now.Open.ID || len(got.Decisions) != 1 || got.Decisions[0].Why != "new switches" {
		t.Fatalf("taken over: %+v", got.Decisions)
	}
	if w := a.ask(store.Operator, "POST", correctionsAt, apiCorrectionsChange{None: true}); w.status != http.StatusConflict {
		t.Errorf("of somebody who has seen none: %d", w.status)
	}
	measured := a.runOnce(body)
	before, after := uncertain(a, stated), uncertain(a, measured)
	t.Logf("two wires: ± %.3g Ω, with corrections ± %.3g Ω", before, after)
	if !(after < before) {
		t.Errorf("± %g Ω, with corrections ± %g Ω", before, after)
	}
	a.holds("/runs/"+measured, "revision 1 of", "240 paths, measured 0 min before")
	a.holds("/runs/"+stated, "none: every path and range counts as it is stated")

	a.answers(http.StatusOK, a.ask(store.Operator, "DELETE", "/benches/rehearsal/control", nil)) // each page is another browser
	decide := func(f url.Values) {
		t.Helper()
		if w := a.askPage(store.Operator, "POST", "/bench/corrections", f); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/bench/corrections" {
			t.Errorf("%v: %d", f, w.Code)
		}
	}
	decide(url.Values{"none": {"yes"}, "expected": {"1"}})
	if w := a.askPage(store.Operator, "POST", "/bench/corrections", url.Values{"none": {"yes"}, "expected": {"1"}}); w.Code != http.StatusConflict {
		t.Errorf("none of somebody who has not seen the last: %d", w.Code)
	}
	if got := get[apiBenchCorrections](a, correctionsAt); got.InUse != nil || len(got.Decisions) != 2 {
		t.Errorf("none: %+v", got.Decisions)
	}
	if u := uncertain(a, a.runOnce(body)); u < 0.9*before {
		t.Errorf("with none in use: ± %g Ω, at first ± %g Ω", u, before)
	}
	decide(url.Values{"again": {"1"}, "expected": {"2"}})
	if got := get[apiBenchCorrections](a, correctionsAt); got.InUse == nil || got.InUse.Revision != 3 {
		t.Errorf("again: %+v", got.Decisions)
	}
	a.has(store.Operator, "/bench/corrections", []string{"It is in use already.", "new switches", "Paths of revision 3"}, "take-over-button")
	if head := get[apiRunHead](a, "/runs/"+measured); head.Bench.Corrections == nil || head.Bench.Corrections.Revision != 1 {
		t.Error("the run has lost its corrections")
	}
	nominal := rehearsal.NominalWorld()
	read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/seating", map[string]any{"device": "load", "serial": "S1", "world": nominal}), http.StatusOK)
	if got := get[apiBenchCorrections](a, correctionsAt); got.InUse != nil || got.Unused == "" {
		t.Errorf("of a bench that draws its paths otherwise: %+v", got.Unused)
	}
	storetest.Exec(t, a.store, "UPDATE corrections SET body = replace(body, '1', '2')")
	a.has(store.Operator, "/bench/corrections", []string{"None.", "damaged"})
}

// usesNoCorrections decides through the API that none are used.
func (a *apiRig) usesNoCorrections() {
	got := read[apiBenchCorrections](a, a.ask(store.Operator, "POST", correctionsAt, apiCorrectionsChange{None: true}), http.StatusOK)
	if now := get[apiBenchCorrections](a, correctionsAt); now.InUse != nil || len(now.Decisions) != 1 || got.Decisions[0] != now.Decisions[0] {
		a.t.Errorf("%+v", now)
	}
}
