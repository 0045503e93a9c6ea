package routes

import (
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// TestDemonstrationByAPI enters the demonstration lab's documents through the
// API, as a person's program would, reads them back unchanged, and runs
// procedures that between them have most kinds of measurement. Every answer is
// held against its schema.
func TestDemonstrationByAPI(t *testing.T) {
	a := newAPI(t)
	docs := demo.Scenario()
	for _, d := range docs.Devices {
		a.same(t, "/devices/"+d.Key, d, func() any { return get[apiRevision[dut.Device]](a, "/devices/"+d.Key).Body })
	}
	for _, m := range docs.PinMaps {
		address := "/devices/" + m.Device + "/pinmaps/" + m.Bench
		a.same(t, address, m, func() any { return get[apiRevision[bench.PinMap]](a, address).Body })
	}
	for _, p := range docs.Procedures {
		address := "/procedures/" + p.Key
		a.same(t, address, p, func() any { return get[apiRevision[procedure.Procedure]](a, address).Body })
		get[apiCheck](a, address+"/check")
	}
	for _, key := range []string{"tarnel-6-quick", "dunmoss-8-resistances"} {
		p := get[apiRevision[procedure.Procedure]](a, "/procedures/"+key).Body
		id := read[apiStarted](a, a.ask(store.Operator, "POST", "/runs", map[string]any{
			"device": p.Device, "procedure": key, "serial": "S1", "seat": true}), http.StatusCreated).ID
		a.wait()
		a.readRun(t, id, len(p.Measurements))
	}
	a.csv("/results/wide.csv")
	if a.log.Len() > 0 {
		t.Errorf("logged: %s", a.log)
	}
}

// same puts a document and reads it back.
func (a *apiRig) same(t *testing.T, address string, body any, back func() any) {
	t.Helper()
	read[apiSaved](a, a.ask(store.Operator, "PUT", address, filled(reflect.ValueOf(body)).Interface()), http.StatusCreated)
	want, err := json.Marshal(body)
	must(t, err)
	got, err := json.Marshal(back())
	must(t, err)
	if string(filledText(t, got)) != string(filledText(t, want)) {
		t.Errorf("%s came back as\n%s\nnot\n%s", address, got, want)
	}
}

// readRun reads everything that a run has.
func (a *apiRig) readRun(t *testing.T, id string, measurements int) {
	t.Helper()
	if rec := get[procedure.Record](a, "/runs/"+id); rec.Status != procedure.Done {
		t.Fatalf("run %s: %s, %s", rec.Procedure.Key, rec.Status, rec.Reason)
	}
	if len(get[apiResults](a, "/runs/"+id+"/results").Items) == 0 {
		t.Error("no results")
	}
	for m := range measurements {
		get[apiPlot](a, fmt.Sprintf("/runs/%s/plot?measurement=%d", id, m))
		if r := get[apiReadings](a, fmt.Sprintf("/runs/%s/readings?measurement=%d", id, m)); r.Count == 0 {
			t.Errorf("measurement %d has no readings", m)
		}
	}
	a.csv("/runs/" + id + "/readings.csv")
	a.csv("/runs/" + id + "/results.csv")
}

// filledText drops nulls from JSON, which stand for empty lists here.
func filledText(t *testing.T, text []byte) []byte {
	t.Helper()
	var v any
	must(t, json.Unmarshal(text, &v))
	out, err := json.Marshal(withoutEmpty(v))
	must(t, err)
	return out
}

func withoutEmpty(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for k, e := range v {
			if l, ok := e.([]any); e == nil || ok && len(l) == 0 {
				delete(v, k)
				continue
			}
			v[k] = withoutEmpty(e)
		}
	case []any:
		for i := range v {
			v[i] = withoutEmpty(v[i])
		}
	}
	return v
}
