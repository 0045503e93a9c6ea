package routes

import (
	"net/http"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// hasty is the procedure of the test's lab with a settle that is too short.
func hasty(t *testing.T, a *apiRig) {
	t.Helper()
	p := read[apiRevision[procedure.Procedure]](a, a.ask(store.Viewer, "GET", "/procedures/check", nil), http.StatusOK)
	p.Body.Measurements[0].Settle = procedure.Settle{Time: 1e-9}
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/procedures/check", p.Body, "If-Match", entityTag(p.Rev)), http.StatusOK)
}

// TestWarningsAreAcknowledgedByName: a warning keeps a procedure from starting
// until it is named, and stays with the run.
func TestWarningsAreAcknowledgedByName(t *testing.T) {
	a := newAPI(t)
	hasty(t, a)
	ask := read[apiCheck](a, a.ask(store.Viewer, "GET", "/procedures/check/check", nil), http.StatusOK)
	if !ask.Startable || len(ask.Acknowledge) != 1 || !strings.HasPrefix(ask.Acknowledge[0], procedure.CodeSettle+":") {
		t.Fatalf("%+v", ask)
	}
	start := apiStart{Device: "load", Procedure: "check", Serial: "1"}
	out := a.ask(store.Operator, "POST", "/runs", start)
	if out.status != http.StatusConflict || !strings.Contains(string(out.body), ask.Acknowledge[0]) {
		t.Fatalf("status %d: %s", out.status, out.body)
	}
	start.Acknowledge = []string{"settle:another"}
	if out := a.ask(store.Operator, "POST", "/runs", start); out.status != http.StatusConflict {
		t.Errorf("another name: status %d", out.status)
	}
	start.Acknowledge = ask.Acknowledge
	id := read[apiStarted](a, a.ask(store.Operator, "POST", "/runs", start), http.StatusCreated).ID
	rec := read[procedure.Record](a, a.ask(store.Viewer, "GET", "/runs/"+id, nil), http.StatusOK)
	if len(rec.Acknowledged) == 0 || rec.Acknowledged[0].Name() != ask.Acknowledge[0] {
		t.Errorf("kept with the run: %+v", rec.Acknowledged)
	}
}
