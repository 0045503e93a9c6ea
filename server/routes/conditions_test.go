package routes

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// The live page of a run that repeats over conditions counts measurements as
// they are carried out, as the record does: results stand where they belong.
func TestLivePageOfConditions(t *testing.T) {
	a := newAPI(t)
	p := loadProcedure()
	cold, hot := 25.0, 85.0
	p.Conditions = []procedure.Condition{{Temperature: &cold}, {Temperature: &hot}}
	_, err := a.store.SaveProcedure(t.Context(), p, 1, "test")
	must(t, err)
	read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/seating", map[string]any{"device": "load", "serial": "S1"}), http.StatusOK)
	id := a.hang(nil)
	live, _ := a.server.Runs.Snapshot(id, -1)
	rec, err := a.store.GetRun(t.Context(), id)
	must(t, err)
	if n, kept := len(live.Record.Procedure.Measurements), len(rec.Procedure.Measurements); n != 4 || kept != 4 {
		t.Errorf("the live page has %d measurements, the record %d; two under two conditions are 4", n, kept)
	}
	a.clock.open()
	a.wait()
	results, err := a.store.Results(t.Context(), id)
	must(t, err)
	seen := map[string]bool{}
	for _, r := range results {
		if r.Key == "resistance" {
			seen[fmt.Sprint(r.Measurement, " ", r.Condition)] = true
		}
	}
	if len(seen) != 2 {
		t.Errorf("resistance under two conditions: %v", seen)
	}
	page := a.askPage(store.Viewer, "GET", "/runs/"+id, nil)
	for _, want := range []string{"25 °C", "85 °C"} {
		if !strings.Contains(page.Body.String(), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}
