package routes

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"ohmkeep/store"
)

// madeLink finds the link that a page shows once, as a path.
var madeLink = regexp.MustCompile(`id="new-key">http://localhost(/s/[^<]+)<`)

// leads finds where a page's links lead.
var leads = regexp.MustCompile(`(?:href|action)="([^"]*)"`)

// TestSharedPages: a link to a lot, a comparison or a device shows that page and
// leads nowhere else, and ends when it is revoked.
func TestSharedPages(t *testing.T) {
	a := newAPI(t)
	a.runOnce(map[string]any{"serial": "S1", "lot": "L/1 ü"})
	a.runOnce(map[string]any{"serial": "OTHER-2", "lot": "L2"})
	for _, c := range []struct {
		kind, from string
		words      []string
		files      map[string]int // status by what is below the link
	}{
		{store.LotShare, "/compare?lot=" + url.QueryEscape("L/1 ü"), []string{"Lot L/1 ü", "S1", "Resistance", "Statistics"}, map[string]int{"/wide.csv": 200, "/wide.csv?lot=L2": 200, "/results.csv": 404, "/live": 404}},
		{store.ComparisonShare, "/compare?lot=" + url.QueryEscape("L/1 ü") + "&result=0", []string{"Lot L/1 ü", "Resistance"}, map[string]int{"/wide.csv": 404, "/readings.csv": 404, "/live": 404}},
		{store.DeviceShare, "/devices/load", []string{"Known load", "Pins and ratings"}, map[string]int{"/wide.csv": 404, "/budgets.csv": 404, "/live": 404}},
	} {
		t.Run(c.kind, func(t *testing.T) {
			page := a.askPage(store.Operator, "GET", c.from, nil).Body.String()
			field := func(name string) string {
				m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page)
				if m == nil {
					return ""
				}
				return html.UnescapeString(m[1])
			}
			if a.askPage(store.Viewer, "GET", c.from, nil); strings.Contains(a.askPage(store.Viewer, "GET", c.from, nil).Body.String(), `id="share-make"`) {
				t.Error("a viewer may share")
			}
			made := a.askPage(store.Operator, "POST", "/access/shares", url.Values{"kind": {c.kind}, "subject": {field("subject")}, "result": {field("result")}, "days": {"3"}})
			m := madeLink.FindStringSubmatch(made.Body.String())
			if made.Code != http.StatusOK || m == nil {
				t.Fatalf("%d: %.500s", made.Code, made.Body)
			}
			base := m[1]
			shown := a.askPage(store.Nobody, "GET", base, nil)
			if shown.Code != http.StatusOK {
				t.Fatalf("%d: %.500s", shown.Code, shown.Body)
			}
			for _, word := range c.words {
				if !strings.Contains(shown.Body.String(), word) {
					t.Errorf("the page does not say %q", word)
				}
			}
			for _, to := range leads.FindAllStringSubmatch(shown.Body.String(), -1) {
				if p := to[1]; !strings.HasPrefix(p, base) && !strings.HasPrefix(p, "/about") && !strings.HasPrefix(p, "/assets/") && !strings.HasPrefix(p, "#") {
					t.Errorf("it leads to %s", p)
				}
			}
			for path, want := range c.files {
				w := a.askPage(store.Nobody, "GET", base+path, nil)
				if w.Code != want || strings.Contains(w.Body.String(), "OTHER-2") {
					t.Errorf("%s: %d, want %d: %.200s", path, w.Code, want, w.Body)
				}
			}
			for _, query := range []string{"?lot=L2", "?result=0&lot=L2", "?units=999999"} {
				if w := a.askPage(store.Nobody, "GET", base+query, nil); w.Code != 200 || strings.Contains(w.Body.String(), "OTHER-2") && c.kind != store.DeviceShare {
					t.Errorf("%s: %d", query, w.Code)
				}
			}
			list, err := a.store.ListShares(t.Context(), "", "")
			must(t, err)
			if got := a.askPage(store.Viewer, "GET", "/access", nil).Body.String(); list[0].Kind != c.kind || list[0].By != "operator" || !strings.Contains(got, "3") {
				t.Errorf("listed as %+v", list[0])
			}
			a.askPage(store.Operator, "POST", "/access/shares/"+decimal(list[0].ID)+"/revoke", nil)
			if w := a.askPage(store.Nobody, "GET", base, nil); w.Code != http.StatusNotFound {
				t.Errorf("after it was revoked: %d", w.Code)
			}
		})
	}
	for _, bad := range []url.Values{{"kind": {"bench"}, "subject": {"rehearsal"}}, {"kind": {"lot"}, "subject": {"none"}}, {"kind": {"device"}, "subject": {""}},
		{"kind": {"comparison"}, "subject": {"L2"}}, {"kind": {"lot"}, "subject": {"L2"}, "days": {"x"}}} {
		if w := a.askPage(store.Operator, "POST", "/access/shares", bad); w.Code != 404 && w.Code != 422 {
			t.Errorf("%v: %d", bad, w.Code)
		}
	}
	if a.log.Len() > 0 {
		t.Errorf("logged: %s", a.log)
	}
}

// TestLinksAreOfThisServer: the address in a link is the server's own, whatever
// name it was asked by.
func TestLinksAreOfThisServer(t *testing.T) {
	a := newAPI(t)
	a.server.Public = "https://lab.example"
	a.http = a.server.handler()
	run := a.runOnce(nil)
	for _, address := range []string{"/people/invite", "/access/browsers/link", "/access/shares"} {
		w := a.askPage(store.Owner, "POST", address, url.Values{"role": {"viewer"}, "days": {"1"}, "uses": {"1"}, "kind": {"device"}, "subject": {"load"}})
		if !strings.Contains(w.Body.String(), `id="new-key">https://lab.example/`) {
			t.Errorf("%s: %d, and no link of this server", address, w.Code)
		}
	}
	a.askPage(store.Operator, "POST", "/runs/"+run+"/share", url.Values{"days": {"1"}})
	if page := a.askPage(store.Operator, "GET", "/runs/"+run, nil).Body.String(); !strings.Contains(page, `href="https://lab.example/s/`) {
		t.Error("a run's link is not of this server")
	}
}
