package routes

import (
	"encoding/csv"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// data checks the database, backs it up and reads the log, by the API.
func (a *apiRig) data() {
	t := a.t
	// The check waits for its turn, so that there is one to call off.
	other, err := a.keeperTurns.Open("other")
	must(t, err)
	must(t, other.Take(t.Context()))
	if s := read[apiDataCheck](a, a.ask(store.Operator, "POST", "/data/check", nil), 202); !s.Running || s.Last != nil {
		t.Errorf("begun: %+v", s)
	}
	a.answers(409, a.ask(store.Operator, "POST", "/data/check", nil))
	a.answers(403, a.ask(store.Viewer, "DELETE", "/data/check", nil))
	a.answers(204, a.ask(store.Operator, "DELETE", "/data/check", nil))
	other.Close()
	a.settled("/data/check", func() bool { return !get[apiDataCheck](a, "/data/check").Running })
	if s := get[apiDataCheck](a, "/data/check"); s.Failed == "" || s.Last != nil {
		t.Errorf("called off: %+v", s)
	}
	a.answers(409, a.ask(store.Operator, "DELETE", "/data/check", nil))
	a.answers(202, a.ask(store.Operator, "POST", "/data/check", nil))
	a.settled("/data/check", func() bool { return !get[apiDataCheck](a, "/data/check").Running })
	if s := get[apiDataCheck](a, "/data/check"); s.Last == nil || s.Last.Runs == 0 || s.Last.Results == 0 || len(s.Last.Findings) != 0 {
		t.Errorf("checked: %+v", s)
	}
	a.answers(403, a.ask(store.Operator, "POST", "/data/backups", nil))
	a.answers(202, a.ask(store.Owner, "POST", "/data/backups", nil))
	a.settled("/data/backups", func() bool { return !get[apiBackups](a, "/data/backups").Running })
	if b := get[apiBackups](a, "/data/backups"); len(b.Items) != 1 || b.Items[0].Error != "" || b.Items[0].Size == 0 || b.Items[0].By != "owner" {
		t.Errorf("backups: %+v", b)
	}
	must(t, a.store.AddNotice(t.Context(), "the database is older than its last known state"))
	notices := read[apiList[store.StartNotice]](a, a.ask(store.Owner, "GET", "/data/notices", nil), 200).Items
	if len(notices) != 1 {
		t.Fatalf("%+v", notices)
	}
	path := fmt.Sprintf("/data/notices/%d", notices[0].ID)
	a.answers(403, a.ask(store.Operator, "DELETE", path, nil))
	a.answers(204, a.ask(store.Owner, "DELETE", path, nil))
	a.answers(404, a.ask(store.Owner, "DELETE", path, nil))
	lines := get[apiList[apiLogLine]](a, "/events?limit=2")
	if len(lines.Items) != 2 || lines.Items[0].Action != "take note" || lines.Items[0].By != "owner" || len(lines.Items[0].Hash) != 64 || lines.Next == "" {
		t.Errorf("the log: %+v", lines)
	}
	more := get[apiList[apiLogLine]](a, "/events?limit=2&cursor="+lines.Next)
	if len(more.Items) != 2 || more.Items[0].ID != lines.Items[1].ID-1 {
		t.Errorf("goes on with %+v", more)
	}
	if found := get[apiList[apiLogLine]](a, "/events?action=back+up&q=ohmkeep"); len(found.Items) != 1 {
		t.Errorf("found %+v", found)
	}
	a.answers(422, a.ask(store.Viewer, "GET", "/events?cursor=x", nil))
	a.answers(422, a.ask(store.Viewer, "GET", "/events?from=yesterday", nil))
}

// settled asks until what goes on in the background has ended.
func (a *apiRig) settled(_ string, ended func() bool) {
	for !ended() {
	}
}

// TestDataPages: what is kept, its damage and what a start has seen stand on the
// pages of those whom they concern.
func TestDataPages(t *testing.T) {
	a := newAPI(t)
	has := func(role store.Role, method, address string, want int, parts ...string) string {
		t.Helper()
		w := a.askPage(role, method, address, nil)
		if w.Code != want {
			t.Fatalf("%s %s: status %d: %s", method, address, w.Code, w.Body)
		}
		for _, part := range parts {
			if !strings.Contains(w.Body.String(), part) {
				t.Errorf("%s %s: %q is not in %s", method, address, part, w.Body)
			}
		}
		return w.Body.String()
	}
	run := a.runOnce(nil)
	if page := has(store.Viewer, "GET", "/data", 200, "Not checked since the start", "No backup"); strings.Contains(page, "check-start") || strings.Contains(page, "backup-start") {
		t.Error("a viewer may check")
	}
	must(t, a.store.AddNotice(t.Context(), "the database is older"))
	has(store.Owner, "GET", "/runs", 200, "The database is older.")
	if page := has(store.Operator, "GET", "/runs", 200); strings.Contains(page, "is older") {
		t.Error("an operator is told")
	}
	has(store.Owner, "POST", "/data/notices/1", 303)
	has(store.Owner, "POST", "/data/notices/1", 404)
	storetest.Exec(t, a.store, "UPDATE results SET value = 4711 WHERE key = 'resistance'")
	page := has(store.Viewer, "GET", "/runs/"+run, 200, "Damaged result", "damaged")
	if strings.Contains(page, "4.711") || strings.Contains(page, "4711") {
		t.Error("the damaged value is shown")
	}
	has(store.Viewer, "GET", "/runs", 200, "Something that is kept is damaged: results of run "+run)
	has(store.Operator, "POST", "/data/check", 303)
	a.settled("check", func() bool { return !a.keeper.CheckState().Running })
	has(store.Viewer, "GET", "/data", 200, `<a href="/runs/`+run+`">run `+run, "Damaged result")
	for _, file := range []string{"/runs/" + run + "/results.csv", "/runs/wide.csv", "/runs/" + run + "/budgets.csv"} {
		if text := has(store.Viewer, "GET", file, 200, "amaged"); strings.Contains(text, "4711") {
			t.Errorf("%s: %s", file, text)
		}
	}
	has(store.Owner, "POST", "/data/backup", 303)
	a.settled("backup", func() bool { s, err := a.keeper.BackupState(t.Context()); must(t, err); return !s.Running })
	has(store.Owner, "GET", "/data", 200, "failed: the copy holds what is damaged", ".damaged")
	has(store.Operator, "POST", "/data/check/cancel", 409)
}

// TestEventsPage: who did what is found by each filter, page by page, and a line
// that was changed is marked.
func TestEventsPage(t *testing.T) {
	a := newAPI(t)
	for i := range 130 {
		must(t, a.store.Log(t.Context(), store.Event{By: "ann", Action: "seat", Subject: "rehearsal", Detail: fmt.Sprintf("unit %03d of 50 %%", i)}))
	}
	id := a.runOnce(nil)
	for _, note := range []string{"first words", "other words"} {
		if w := a.askPage(store.Operator, "POST", "/runs/"+id+"/note", url.Values{"note": {note}}); w.Code != http.StatusSeeOther {
			t.Fatalf("note: %d", w.Code)
		}
	}
	newest, err := a.store.FindEvents(t.Context(), store.EventFilter{By: "ann"}, 1)
	must(t, err)
	first := newest[0].ID - 129 // of hers
	get := func(address string) string {
		t.Helper()
		w := a.askPage(store.Viewer, "GET", address, nil)
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d", address, w.Code)
		}
		return w.Body.String()
	}
	rows := func(page string) int { return strings.Count(page, `data-label="Who"`) }
	if page := get("/events"); rows(page) != eventsPerPage || !strings.Contains(page, "before: first words") || !strings.Contains(page, `<a href="/runs/`+id) {
		t.Errorf("%d lines: %s", rows(page), page)
	}
	if page := get(fmt.Sprintf("/events?by=ann&cursor=%d", first+30)); rows(page) != 30 || !strings.Contains(page, "Newest lines") || strings.Contains(page, "Older lines") {
		t.Errorf("%d lines", rows(page))
	}
	day := url.QueryEscape(time.Now().Add(-48 * time.Hour).Format(time.DateOnly))
	for query, want := range map[string]int{"by=ann&q=unit+007": 1, "q=0+%25": 100, "q=unit_007": 0, "subject=" + id: 3, "action=note": 2, "by=nobody": 0, "to=" + day: 0, "from=" + day + "&action=note": 2} {
		if page := get("/events?" + query); rows(page) != want {
			t.Errorf("%s: %d lines, want %d", query, rows(page), want)
		}
	}
	file, err := csv.NewReader(strings.NewReader(get("/events.csv?by=ann"))).ReadAll()
	if err != nil || len(file) != 131 || file[1][0] != fmt.Sprint(newest[0].ID) || file[1][7] != "yes" {
		t.Errorf("%d rows, %v", len(file), err)
	}
	storetest.Exec(t, a.store, "DROP TRIGGER events_stand; UPDATE events SET by = 'bob' WHERE detail LIKE 'unit 007%'")
	if page := get("/events?by=bob"); rows(page) != 1 || !strings.Contains(page, "not what was written") {
		t.Errorf("%d lines: %s", rows(page), page)
	}
	if page := get("/events?q=unit+008"); rows(page) != 1 || strings.Contains(page, "not what was written") { // its own hash is of the hash before, which stands
		t.Errorf("%s", page)
	}
}
