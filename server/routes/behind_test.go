package routes

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/standing"
	"ohmkeep/store"
)

// page is a page as an operator sees it.
func (a *apiRig) page(address string) string {
	a.t.Helper()
	w := a.askPage(store.Operator, "GET", address, nil)
	if w.Code != http.StatusOK {
		a.t.Fatalf("%s: %d", address, w.Code)
	}
	return w.Body.String()
}

// holds checks that a page has these words and not those after "not".
func (a *apiRig) holds(address string, words ...string) {
	a.t.Helper()
	body, want := a.page(address), true
	for _, w := range words {
		if w == "not" {
			want = false
		} else if strings.Contains(body, w) != want {
			a.t.Errorf("%s: %q is there: %v", address, w, !want)
		}
	}
}

// rehearsalChannel is the name of a channel of the bench in use.
func rehearsalChannel(a *apiRig, id bench.ChannelID) string {
	return a.server.Lab.InUse().Definition.ChannelName(id)
}

// TestWhatStandsBehindARun: a run is due for a check, then another is checked; a
// check that finds a fault puts in doubt what used it, everywhere that runs stand,
// and lists it.
func TestWhatStandsBehindARun(t *testing.T) {
	a := newAPI(t)
	a.describeAndSeat()
	body := map[string]any{"device": "load", "procedure": "check", "serial": "S1", "lot": "L9"}
	before := a.runOnce(body)
	badge := func(id string) standing.Badge { return get[apiRunHead](a, "/runs/"+id).Behind.Badge }
	if got := get[apiRunHead](a, "/runs/"+before).Behind; got.Badge != standing.Due || got.Before != nil {
		t.Errorf("before any check: %+v", got)
	}
	a.holds("/", "bench check due", "check-first")
	a.holds("/bench", "No whole check of this bench was good yet", "check due")
	a.measuring(findsNothing)
	for _, steps := range [][]check.Step{{check.Channels, check.Empty}, {check.Plug}, {check.Numbers}} {
		a.step(apiBenchCheckRequest{Steps: steps, Seat: true})
	}
	a.answers(http.StatusNoContent, a.ask(store.Operator, "POST", checksAt+"/seat-back", nil))
	a.holds("/", "not", "bench check due", "check-first")
	a.holds("/bench", "The last whole check that was good ended", "not", "would be")
	after := a.runOnce(body)
	if badge(before) != standing.Due || badge(after) != standing.Checked {
		t.Errorf("with a good check between them: %s, %s", badge(before), badge(after))
	}
	good := get[apiList[apiBenchCheck]](a, checksAt+"s").Items[0]
	a.holds("/runs/"+after, "What stands behind this run", "/bench/checks/"+good.ID, " minutes old.")
	results := get[apiResults](a, "/runs/"+after+"/results").Items
	if len(results) == 0 || len(results[0].By) == 0 || results[0].By[0].Channel == 0 || results[0].By[0].Contact == 0 {
		t.Errorf("what read the results: %+v", results)
	}
	a.holds("/runs/"+after, "by "+rehearsalChannel(a, results[0].By[0].Channel), ", contact ")
	a.holds("/bench/checks/"+good.ID, "not", "Runs since the last good check")

	a.measuring(findsFloating)
	now := a.step(apiBenchCheckRequest{Steps: []check.Step{check.Empty}, Seat: true})
	if badge(before) != standing.Due || badge(after) != standing.Doubtful {
		t.Errorf("with a fault after them: %s, %s", badge(before), badge(after))
	}
	a.holds("/", "the bench check found a fault", "doubtful")
	a.holds("/runs", "doubtful", "check due")
	a.holds("/compare?lot=L9", "doubtful")
	a.holds("/runs/"+after, "The check after this run found: The enable of multiplexer 1A/1-16 seems to float. This run used multiplexer 1A/1-16.")
	a.holds("/bench/checks/"+now.Open.ID, "Runs since the last good check", `/runs/`+after+`/rerun`, "1 run. On this page 1 used what was found faulty", "Used multiplexer 1A/1-16.", "not", "/runs/"+before)
	if list := get[apiHistory](a, "/runs"); list.Items[0].Badge != standing.Doubtful || list.Items[1].Badge != standing.Due {
		t.Errorf("%+v", list.Items)
	}
	for address, want := range map[string]int{"/runs.csv": 1, "/results/wide.csv": 1, "/runs/" + after + "/results.csv": 1} {
		rows := a.csv(address)
		if last := len(rows[0]) - 1; rows[0][last] != "bench check" || rows[want][last] != "doubtful" {
			t.Errorf("%s: %q", address, rows[want])
		}
	}
	link := a.askPage(store.Operator, "POST", "/runs/"+after+"/share", url.Values{"days": {"1"}})
	if link.Code != http.StatusSeeOther {
		t.Fatalf("share: %d", link.Code)
	}
	shared := a.page("/runs/" + after)
	_, at, _ := strings.Cut(shared, "/s/")
	at, _, _ = strings.Cut(at, `"`)
	guest := a.askPage(store.Nobody, "GET", "/s/"+at, nil).Body.String()
	if !strings.Contains(guest, "The check after this run found") || strings.Contains(guest, "/bench/checks/") {
		t.Error("a guest is not told of the check, or is led to it")
	}
	// What is run again after the fault stands on a check that found it.
	again := read[apiStarted](a, a.ask(store.Operator, "POST", "/runs/"+after+"/rerun", nil), http.StatusCreated)
	a.wait()
	if badge(again.ID) != standing.Doubtful {
		t.Errorf("run again with the fault in place: %s", badge(again.ID))
	}
	// A check that nobody made, and one that is damaged.
	if w := a.askPage(store.Operator, "GET", "/bench/checks/"+now.Open.ID+"?cursor=nonsense", nil); w.Code == http.StatusOK || w.Code >= 500 {
		t.Errorf("a cursor of another list: %d", w.Code)
	}
}
