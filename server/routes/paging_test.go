package routes

import (
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/dut"
	"ohmkeep/store"
)

// ask is what a page or the API answers with, whatever it is.
func (l *wholeServer) ask(path string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("GET", l.web.URL+path, nil)
	r.Header.Set("Authorization", "Bearer "+l.token)
	w := httptest.NewRecorder()
	l.web.Config.Handler.ServeHTTP(w, r)
	return w
}

// get is the body of a page or of an answer of the API.
func (l *wholeServer) get(path string) string {
	l.t.Helper()
	w := l.ask(path)
	if w.Code != http.StatusOK {
		l.t.Fatalf("%s: status %d: %.300s", path, w.Code, w.Body)
	}
	return w.Body.String()
}

var (
	rowLink  = regexp.MustCompile(`<th scope="row"><a href="/devices/([^"]+)"`)
	groupOf  = regexp.MustCompile(`id="for-(load[-0-9]*)"`)
	nextLink = regexp.MustCompile(`<a href="([^"]+)" rel="next">More devices</a>`)
)

// follow collects what a pattern finds on a list's pages, from link to link.
func (l *wholeServer) follow(path string, what *regexp.Regexp) (found []string, pages int) {
	l.t.Helper()
	for pages = 1; ; pages++ {
		body := l.get(path)
		for _, m := range what.FindAllStringSubmatch(body, -1) {
			found = append(found, m[1])
		}
		next := nextLink.FindStringSubmatch(body)
		if next == nil || pages > 20 {
			return found, pages
		}
		path = html.UnescapeString(next[1])
	}
}

// Lists of many devices come in pages that join up: every device once.
func TestManyDevicesArePaged(t *testing.T) {
	const n = 2*devicesPerPage + 10 // and the one that they are like
	l := labOfDevices(t, n)
	for path, c := range map[string]struct {
		what  *regexp.Regexp
		pages int
	}{
		"/devices":    {rowLink, 3},
		"/procedures": {groupOf, 5},
	} {
		found, pages := l.follow(path, c.what)
		seen := map[string]bool{}
		for _, key := range found {
			seen[key] = true
		}
		if len(found) != n+1 || len(seen) != n+1 || pages != c.pages {
			t.Errorf("%s: %d devices, %d different, on %d pages", path, len(found), len(seen), pages)
		}
	}
	if body := l.get("/procedures?device=load-7"); len(groupOf.FindAllString(body, -1)) != 1 || strings.Contains(body, "More devices") {
		t.Error("the procedures of one device are not alone")
	}
	for _, path := range []string{"/api/v1/devices", "/api/v1/procedures"} {
		items := 0
		for next, pages := "", 0; ; pages++ {
			var list apiList[json.RawMessage]
			must(t, json.Unmarshal([]byte(l.get(path+"?limit=100&cursor="+url.QueryEscape(next))), &list))
			items += len(list.Items)
			if next = list.Next; next == "" || pages > 5 {
				break
			}
		}
		if items != n+1 {
			t.Errorf("%s: %d items", path, items)
		}
	}
	var whole apiList[apiRevision[dut.Device]]
	if must(t, json.Unmarshal([]byte(l.get("/api/v1/devices")), &whole)); len(whole.Items) != n+1 || whole.Next != "" {
		t.Errorf("%d devices, next %q, where they fit", len(whole.Items), whole.Next)
	}
}

// Every unit is on one page of the API's list, in order, with the runs it had.
func TestUnitsInPages(t *testing.T) {
	l := labOfRuns(t, 1000) // of 100 units, beside the one that they are made like
	var serials []string
	runs := 0
	for next, pages := "", 0; ; pages++ {
		var list apiList[store.UnitRow]
		must(t, json.Unmarshal([]byte(l.get("/api/v1/units?limit=30&cursor="+url.QueryEscape(next))), &list))
		for _, u := range list.Items {
			serials = append(serials, u.Device+" "+u.Lot+" "+u.Serial)
			runs += u.Runs
		}
		if next = list.Next; next == "" || pages > 5 {
			break
		}
	}
	if len(serials) != 101 || runs != 1000 || !slices.IsSorted(serials) {
		t.Errorf("%d units, %d runs: %q", len(serials), runs, serials)
	}
	for _, cursor := range []string{"x", "W10"} {
		if w := l.ask("/api/v1/units?cursor=" + cursor); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), `"cursor"`) {
			t.Errorf("cursor %q: %d %s", cursor, w.Code, w.Body)
		}
	}
}

// What can be chosen is complete, however long the list.
func TestManyDevicesCanBeChosen(t *testing.T) {
	const n = 130
	l := labOfDevices(t, n)
	for path, name := range map[string]string{"/": "procedure", "/manual": "device", "/bench": "model", "/runs": "device", "/procedures": "device"} {
		_, body, ok := strings.Cut(l.get(path), ` name="`+name+`"`)
		body, _, closed := strings.Cut(body, "</select>")
		if got := strings.Count(body, "<option"); !ok || !closed || got < n+1 {
			t.Errorf("%s: %d to choose from", path, got)
		}
	}
}

// The first page shows the newest lots, in the order of their names.
func TestHomeShowsTheNewestLots(t *testing.T) {
	l := labOfRuns(t, 1000) // lots L0 to L99, the newest L99
	body := l.get("/")
	var want []string
	for i := 100 - homeLots; i < 100; i++ {
		want = append(want, fmt.Sprint("L", i))
	}
	var got []string
	for _, m := range regexp.MustCompile(`<a href="/compare\?lot=(L[0-9]+)">`).FindAllStringSubmatch(body, -1) {
		got = append(got, m[1])
	}
	if strings.Join(got, " ") != strings.Join(want, " ") || !strings.Contains(body, ">All lots<") {
		t.Errorf("lots %v", got)
	}
}
