package routes

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// cardBench is a bench of one's own: one card with two channels, eight contacts.
func cardBench() bench.Definition {
	d := rehearsal.DefaultBench()
	d.Key, d.Name, d.Contacts = "desk", "On the desk", 8
	d.Channels = d.Channels[:2]
	var paths []bench.Path
	for _, p := range d.Paths {
		if p.Contact <= d.Contacts && p.Channel <= 2 {
			p.Address = fmt.Sprintf("%d!%d", p.Channel, p.Contact)
			paths = append(paths, p)
		}
	}
	d.Paths = paths
	d.Connections = []bench.Connection{{Name: "cards", Cards: []int{1}, Address: "tcp://card.example:5025", Timeout: 1, Watchdog: 2}}
	return d
}

// describeBench walks what can be done with the definitions of benches.
func (a *apiRig) describeBench() {
	t := a.t
	def := cardBench()
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/desk/definition", def), 201)
	if out := a.ask(store.Operator, "PUT", "/benches/desk/definition", def); out.status != http.StatusPreconditionRequired {
		t.Errorf("a second bench of that key: %d", out.status)
	}
	def.Channels[0].SourceR = 2
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/desk/definition", def, "If-Match", `"1"`), 200)
	if out := a.ask(store.Operator, "PUT", "/benches/desk/definition", def, "If-Match", `"1"`); out.status != http.StatusPreconditionFailed {
		t.Errorf("from an old revision: %d", out.status)
	}
	out := a.ask(store.Viewer, "GET", "/benches/desk/definition", nil)
	if got := read[bench.Definition](a, out, 200); got.Channels[0].SourceR != 2 || out.header.Get("ETag") != `"2"` {
		t.Errorf("kept %+v, tag %s", got.Channels[0], out.header.Get("ETag"))
	}
	if got := get[bench.Definition](a, "/benches/desk/definition?rev=1"); got.Channels[0].SourceR != 0.5 {
		t.Errorf("the first revision has %g Ω", got.Channels[0].SourceR)
	}
	if list := get[apiList[store.Revision]](a, "/benches/desk/revisions").Items; len(list) != 2 {
		t.Errorf("%d revisions", len(list))
	}
	changes := get[apiList[dut.Change]](a, "/benches/desk/changes?from=1").Items
	if len(changes) != 1 || changes[0] != (dut.Change{Field: "channels[0].sourceR", What: "channel 1A: source resistance", Before: "500 mΩ", After: "2 Ω"}) {
		t.Errorf("changes %+v", changes)
	}
	if list := get[apiList[dut.Problem]](a, "/benches/desk/warnings").Items; len(list) != 0 {
		t.Errorf("warnings %+v", list)
	}
	list := get[apiList[apiBench]](a, "/benches").Items
	if len(list) != 2 || list[0].Key != "desk" || list[0].InUse || list[0].State != "" || !list[1].InUse || list[1].State != bench.Safe {
		t.Errorf("benches %+v", list)
	}
	if b := read[apiBench](a, a.ask(store.Owner, "POST", "/benches/rehearsal/use", nil), 200); !b.InUse {
		t.Errorf("used %+v", b)
	}
	if out := a.ask(store.Owner, "DELETE", "/benches/desk", nil); out.status != http.StatusNoContent {
		t.Errorf("deleting: %d %s", out.status, out.body)
	}
}

// otherPlace is a bench with cards on a link of its own.
func otherPlace(t *testing.T, a *apiRig, def bench.Definition) *lab.Bench {
	t.Helper()
	link, err := rehearsal.New(rehearsal.Config{Definition: rehearsal.DefaultBench(), Clock: a.clock, Seed: 2})
	must(t, err)
	station := run.NewStation(t.Context(), run.Config{Link: link, Clock: a.clock, Recorder: a.store})
	t.Cleanup(func() { must(t, station.Close(context.Background())) })
	return &lab.Bench{Definition: def, Station: station, Cards: newFakeCards()}
}

