package routes

import (
	"encoding/csv"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// TestWalkThrough does the whole job through the API. Every answer is held
// against its schema, and at the end every operation of the document must have
// succeeded at least once.
func TestWalkThrough(t *testing.T) {
	a := newAPI(t)
	a.describeAndSeat()
	a.pasteAndMap()
	a.draft()
	id := a.runAndRead()
	a.exports(id)
	a.history(id)
	a.byHand()
	a.cards()
	a.benchCheck()
	a.usesNoCorrections()
	a.describeBench()
	a.share(id)
	a.people()
	a.data()
	a.bundles(id)
	a.finish(id)
	for _, e := range a.table {
		if !a.seen[e.id] {
			t.Errorf("%s: %s %s was never answered", e.id, e.method, e.path)
		}
	}
	if a.log.Len() > 0 {
		t.Errorf("logged: %s", a.log)
	}
}

func (a *apiRig) describeAndSeat() {
	t := a.t
	if h := read[apiHealth](a, a.ask(store.Nobody, "GET", "/health", nil), 200); h.Status != "ok" || h.Version != "test" {
		t.Errorf("health %+v", h)
	}
	d := loadDevice()
	d.Key, d.Name = "load-2", "Another load"
	out := a.ask(store.Operator, "PUT", "/devices/load-2", d)
	if s := read[apiSaved](a, out, 201); s.Rev != 1 || out.header.Get("ETag") != `"1"` {
		t.Errorf("saved %+v, tag %s", s, out.header.Get("ETag"))
	}
	d.Description = "changed"
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/load-2", d, "If-Match", `"1"`), 200)
	if got := get[apiRevision[dut.Device]](a, "/devices/load-2"); got.Rev != 2 || got.Body.Description != "changed" || got.By != "operator" {
		t.Errorf("device %+v", got)
	}
	if got := get[apiRevision[dut.Device]](a, "/devices/load-2?rev=1"); got.Rev != 1 || got.Latest != 2 || got.Body.Description != "" {
		t.Errorf("first revision %+v", got)
	}
	if n := len(get[apiList[apiRevision[dut.Device]]](a, "/devices").Items); n != 2 {
		t.Errorf("%d devices", n)
	}
	if n := len(get[apiList[store.Revision]](a, "/devices/load-2/revisions").Items); n != 2 {
		t.Errorf("%d revisions", n)
	}
	m := loadPinMap()
	m.Device = "load-2"
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/load-2/pinmaps/rehearsal", m), 201)
	if got := get[apiRevision[bench.PinMap]](a, "/devices/load-2/pinmaps/rehearsal"); got.Body.Contacts[4] != 4 {
		t.Errorf("pin map %+v", got)
	}
	if n := len(get[apiList[apiRevision[bench.PinMap]]](a, "/devices/load-2/pinmaps").Items); n != 1 {
		t.Errorf("%d pin maps", n)
	}
	p := loadProcedure()
	p.Key, p.Device = "check-2", "load-2"
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/procedures/check-2", p), 201)
	if got := get[apiRevision[procedure.Procedure]](a, "/procedures/check-2"); len(got.Body.Measurements) != 2 {
		t.Errorf("procedure %+v", got)
	}
	if n := len(get[apiList[apiRevision[procedure.Procedure]]](a, "/procedures?device=load-2").Items); n != 1 {
		t.Errorf("%d procedures of the device", n)
	}
	get[apiList[store.Revision]](a, "/procedures/check-2/revisions")
	// 101 readings, one every 0.1 s, and three for corrections
	if c := get[apiCheck](a, "/procedures/check-2/check"); len(c.Measurements) != 2 || c.Measurements[1].Readings != 104 || c.Total < 10 || c.Total > 11 {
		t.Errorf("check %+v", c)
	}
	if n := len(get[apiList[apiKind]](a, "/kinds").Items); n != len(procedure.Kinds()) {
		t.Errorf("%d kinds", n)
	}
	if got := get[apiModels](a, "/models"); len(got.Models) == 0 || len(got.UnitFaults) == 0 || len(got.BenchFaults) == 0 {
		t.Errorf("models %+v", got)
	}
	if got := get[bench.Definition](a, "/benches/rehearsal/definition"); len(got.Channels) != 4 {
		t.Errorf("%d channels", len(got.Channels))
	}
	read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/control", nil), 200)
	if b := get[apiBench](a, "/benches/rehearsal"); b.Holder != "operator" || b.Mine || b.State != bench.Safe || !b.Rehearsal {
		t.Errorf("bench %+v", b)
	}
	b := read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/seating", map[string]any{
		"device": "load", "serial": "S1", "lot": "L1", "seed": 7, "options": map[string]float64{"ohms": 1000},
		"unitFaults":  []bench.UnitFault{{Kind: "contact-resistance", Pin: 1, Value: 20}},
		"benchFaults": []bench.BenchFault{{Kind: "gain-drift", Channel: 1, Value: 0.001}},
	}), 200)
	if b.Seated == nil || b.Seated.Model != "check-load" || b.Seated.Seed != 7 || len(b.Seated.UnitFaults) != 1 || !b.Mine {
		t.Errorf("seated %+v", b.Seated)
	}
}

