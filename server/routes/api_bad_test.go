package routes

import (
	"bytes"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// everything is all that a request could change, as the API tells it.
func (a *apiRig) everything() string {
	a.t.Helper()
	var all bytes.Buffer
	for _, address := range []string{"/devices", "/devices/load/revisions", "/devices/load/pinmaps", "/procedures", "/runs", "/benches", "/units", "/overview"} {
		all.Write(a.ask(store.Viewer, "GET", address, nil).body)
	}
	return all.String()
}

// edited is the JSON of v with one text in place of another, for what a Go
// value cannot say.
func edited(t *testing.T, v any, pairs ...string) string {
	t.Helper()
	text, err := json.Marshal(v)
	must(t, err)
	out := string(text)
	for i := 0; i+1 < len(pairs); i += 2 {
		if !strings.Contains(out, pairs[i]) {
			t.Fatalf("%s has no %s", out, pairs[i])
		}
		out = strings.Replace(out, pairs[i], pairs[i+1], 1)
	}
	return out
}

// bad is one request that must be refused.
type bad struct {
	name, method, address string
	body                  any
	status                int
	field                 string // at fault; "" for none
	role                  store.Role
	headers               []string
}

// refused sends each request and checks that it is refused as it says, that
// nothing has changed and that nothing was logged as a fault of the server.
func (a *apiRig) refused(t *testing.T, list []bad) {
	before := a.everything()
	for _, tc := range list {
		if tc.role == store.Nobody {
			tc.role = store.Owner
		}
		t.Run(tc.name+" "+tc.method+" "+tc.address, func(t *testing.T) {
			out := a.ask(tc.role, tc.method, tc.address, tc.body, tc.headers...)
			if out.status != tc.status {
				t.Fatalf("status %d, want %d: %s", out.status, tc.status, out.body)
			}
			has := slices.ContainsFunc(out.problem.Fields, func(p dut.Problem) bool { return p.Field == tc.field && p.Message != "" })
			if (tc.field != "") != has || tc.field == "" && len(out.problem.Fields) > 0 {
				t.Errorf("fields %v, want %q", out.problem.Fields, tc.field)
			}
		})
	}
	if after := a.everything(); after != before {
		t.Errorf("something changed:\n%s\n%s", before, after)
	}
	if a.log.Len() > 0 {
		t.Errorf("logged: %s", a.log)
	}
}

func TestBadDocuments(t *testing.T) {
	a := newAPI(t)
	d, m, p := loadDevice(), loadPinMap(), loadProcedure()
	const dev, pin, proc = "/devices/load", "/devices/load/pinmaps/rehearsal", "/procedures/check"
	tag := []string{"If-Match", `"1"`}
	put := func(name, address string, body any, status int, field string) bad {
		return bad{name: name, method: "PUT", address: address, body: body, status: status, field: field, headers: tag}
	}
	long := strings.Repeat("x", 5000)
	list := []bad{
		put("not a number", dev, edited(t, d, `"maxV":10`, `"maxV":NaN`), 400, ""),
		put("too large", dev, edited(t, d, `"maxV":10`, `"maxV":1e400`), 422, "pins[0].maxV"),
		put("with a unit", dev, edited(t, d, `"maxV":10`, `"maxV":"10 V"`), 422, "pins[0].maxV"),
		put("beyond the bench", dev, edited(t, d, `"maxV":10`, `"maxV":1000`), 422, "pins[0].maxV"),
		put("unknown field", dev, edited(t, d, `"maxV":10`, `"maxV":10,"colour":1`), 422, "pins[0].colour"),
		put("missing field", dev, edited(t, d, `"maxV":10,`, ``), 422, "pins[0].maxV"),
		put("unknown word", dev, edited(t, d, `"analog"`, `"magic"`), 422, "pins[0].function"),
		put("wrong pin", dev, edited(t, d, `"number":4`, `"number":5`), 422, "pins[3].number"),
		put("empty name", dev, edited(t, d, `"Known load"`, `""`), 422, "name"),
		put("too long", dev, edited(t, d, `"Known load"`, `"`+long+`"`), 422, "name"),
		put("empty body", dev, "", 400, ""),
		put("null", dev, "null", 422, "body"),
		put("broken", dev, `{"key":"load"`, 400, ""),
		put("twice", dev, edited(t, d, `"key":"load"`, `"key":"load","key":"load"`), 400, "key"),
		put("huge", dev, `{"key":"`+strings.Repeat("x", maxBody)+`"}`, 413, ""),
		put("other key", "/devices/other", d, 422, "key"),
		put("unsafe key", "/devices/A%20B", edited(t, d, `"key":"load"`, `"key":"A B"`), 422, "key"),
		put("wrong pin", pin, edited(t, m, `"4":4`, `"5":4`), 422, "contacts[5]"),
		put("no pin", pin, edited(t, m, `"4":4`, `"x":4`), 422, "contacts[x]"),
		put("wrong contact", pin, edited(t, m, `"4":4`, `"4":49`), 422, "contacts[4]"),
		put("contact twice", pin, edited(t, m, `"4":4`, `"4":3`), 422, "contacts[4]"),
		put("part of a contact", pin, edited(t, m, `"4":4`, `"4":4.5`), 422, "contacts[4]"),
		put("other bench", pin, edited(t, m, `"bench":"rehearsal"`, `"bench":"other"`), 422, "bench"),
		put("no such device", "/devices/none/pinmaps/rehearsal", m, 404, ""),
		put("no such bench", "/devices/load/pinmaps/none", m, 404, ""),
		put("unknown kind", proc, edited(t, p, `"kind":"watch"`, `"kind":"stare"`), 422, "measurements[1].kind"),
		put("wrong pin", proc, edited(t, p, `"pins":[1]`, `"pins":[9]`), 422, "measurements[0].pins[0]"),
		put("too much", proc, edited(t, p, `"level":0.001`, `"level":5`), 422, "measurements[0].level"),
		put("too large", proc, edited(t, p, `"level":0.001`, `"level":1e400`), 422, "measurements[0].level"),
		put("below zero", proc, edited(t, p, `"time":0.001`, `"time":-1`), 422, "measurements[0].settle.time"),
		put("limits reversed", proc, edited(t, p, `"low":900`, `"low":1200`), 422, "measurements[0].limits.resistance.low"),
		put("wrong limit", proc, edited(t, p, `"low":900`, `"low":"900 Ω"`), 422, "measurements[0].limits.resistance.low"),
		put("no such device", proc, edited(t, p, `"device":"load"`, `"device":"none"`), 422, "device"),
		put("stale", dev, d, 412, ""),
	}
	list[len(list)-1].headers = []string{"If-Match", `"7"`}
	for _, address := range []string{dev, pin, proc} {
		list = append(list,
			bad{name: "without its tag", method: "PUT", address: address, body: map[string]any{dev: d, pin: m, proc: p}[address], status: 428},
			bad{name: "bad tag", method: "PUT", address: address, body: map[string]any{dev: d, pin: m, proc: p}[address], status: 400, headers: []string{"If-Match", `W/"1"`}},
			bad{name: "no media type", method: "PUT", address: address, body: "{}", status: 415, headers: []string{"Content-Type", "text/plain"}},
			bad{name: "bad revision", method: "GET", address: address + "?rev=x", status: 422, field: "rev"},
			bad{name: "revision 0", method: "GET", address: address + "?rev=0", status: 422, field: "rev"},
			bad{name: "no such revision", method: "GET", address: address + "?rev=9", status: 404},
			bad{name: "unknown parameter", method: "GET", address: address + "?colour=1", status: 422, field: "colour"})
	}
	list = append(list,
		bad{name: "in use", method: "DELETE", address: dev, status: 409},
		bad{name: "tag of nothing", method: "PUT", address: "/devices/new", body: edited(t, d, `"key":"load"`, `"key":"new"`), status: 412, headers: tag},
	)
	for _, address := range []string{"/devices/none", "/devices/none/revisions", "/devices/none/pinmaps", "/devices/load/pinmaps/none",
		"/procedures/none", "/procedures/none/revisions", "/benches/none", "/benches/none/definition", "/nothing"} {
		list = append(list, bad{name: "unknown", method: "GET", address: address, status: 404})
	}
	for _, address := range []string{"/devices/none", "/devices/load/pinmaps/none", "/procedures/none"} {
		list = append(list, bad{name: "unknown", method: "DELETE", address: address, status: 404})
	}
	list = append(list, bad{name: "method", method: "POST", address: "/devices", body: "{}", status: 405})
	a.refused(t, list)
}

// TestCheck: of a procedure that is valid in itself but cannot be connected on
// this bench it is said before anything is energised, naming its pins.
func TestCheck(t *testing.T) {
	a := newAPI(t)
	m := loadPinMap()
	m.Straps = []bench.Strap{{Contact: 1, Kind: bench.StrapReturn}}
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/load/pinmaps/rehearsal", m, "If-Match", `"1"`), http.StatusOK)
	out := read[apiCheck](a, a.ask(store.Viewer, "GET", "/procedures/check/check", nil), http.StatusOK)
	if out.Startable || len(out.Findings) == 0 || out.Findings[0].Code != procedure.CodeNoPath || !strings.Contains(out.Findings[0].Message, "pin 1") {
		t.Errorf("%+v", out.Findings)
	}
	if out := a.ask(store.Owner, "DELETE", "/devices/load/pinmaps/rehearsal", nil); out.status != http.StatusNoContent {
		t.Errorf("%s", out.body)
	}
	out = read[apiCheck](a, a.ask(store.Viewer, "GET", "/procedures/check/check", nil), http.StatusOK)
	if out.Startable || len(out.Findings) == 0 || out.Findings[0].Code != procedure.CodePinMap {
		t.Errorf("without a pin map: %+v", out.Findings)
	}
}

func TestBadSeating(t *testing.T) {
	a := newAPI(t)
	a.runOnce(nil)
	const seating = "/benches/rehearsal/seating"
	put := func(name string, body any, field string) bad {
		return bad{name: name, method: "PUT", address: seating, body: body, status: 422, field: field}
	}
	const load = `{"model":"check-load",`
	list := []bad{
		put("nothing", "{}", "model"),
		put("model", `{"model":"warp core"}`, "model"),
		put("device", `{"device":"none"}`, "device"),
		put("serial", `{"device":"load","serial":"`+strings.Repeat("x", 65)+`"}`, "serial"),
		put("lines", `{"device":"load","serial":"a\nb"}`, "serial"),
		put("seed", load+`"seed":-1}`, "seed"),
		put("seed too large", load+`"seed":18446744073709551616}`, "seed"),
		put("option", load+`"options":{"colour":1}}`, "options.colour"),
		put("option's value", load+`"options":{"ohms":"1k"}}`, "options.ohms"),
		put("option too large", load+`"options":{"ohms":1e400}}`, "options.ohms"),
		put("fault", load+`"unitFaults":[{"kind":"sad","pin":1}]}`, "unitFaults[0].kind"),
		put("fault's pin", load+`"unitFaults":[{"kind":"open-bond","pin":5}]}`, "unitFaults[0].pin"),
		put("same pins", load+`"unitFaults":[{"kind":"swapped-contacts","pin":1,"pin2":1}]}`, "unitFaults[0].pin2"),
		put("fault's value", load+`"unitFaults":[{"kind":"leaky-pin","pin":1,"value":-1}]}`, "unitFaults[0].value"),
		put("bench fault", load+`"benchFaults":[{"kind":"sad"}]}`, "benchFaults[0].kind"),
		put("mux", load+`"benchFaults":[{"kind":"enable-floating","mux":"none"}]}`, "benchFaults[0].mux"),
		put("path", load+`"benchFaults":[{"kind":"path-stuck-open","path":9999}]}`, "benchFaults[0].path"),
		put("path's number", load+`"benchFaults":[{"kind":"path-stuck-open","path":70000}]}`, "benchFaults[0].path"),
		put("channel", load+`"benchFaults":[{"kind":"gain-drift","channel":9,"value":0.1}]}`, "benchFaults[0].channel"),
		put("drift", load+`"benchFaults":[{"kind":"gain-drift","channel":1,"value":2}]}`, "benchFaults[0].value"),
		put("contact", load+`"benchFaults":[{"kind":"contact-resistance","contact":49,"value":1}]}`, "benchFaults[0].contact"),
		put("same contacts", load+`"benchFaults":[{"kind":"swapped-contacts","contact":1,"contact2":1}]}`, "benchFaults[0].contact2"),
		put("contact of a pin", load+`"pinMap":{"device":"","bench":"","contacts":{"1":1,"2":2,"3":3,"4":99}}}`, "pinMap.contacts[4]"),
		put("no contact", load+`"pinMap":{"device":"","bench":"","contacts":{"1":1,"2":2,"3":3}}}`, "pinMap.contacts[4]"),
		put("strap", load+`"pinMap":{"device":"","bench":"","contacts":{"1":1,"2":2,"3":3,"4":4},"straps":[{"contact":1,"kind":"channel","channel":9}]}}`, "pinMap.straps[0].channel"),
		{name: "other bench", method: "PUT", address: "/benches/none/seating", body: `{"device":"load"}`, status: 404},
		{name: "other bench", method: "POST", address: "/benches/none/safe", status: 404},
		{name: "other bench", method: "PUT", address: "/benches/none/control", status: 404},
		{name: "other bench", method: "DELETE", address: "/benches/none/control", status: 404},
	}
	a.refused(t, list)
}

func TestBadRuns(t *testing.T) {
	a := newAPI(t)
	id := a.runOnce(nil)
	const none = "/runs/00000000-0000-7000-8000-000000000000"
	long := strings.Repeat("x", 4001)
	post := func(name string, body any, status int, field string) bad {
		return bad{name: name, method: "POST", address: "/runs", body: body, status: status, field: field}
	}
	const both = `{"device":"load","procedure":"check"`
	list := []bad{
		post("no device", `{"procedure":"check"}`, 422, "device"),
		post("empty device", `{"device":"","procedure":"check"}`, 422, "device"),
		post("unknown device", `{"device":"none","procedure":"check"}`, 422, "device"),
		post("unknown procedure", `{"device":"load","procedure":"none"}`, 422, "procedure"),
		post("long serial", both+`,"serial":"`+long+`"}`, 422, "serial"),
		post("serial of two lines", both+`,"serial":"a\nb"}`, 422, "serial"),
		post("long note", both+`,"note":"`+long+`"}`, 422, "note"),
		post("number for serial", both+`,"serial":1}`, 422, "serial"),
		post("unknown field", both+`,"speed":1}`, 422, "speed"),
		post("broken", both, 400, ""),
		post("empty", "", 400, ""),
		{name: "stop what has ended", method: "POST", address: "/runs/" + id + "/stop", status: 409},
		{name: "stop again", method: "POST", address: "/runs/" + id + "/stop", status: 409},
		{name: "long note", method: "PATCH", address: "/runs/" + id, body: `{"note":"` + long + `"}`, status: 422, field: "note"},
		{name: "no note", method: "PATCH", address: "/runs/" + id, body: `{}`, status: 422, field: "note"},
		{name: "more than a note", method: "PATCH", address: "/runs/" + id, body: `{"note":"","outcome":"pass"}`, status: 422, field: "outcome"},
		{name: "measurement", method: "GET", address: "/runs/" + id + "/readings?measurement=2", status: 422, field: "measurement"},
		{name: "measurement", method: "GET", address: "/runs/" + id + "/readings?measurement=-1", status: 422, field: "measurement"},
		{name: "measurement", method: "GET", address: "/runs/" + id + "/readings?measurement=two", status: 422, field: "measurement"},
		{name: "measurement", method: "GET", address: "/runs/" + id + "/readings.csv?measurement=2", status: 422, field: "measurement"},
		{name: "limit", method: "GET", address: "/runs/" + id + "/readings?limit=10001", status: 422, field: "limit"},
		{name: "limit", method: "GET", address: "/runs/" + id + "/readings?limit=0", status: 422, field: "limit"},
		{name: "from", method: "GET", address: "/runs/" + id + "/readings?from=-1", status: 422, field: "from"},
		{name: "from", method: "GET", address: "/runs/" + id + "/readings?from=1e400", status: 422, field: "from"},
		{name: "twice", method: "GET", address: "/runs/" + id + "/readings?from=1&from=2", status: 422, field: "from"},
		{name: "query", method: "GET", address: "/runs/" + id + "/readings?from=%zz", status: 400},
		{name: "share too short", method: "POST", address: "/runs/" + id + "/shares", body: `{"expires":-1}`, status: 422, field: "expires"},
		{name: "share too long", method: "POST", address: "/runs/" + id + "/shares", body: `{"expires":1e300}`, status: 422, field: "expires"},
		{name: "share with a unit", method: "POST", address: "/runs/" + id + "/shares", body: `{"expires":"1 d"}`, status: 422, field: "expires"},
		{name: "measurement", method: "GET", address: "/runs/" + id + "/plot?measurement=2", status: 422, field: "measurement"},
		{name: "unknown share", method: "DELETE", address: "/runs/" + id + "/shares/99", status: 404},
		{name: "no number", method: "DELETE", address: "/runs/" + id + "/shares/x", status: 404},
	}
	for _, what := range []string{"", "/progress", "/plot", "/results", "/readings", "/results.csv", "/readings.csv", "/budgets", "/budgets.csv", "/shares"} {
		list = append(list, bad{name: "unknown", method: "GET", address: none + what, status: 404})
	}
	for _, what := range []string{"/stop", "/rerun", "/shares"} {
		list = append(list, bad{name: "unknown", method: "POST", address: none + what, body: "{}", status: 404})
	}
	list = append(list, bad{name: "unknown", method: "DELETE", address: none, status: 404},
		bad{name: "unknown", method: "PATCH", address: none, body: `{"note":""}`, status: 404})
	a.refused(t, list)
}

func TestBadManual(t *testing.T) {
	a := newAPI(t)
	m := apiManualRequest{Device: "load", Measurement: loadProcedure().Measurements[1]}
	post := func(name string, body any, status int, field string) bad {
		return bad{name: name, method: "POST", address: "/manual", body: body, status: status, field: field}
	}
	a.refused(t, []bad{
		post("device", edited(t, m, `"load"`, `"none"`), 422, "device"),
		post("pin", edited(t, m, `"pins":[1]`, `"pins":[9]`), 422, "measurement.pins[0]"),
		post("kind", edited(t, m, `"kind":"watch"`, `"kind":"stare"`), 422, "measurement.kind"),
		post("too much", edited(t, m, `"level":1`, `"level":50`), 422, "measurement.level"),
		post("with a unit", edited(t, m, `"level":1`, `"level":"1 V"`), 422, "measurement.level"),
		post("unknown field", edited(t, m, `"level":1`, `"levle":1`), 422, "measurement.levle"),
		post("empty", "", 400, ""),
		{name: "nothing yet", method: "GET", address: "/manual", status: 404},
		{name: "nothing yet", method: "GET", address: "/manual/readings", status: 404},
		{name: "nothing yet", method: "POST", address: "/manual/stop", status: 404},
		{name: "nothing yet", method: "POST", address: "/manual/keep", body: `{"serial":"S1"}`, status: 409},
		{name: "no unit", method: "POST", address: "/manual/keep", body: `{}`, status: 422, field: "serial"},
	})
	a.hang(nil)
	a.refused(t, []bad{post("while a run is at work", m, 409, "")})
}

func TestBadFilters(t *testing.T) {
	a := newAPI(t)
	var list []bad
	for _, address := range []string{"/runs", "/runs.csv", "/results/wide.csv"} {
		for _, q := range []struct{ query, field string }{
			{"outcome=great", "outcome"}, {"status=asleep", "status"}, {"from=yesterday", "from"}, {"to=2030-02-30", "to"},
			{"from=2030-01-02&to=2030-01-01", "to"}, {"from=0001-01-01", "from"}, {"to=9999-12-31", "to"},
			{"q=" + strings.Repeat("x", 201), "q"}, {"lot=" + strings.Repeat("x", 65), "lot"}, {"device=" + strings.Repeat("x", 65), "device"},
			{"lott=L1", "lott"}, {"lot=a&lot=b", "lot"}, {"q=%00", "q"},
		} {
			list = append(list, bad{name: "filter", method: "GET", address: address + "?" + q.query, status: 422, field: q.field})
		}
	}
	for query, field := range map[string]string{"limit=0": "limit", "limit=501": "limit", "limit=x": "limit", "limit=1.5": "limit",
		"cursor=x": "cursor", "cursor=1.2.3": "cursor", "cursor=../..": "cursor"} {
		list = append(list, bad{name: "page", method: "GET", address: "/runs?" + query, status: 422, field: field})
	}
	a.refused(t, list)
}

// TestBadWhileRunning: what must not happen to a run at work, and that of two
// who start at once one is refused.
func TestBadWhileRunning(t *testing.T) {
	a := newAPI(t)
	done := a.runOnce(nil)
	id := a.hang(nil)
	const both = `{"device":"load","procedure":"check"}`
	a.refused(t, []bad{
		{name: "start", method: "POST", address: "/runs", body: both, status: 409},
		{name: "start and seat", method: "POST", address: "/runs", body: `{"device":"load","procedure":"check","seat":true}`, status: 409},
		{name: "rerun", method: "POST", address: "/runs/" + done + "/rerun", status: 409},
		{name: "seat", method: "PUT", address: "/benches/rehearsal/seating", body: `{"device":"load"}`, status: 409},
		{name: "delete", method: "DELETE", address: "/runs/" + id, status: 409},
		{name: "stop another", method: "POST", address: "/runs/" + done + "/stop", status: 409},
	})
	a.clock.open()
	a.wait()
	if rec := get[procedure.Record](a, "/runs/"+id); rec.Status != procedure.Done {
		t.Errorf("the run is %s", rec.Status)
	}
}

func TestTwoStartAtOnce(t *testing.T) {
	a := newAPI(t)
	a.clock.shut()
	codes := make([]int, 8)
	var wg sync.WaitGroup
	for i := range codes {
		wg.Go(func() {
			codes[i] = a.ask(store.Operator, "POST", "/runs", `{"device":"load","procedure":"check"}`).status
		})
	}
	wg.Wait()
	slices.Sort(codes)
	if want := []int{201, 409, 409, 409, 409, 409, 409, 409}; !slices.Equal(codes, want) {
		t.Errorf("status %v, want %v", codes, want)
	}
	a.clock.open()
	a.wait()
	if page := get[apiHistory](a, "/runs"); page.Total != 1 || page.Items[0].Status != procedure.Done {
		t.Errorf("runs %+v", page)
	}
}