// Another bench is put in use: what the API says is of that one, control of the
// old one is gone, and nobody does it under a run.
func TestUseBench(t *testing.T) {
	a := newAPI(t)
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/desk/definition", cardBench()), 201)
	asked := ""
	a.use = func(_ context.Context, key string) (*lab.Bench, error) {
		asked = key
		return otherPlace(t, a, cardBench()), nil
	}
	use := func(role store.Role) int { return a.ask(role, "POST", "/benches/desk/use", nil).status }
	if got := use(store.Viewer); got != http.StatusForbidden {
		t.Errorf("a viewer: %d", got)
	}
	if got := use(store.Operator); got != http.StatusConflict {
		t.Errorf("an operator without control: %d", got)
	}
	a.hang(nil)
	if got := use(store.Owner); got != http.StatusConflict || asked != "" {
		t.Errorf("under a run: %d, asked %q", got, asked)
	}
	a.clock.open()
	a.wait()
	read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/control", nil), 200)
	if got := use(store.Operator); got != 200 || asked != "desk" {
		t.Fatalf("an operator with control: %d, asked %q", got, asked)
	}
	b := get[apiBench](a, "/benches/desk")
	if !b.InUse || b.Newer || b.Holder != "" || len(b.Connections) != 1 || b.Connections[0].Condition != cardinfo.Ready {
		t.Errorf("in use: %+v", b)
	}
	if b := get[apiBench](a, "/benches/rehearsal"); b.InUse || b.State != "" || b.Holder != "" {
		t.Errorf("left: %+v", b)
	}
	if out := a.ask(store.Operator, "PUT", "/benches/rehearsal/control", nil); out.status != http.StatusConflict {
		t.Errorf("control of a bench that is not in use: %d", out.status)
	}
	if out := a.ask(store.Owner, "DELETE", "/benches/desk", nil); out.status != http.StatusConflict {
		t.Errorf("deleting the bench in use: %d", out.status)
	}
	page := a.askPage(store.Viewer, "GET", "/benches", nil).Body.String()
	if !strings.Contains(page, "tcp://card.example:5025") || !strings.Contains(page, "ready") || strings.Contains(page, "use-rehearsal") {
		t.Error("the list does not say how the connection stands, or offers a viewer what is not theirs")
	}
}

// A bench whose state is unknown may still be energised: it is left by an owner
// alone, who says that its power is off, and that is in the log.
func TestUseBenchUnknown(t *testing.T) {
	a := newAPI(t)
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/desk/definition", cardBench()), 201)
	used := 0
	a.use = func(context.Context, string) (*lab.Bench, error) {
		used++
		return otherPlace(t, a, cardBench()), nil
	}
	read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/control", nil), 200)
	if page := a.askPage(store.Owner, "GET", "/benches", nil).Body.String(); strings.Contains(page, "powerOff") {
		t.Error("the power is asked about while the bench is safe")
	}
	a.server.Lab.InUse().Station.Lost("the line is silent")
	const unknown = "The state of this bench is unknown. Check it and make it safe first, or confirm that its power is off."
	for _, c := range []struct {
		role  store.Role
		query string
	}{{store.Operator, ""}, {store.Operator, "?powerOff=true"}, {store.Owner, ""}, {store.Owner, "?powerOff=false"}} {
		if out := a.ask(c.role, "POST", "/benches/desk/use"+c.query, nil); out.status != http.StatusConflict || out.problem.Detail != unknown {
			t.Errorf("%s%s: %s", c.role, c.query, out.body)
		}
	}
	if w := a.askPage(store.Owner, "POST", "/benches/desk/use", url.Values{}); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), unknown) {
		t.Errorf("by the page: %d", w.Code)
	}
	read[apiBench](a, a.ask(store.Operator, "DELETE", "/benches/rehearsal/control", nil), 200)
	b := a.signIn(t, store.Operator)
	b.post("/bench/control", url.Values{"do": {"take"}}, http.StatusSeeOther)
	if page := b.get("/benches"); strings.Contains(page, "powerOff") || !strings.Contains(page, unknown) {
		t.Error("an operator's page offers what is an owner's, or does not say why not")
	}
	for _, path := range []string{"/benches", "/benches/desk"} {
		if page := a.askPage(store.Owner, "GET", path, nil).Body.String(); !strings.Contains(page, `id="power-off-desk"`) {
			t.Errorf("%s does not ask the owner about the power", path)
		}
	}
	if used != 0 {
		t.Fatalf("used %d times", used)
	}
	if w := a.askPage(store.Owner, "POST", "/benches/desk/use", url.Values{"powerOff": {"true"}}); w.Code != http.StatusSeeOther || used != 1 {
		t.Errorf("confirmed: %d, used %d times", w.Code, used)
	}
	events, err := a.store.Events(t.Context(), "rehearsal", 0, 10)
	must(t, err)
	if !slices.ContainsFunc(events, func(e store.Event) bool { return e.By == "owner" && strings.Contains(e.Detail, "its power is off") }) {
		t.Errorf("not in the log: %+v", events)
	}
	a.server.Lab.InUse().Station.Lost("the line is silent")
	if out := a.ask(store.Owner, "POST", "/benches/desk/use?powerOff=true", nil); out.status != http.StatusOK || used != 2 {
		t.Errorf("by the API: %s", out.body)
	}
}