// runAndRead looks at a run at work and again when it has ended.
func (a *apiRig) runAndRead() string {
	t := a.t
	id := a.hang(map[string]any{"lot": "L1", "note": "=1+1"})
	if p := get[apiProgress](a, "/runs/"+id+"/progress"); p.Status != procedure.Running {
		t.Errorf("progress %+v", p)
	}
	for _, what := range []string{"", "/results", "/readings", "/results.csv", "/readings.csv", "/plot"} {
		if out := a.ask(store.Viewer, "GET", "/runs/"+id+what, nil); out.status != 200 {
			t.Errorf("%s while running: status %d", what, out.status)
		}
	}
	if b := get[apiList[apiBench]](a, "/benches").Items; len(b) != 1 || b[0].Run != id {
		t.Errorf("benches %+v", b)
	}
	a.clock.open()
	a.wait()
	rec := get[procedure.Record](a, "/runs/"+id)
	if rec.Status != procedure.Done || !rec.Rehearsal || rec.Operator != "operator" || rec.Unit.Lot != "L1" || rec.Seated == nil {
		t.Errorf("record %+v", rec)
	}
	p := get[apiProgress](a, "/runs/"+id+"/progress")
	if p.Status != procedure.Done || p.Readings != rec.Readings || p.Elapsed < 10 {
		t.Errorf("progress %+v", p)
	}
	// 1 kΩ and 20 Ω at the contact, by two wires through two paths of 4 Ω ± 5 %,
	// on a channel that reads 0.1 % too high.
	all := get[apiResults](a, "/runs/"+id+"/results")
	results := all.Items
	if !all.Rehearsal {
		t.Error("results are not marked as rehearsed")
	}
	if len(results) == 0 || results[0].Key != "resistance" || math.Abs(float64(results[0].Value)-1028) > 10 {
		t.Fatalf("results %+v", results)
	}
	a.readings(id, rec.Readings)
	plot := get[apiPlot](a, "/runs/"+id+"/plot?measurement=1")
	if len(plot.Series) != 1 || len(plot.Series[0].X) < 2 || plot.X.Unit != "s" || !plot.Rehearsal {
		t.Errorf("plot %+v", plot)
	}
	return id
}

func (a *apiRig) readings(id string, total int64) {
	t := a.t
	var n, from int64
	var last float64 = -1
	for {
		r := get[apiReadings](a, fmt.Sprintf("/runs/%s/readings?measurement=1&limit=40&from=%d", id, from))
		for _, l := range []int{len(r.T), len(r.Set), len(r.V), len(r.I), len(r.Point), len(r.Group), len(r.Pin), len(r.Channel), len(r.Flags)} {
			if l != r.Count {
				t.Fatalf("a column has %d rows, not %d", l, r.Count)
			}
		}
		for i := range r.Count {
			if bench.Flags(r.Flags[i]).Has(bench.Auxiliary) {
				continue // for a correction, beside the stated level
			}
			if r.T[i] <= last || r.Pin[i] != 1 || float64(r.Set[i]) != 1 || math.Abs(float64(r.V[i])-1) > 0.05 {
				t.Fatalf("reading %d: t %g after %g, pin %d, set %g, V %g", from+int64(i), r.T[i], last, r.Pin[i], r.Set[i], r.V[i])
			}
			last = r.T[i]
		}
		if !r.Rehearsal {
			t.Error("readings are not marked as rehearsed")
		}
		n += int64(r.Count)
		if r.Next == nil {
			break
		}
		from = *r.Next
	}
	first := get[apiReadings](a, "/runs/"+id+"/readings?limit=10000")
	if n != 104 || n+int64(first.Count) != total {
		t.Errorf("%d readings of the watch, want 104; %d in all", n, total)
	}
}

// table reads a CSV answer.
func (a *apiRig) csv(address string) [][]string {
	a.t.Helper()
	out := a.ask(store.Viewer, "GET", address, nil)
	if out.status != 200 {
		a.t.Fatalf("%s: %s", address, out.body)
	}
	if d := out.header.Get("Content-Disposition"); !strings.HasPrefix(d, `attachment; filename="`) || !strings.HasSuffix(d, `.csv"`) {
		a.t.Errorf("%s: Content-Disposition %s", address, d)
	}
	rows, err := csv.NewReader(strings.NewReader(string(out.body))).ReadAll()
	must(a.t, err)
	return rows
}

