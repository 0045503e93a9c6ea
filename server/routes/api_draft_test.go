package routes

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"ohmkeep/server/demo"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// A draft is asked for, put under a key of its own, and what is exported can be
// put back as it is.
func TestAPIDraft(t *testing.T) {
	a := newAPI(t)
	docs := demo.Scenario()
	for _, d := range docs.Devices {
		_, err := a.store.SaveDevice(t.Context(), d, 0, "test")
		must(t, err)
	}
	for _, m := range docs.PinMaps {
		_, err := a.store.SavePinMap(t.Context(), m, 0, "test")
		must(t, err)
	}
	draft := get[apiDraft](a, "/devices/tarnel-6/draft")
	if len(draft.Procedure.Measurements) < 3 || len(draft.Reasons) < 3 {
		t.Fatalf("%d measurements, %d reasons", len(draft.Procedure.Measurements), len(draft.Reasons))
	}
	if got := a.ask(store.Viewer, "GET", "/procedures/"+draft.Procedure.Key, nil); got.status != http.StatusNotFound {
		t.Errorf("a draft was stored: status %d", got.status)
	}
	document, err := procedureDocument(&draft.Procedure)
	must(t, err)
	address := "/procedures/" + draft.Procedure.Key
	if got := a.ask(store.Operator, "PUT", address, string(document)); got.status != http.StatusCreated {
		t.Fatalf("the exported document is refused: %s", got.body)
	}
	a.ask(store.Viewer, "GET", "/devices/none/draft", nil)
	future := strings.Replace(string(document), `"format": 1`, `"format": 99`, 1)
	if got := a.ask(store.Operator, "PUT", address, future, "If-Match", `"1"`); got.status != http.StatusUnprocessableEntity ||
		len(got.problem.Fields) != 1 || got.problem.Fields[0].Field != "format" {
		t.Errorf("a document of a newer format gives %d: %s", got.status, got.body)
	}
}

// The schema that is served names every field of the document that is exported.
func TestAPIProcedureSchema(t *testing.T) {
	a := newAPI(t)
	schema := get[map[string]any](a, "/schemas/procedure.json")
	if schema["$id"] != procedure.SchemaID {
		t.Errorf("$id %v", schema["$id"])
	}
	p := loadProcedure()
	text, err := procedureDocument(&p)
	must(t, err)
	var document map[string]any
	must(t, json.Unmarshal(text, &document))
	known, _ := schema["properties"].(map[string]any)
	for name := range document {
		if known[name] == nil {
			t.Errorf("the schema does not know %s", name)
		}
	}
}

// draft asks for what a procedure begins with.
func (a *apiRig) draft() {
	if got := get[apiDraft](a, "/devices/load/draft"); got.Procedure.Device != "load" || len(got.Reasons) == 0 {
		a.t.Errorf("drafted %+v", got)
	}
	get[map[string]any](a, "/schemas/procedure.json")
}