// Where a bench cannot be put in use, what stepped in is used, and what went
// wrong is said.
func TestUseBenchFails(t *testing.T) {
	a := newAPI(t)
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/desk/definition", cardBench()), 201)
	stand := otherPlace(t, a, rehearsal.DefaultBench())
	a.use = func(context.Context, string) (*lab.Bench, error) { return stand, errors.New("the port is taken") }
	if w := a.askPage(store.Owner, "POST", "/benches/desk/use", url.Values{}); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "the port is taken") {
		t.Errorf("%d: %.300s", w.Code, w.Body)
	}
	if b := get[apiBench](a, "/benches/rehearsal"); !b.InUse || len(b.Connections) != 1 {
		t.Errorf("what stepped in is not in use: %+v", b)
	}
	def := cardBench()
	def.Key, def.Connections = "bare", nil
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/bare/definition", def), 201)
	for _, key := range []string{"bare", "none"} {
		if w := a.askPage(store.Owner, "POST", "/benches/"+key+"/use", url.Values{}); w.Code < 400 || w.Code >= 500 {
			t.Errorf("using %s: %d", key, w.Code)
		}
	}
}

// The rehearsal bench is read-only; a copy of it is one's own, with addresses
// that cards understand.
func TestRehearsalBenchIsCopied(t *testing.T) {
	a := newAPI(t)
	def := rehearsal.DefaultBench()
	def.Contacts = 40
	if out := a.ask(store.Owner, "PUT", "/benches/rehearsal/definition", def, "If-Match", `"1"`); out.status != http.StatusUnprocessableEntity {
		t.Errorf("editing it: %d", out.status)
	}
	if out := a.ask(store.Owner, "DELETE", "/benches/rehearsal", nil); out.status != http.StatusConflict {
		t.Errorf("deleting it: %d", out.status)
	}
	w := a.askPage(store.Operator, "POST", "/benches/rehearsal/copy", url.Values{"name": {"On the desk"}, "address": {"tcp://192.0.2.7:5025"}})
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/benches/on-the-desk/edit" {
		t.Fatalf("copying: %d to %s: %.300s", w.Code, w.Header().Get("Location"), w.Body)
	}
	got := get[bench.Definition](a, "/benches/on-the-desk/definition")
	if len(got.Paths) != 240 || got.Paths[48].Address != "2!1" || got.Paths[239].Address != "0!48" || got.Connections[0].Address != "tcp://192.0.2.7:5025" || len(got.Connections[0].Cards) != 2 {
		t.Errorf("the copy has %+v, %+v", got.Connections, got.Paths[239])
	}
	for name, f := range map[string]url.Values{"no name": {"name": {" "}}, "no address": {"name": {"x"}, "address": {"somewhere"}}} {
		if w := a.askPage(store.Operator, "POST", "/benches/rehearsal/copy", f); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, w.Code)
		}
	}
}

// An exported bench comes back the same, byte for byte, and a document that is
// wrong is told field by field.
func TestBenchExportImport(t *testing.T) {
	a := newAPI(t)
	first := a.askPage(store.Viewer, "GET", "/benches/rehearsal.json", nil).Body.Bytes()
	document := bytes.Replace(first, []byte(`"key": "rehearsal"`), []byte(`"key": "copy"`), 1)
	w := a.askPage(store.Operator, "POST", "/benches/import", url.Values{"document": {string(document)}})
	if w.Code != 200 || !strings.Contains(w.Body.String(), "It is new here") || !strings.Contains(w.Body.String(), "240 paths") {
		t.Fatalf("%d: %.400s", w.Code, w.Body)
	}
	w = a.askPage(store.Operator, "POST", "/benches/import", url.Values{"document": {string(document)}, "do": {"save"}, "rev": {"0"}})
	if w.Code != http.StatusSeeOther {
		t.Fatalf("saving: %d", w.Code)
	}
	again := a.askPage(store.Viewer, "GET", "/benches/copy.json", nil).Body.Bytes()
	if !bytes.Equal(again, document) {
		t.Error("the document came back with other bytes")
	}
	w = a.askPage(store.Operator, "POST", "/benches/import", url.Values{"document": {string(document)}})
	if !strings.Contains(w.Body.String(), "It is the same as what is stored") {
		t.Error("an unchanged document is not seen as the same")
	}
	changed := strings.Replace(string(document), `"lineHz": 50`, `"lineHz": 60`, 1)
	w = a.askPage(store.Operator, "POST", "/benches/import", url.Values{"document": {changed}, "do": {"save"}, "rev": {"7"}})
	if w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "60 Hz") {
		t.Errorf("over a revision that nobody compared with: %d", w.Code)
	}
}