func (a *apiRig) exports(id string) {
	t := a.t
	rec := get[procedure.Record](a, "/runs/"+id)
	if rows := a.csv("/runs/" + id + "/readings.csv"); int64(len(rows)) != rec.Readings+1 || rows[1][len(rows[0])-1] != "yes" {
		t.Errorf("%d rows of readings, want %d", len(rows)-1, rec.Readings)
	}
	if rows := a.csv("/runs/" + id + "/readings.csv?measurement=1"); len(rows) != 105 {
		t.Errorf("%d rows of one measurement", len(rows)-1)
	}
	if rows := a.csv("/runs/" + id + "/results.csv"); len(rows) != 1+len(get[apiResults](a, "/runs/"+id+"/results").Items) {
		t.Errorf("%d rows of results", len(rows)-1)
	}
	if n := len(get[apiBudgets](a, "/runs/"+id+"/budgets").Items); n != len(get[apiResults](a, "/runs/"+id+"/results").Items) {
		t.Errorf("%d budgets", n)
	}
	if rows := a.csv("/runs/" + id + "/budgets.csv"); len(rows) < 2 {
		t.Errorf("%d rows of budgets", len(rows)-1)
	}
	rows := a.csv("/runs.csv?unit=S1")
	note := slices.Index(rows[0], "note")
	if len(rows) != 2 || rows[1][0] != id || note < 0 || rows[1][note] != "'=1+1" {
		t.Errorf("history %q", rows)
	}
	if rows := a.csv("/results/wide.csv?device=load"); len(rows) != 2 || len(rows[0]) < 13 {
		t.Errorf("wide %q", rows)
	}
	if rows := a.csv("/runs.csv?lot=none"); len(rows) != 1 {
		t.Errorf("filtered history %q", rows)
	}
}

func (a *apiRig) history(id string) {
	t := a.t
	again := read[apiStarted](a, a.ask(store.Operator, "POST", "/runs/"+id+"/rerun", nil), 201).ID
	a.wait()
	page := get[apiHistory](a, "/runs?limit=1")
	if page.Total != 2 || len(page.Items) != 1 || page.Items[0].ID != again || page.Next == "" {
		t.Errorf("first page %+v", page)
	}
	page = get[apiHistory](a, "/runs?limit=1&cursor="+page.Next)
	if len(page.Items) != 1 || page.Items[0].ID != id || page.Next != "" {
		t.Errorf("second page %+v", page)
	}
	for filter, want := range map[string]int{
		"device=load": 2, "device=load-2": 0, "procedure=check": 2, "unit=S1": 2, "unit=S2": 0, "lot=L1": 2, "status=done": 2,
		"status=failed": 0, "outcome=invalid": 0, "from=2029-12-30": 2, "to=2029-12-30": 0, "to=2030-01-01T00:00:00Z": 0,
		"from=2029-12-30&to=2030-01-02": 2, "q=known": 2, "q=%25": 0, "from=2030-01-03": 0,
	} {
		if page := get[apiHistory](a, "/runs?"+filter); len(page.Items) != want {
			t.Errorf("%s: %d runs, want %d", filter, len(page.Items), want)
		}
	}
	if units := get[apiList[store.UnitRow]](a, "/units?device=load").Items; len(units) != 1 || units[0].Runs != 2 {
		t.Errorf("units %+v", units)
	}
	if list := get[apiList[store.UnitRow]](a, "/units?limit=1"); len(list.Items) != 1 || list.Next != "" {
		t.Errorf("the last page of units %+v", list)
	}
	if lots := get[apiList[string]](a, "/lots").Items; len(lots) != 1 || lots[0] != "L1" {
		t.Errorf("lots %q", lots)
	}
	if o := get[store.Overview](a, "/overview"); o.Runs != 2 || len(o.Last) != 2 {
		t.Errorf("overview %+v", o)
	}
}