func TestBenchImportRefused(t *testing.T) {
	a := newAPI(t)
	good, err := cardBench().Document()
	must(t, err)
	for name, c := range map[string]struct {
		from, to string // one replacement in a good document
		said     []string
	}{
		"nothing":         {string(good), "", []string{"The body is empty"}},
		"no JSON":         {"{", "{{", []string{"not valid JSON"}},
		"a newer field":   {`"contacts": 8`, `"contacts": 8, "relays": []`, []string{"relays", "not known to this version"}},
		"inside":          {`"watchdog": 2`, `"watchdog": 2, "tls": true`, []string{"connections[0].tls", "not known to this version"}},
		"a text":          {`"contacts": 8`, `"contacts": "eight"`, []string{"contacts", "must be a whole number"}},
		"too few":         {`"contacts": 8`, `"contacts": 4`, []string{"paths[4].contact", "not on this bench"}},
		"an address":      {"tcp://card.example:5025", "card.example", []string{"connections[0].address", "write tcp://host:port"}},
		"line frequency":  {`"lineHz": 50`, `"lineHz": 55`, []string{"lineHz", "must be 50 or 60"}},
		"a part over one": {`"gain": 0.0005`, `"gain": 5`, []string{"gain", "must be 0 to 1"}},
		"the same twice":  {`"address": "1!2"`, `"address": "1!1"`, []string{"paths[1].address", "is that of 1A to contact 1 too"}},
		"the rehearsal's": {`"key": "desk"`, `"key": "rehearsal"`, []string{"give the bench another one"}},
	} {
		text := strings.Replace(string(good), c.from, c.to, 1)
		w := a.askPage(store.Operator, "POST", "/benches/import", url.Values{"document": {text}})
		if w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, w.Code)
		}
		for _, part := range c.said {
			if !strings.Contains(w.Body.String(), part) {
				t.Errorf("%s: nothing of %q", name, part)
			}
		}
	}
}

// Revisions say in words what changed, and one that is brought back is a new one.
func TestBenchRevisions(t *testing.T) {
	a := newAPI(t)
	def := cardBench()
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/desk/definition", def), 201)
	def.Connections[0].Commands.Safe = "ABOR\n*RST"
	for i := range def.Paths {
		def.Paths[i].Resistance = 6
	}
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/desk/definition", def, "If-Match", `"1"`), 200)
	page := a.askPage(store.Viewer, "GET", "/benches/desk/revisions", nil).Body.String()
	for _, part := range []string{"connection cards: “Make safe”", "ABOR ↵ *RST", "1A to contacts 1 to 8: resistance", "the return to contacts 1 to 8: resistance"} {
		if !strings.Contains(page, part) {
			t.Errorf("nothing of %q", part)
		}
	}
	if w := a.askPage(store.Operator, "POST", "/benches/desk/undo", url.Values{"rev": {"1"}}); w.Code != http.StatusConflict {
		t.Errorf("undoing the first: %d", w.Code)
	}
	if w := a.askPage(store.Operator, "POST", "/benches/desk/undo", url.Values{"rev": {"2"}}); w.Code != http.StatusSeeOther {
		t.Errorf("undo: %d", w.Code)
	}
	got, err := a.store.GetBench(t.Context(), "desk", 0)
	must(t, err)
	want, err := json.Marshal(cardBench())
	must(t, err)
	if have, err := json.Marshal(got.Body); got.Rev != 3 || err != nil || !bytes.Equal(have, want) {
		t.Errorf("revision %d is not the first one", got.Rev)
	}
}