// byHand measures by hand, and keeps it.
func (a *apiRig) byHand() {
	t := a.t
	if out := a.ask(store.Viewer, "GET", "/manual", nil); out.status != 404 {
		t.Errorf("before anything: status %d", out.status)
	}
	m := loadProcedure().Measurements[1]
	m.Duration = 1000
	a.clock.shut()
	started := read[apiStarted](a, a.ask(store.Operator, "POST", "/manual", apiManualRequest{Device: "load", Measurement: m}), 201)
	if out := a.ask(store.Viewer, "GET", "/runs/"+started.ID, nil); out.status != 404 {
		t.Errorf("what is not kept is a run: status %d", out.status)
	}
	<-a.clock.reached
	if out := a.ask(store.Operator, "POST", "/manual/stop", nil); out.status != 204 {
		t.Errorf("stop: %s", out.body)
	}
	a.clock.open()
	a.wait()
	if got := get[apiManual](a, "/manual"); got.Status != procedure.Stopped || got.Device != "load" || !got.Rehearsal {
		t.Errorf("stopped: %+v", got)
	}
	m.Duration = 1
	read[apiStarted](a, a.ask(store.Operator, "POST", "/manual", apiManualRequest{Device: "load", Measurement: m}), 201)
	a.wait()
	got := get[apiManual](a, "/manual")
	if got.Status != procedure.Done || got.Readings != 14 || len(got.Results) == 0 || got.Results[0].Key != "mean" {
		t.Errorf("done: %+v", got)
	}
	r := get[apiReadings](a, "/manual/readings?from=2&limit=5")
	if r.Count != 5 || r.Next == nil || *r.Next != 7 || math.Abs(float64(r.V[0])-1) > 0.05 {
		t.Errorf("readings %+v", r)
	}
	if r := get[apiReadings](a, "/manual/readings?from=7"); r.Count != 7 || r.Next != nil {
		t.Errorf("the rest %+v", r)
	}
	kept := read[apiStarted](a, a.ask(store.Operator, "POST", "/manual/keep", apiKeep{Serial: "S9"}), 201)
	if rec := get[procedure.Record](a, "/runs/"+kept.ID); !rec.Manual || rec.Unit.Serial != "S9" || rec.Readings != 14 {
		t.Errorf("kept %+v", rec)
	}
	if got := get[apiManual](a, "/manual"); got.Kept != kept.ID {
		t.Errorf("kept as %q", got.Kept)
	}
}

func (a *apiRig) share(id string) {
	t := a.t
	link := read[lab.ShareLink](a, a.ask(store.Operator, "POST", "/runs/"+id+"/shares", map[string]any{"expires": 3600}), 201)
	if !strings.HasPrefix(link.Path, "/s/") || link.Expires.IsZero() {
		t.Errorf("link %+v", link)
	}
	read[lab.ShareLink](a, a.ask(store.Operator, "POST", "/runs/"+id+"/shares", map[string]any{}), 201)
	if links := get[apiList[lab.ShareLink]](a, "/runs/"+id+"/shares").Items; len(links) != 2 || links[0].Path != "" {
		t.Errorf("links %+v", links)
	}
	if out := a.ask(store.Operator, "DELETE", fmt.Sprintf("/runs/%s/shares/%d", id, link.ID), nil); out.status != 204 {
		t.Errorf("revoke: %s", out.body)
	}
	if links := get[apiList[lab.ShareLink]](a, "/runs/"+id+"/shares").Items; links[1].Revoked.IsZero() {
		t.Errorf("links %+v", links)
	}
}

// finish stops a run, makes the bench safe, and deletes everything.
func (a *apiRig) finish(id string) {
	t := a.t
	if out := a.ask(store.Operator, "PATCH", "/runs/"+id, map[string]any{"note": "seen"}); out.status != 204 {
		t.Errorf("note: %s", out.body)
	}
	at := a.hang(nil)
	if out := a.ask(store.Operator, "POST", "/runs/"+at+"/stop", nil); out.status != 204 {
		t.Errorf("stop: %s", out.body)
	}
	a.clock.open()
	a.wait()
	if rec := get[procedure.Record](a, "/runs/"+at); rec.Status != procedure.Stopped || !strings.Contains(rec.Reason, "operator") {
		t.Errorf("stopped run: %s, %q", rec.Status, rec.Reason)
	}
	read[apiBench](a, a.ask(store.Viewer, "POST", "/benches/rehearsal/safe", nil), 200)
	if b := read[apiBench](a, a.ask(store.Operator, "DELETE", "/benches/rehearsal/control", nil), 200); b.Holder != "" {
		t.Errorf("holder %q", b.Holder)
	}
	for _, address := range []string{"/runs/" + id, "/devices/load-2/pinmaps/rehearsal", "/procedures/check-2", "/devices/load-2"} {
		if out := a.ask(store.Owner, "DELETE", address, nil); out.status != http.StatusNoContent {
			t.Errorf("DELETE %s: %s", address, out.body)
		}
	}
	if out := a.ask(store.Viewer, "GET", "/runs/"+id, nil); out.status != 404 {
		t.Errorf("deleted run: status %d", out.status)
	}
	if out := a.ask(store.Nobody, "GET", "/openapi.json", nil); out.status != 200 {
		t.Errorf("document: status %d", out.status)
	}
}
