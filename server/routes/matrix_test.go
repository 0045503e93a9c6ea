package routes

import (
	"database/sql"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
)

// openRoutes are what strangers may ask, in both tables; every other route asks
// for a role. A route that is added to the tables without a role, and without a
// line here, fails.
var openRoutes = []string{
	"GET /health", "GET /sign-in", "POST /sign-in", "POST /sign-out", "GET /about",
	"GET /sign-in/with", "GET /sign-in/return", "POST /sign-in/name",
	"GET /s/{token}", "GET /s/{token}/live", "GET /s/{token}/results.csv", "GET /s/{token}/budgets.csv", "GET /s/{token}/readings.csv", "GET /s/{token}/wide.csv",
	"GET /api/v1/health", "GET /api/v1/openapi.json",
}

// ownerRoutes are what an owner alone may ask.
var ownerRoutes = []string{
	"POST /people/invite", "POST /people/invitations/{invitation}/revoke", "POST /people/{person}/link", "POST /people/{person}/role",
	"POST /people/{person}/suspend", "POST /people/{person}/resume", "POST /people/{person}/remove",
	"POST /people/{person}/sign-on/remove", "DELETE /api/v1/persons/{person}/sign-on",
	"POST /import", "POST /api/v1/import",
	"PUT /api/v1/persons/{person}", "DELETE /api/v1/persons/{person}", "GET /api/v1/invitations", "POST /api/v1/invitations", "DELETE /api/v1/invitations/{invitation}",
}

// ownWrites are the changes that a viewer may ask for: making safe, and what is
// their own.
var ownWrites = []string{
	"POST /bench/safe", "POST /api/v1/benches/{key}/safe",
	"POST /access/browsers/link", "POST /access/browsers/end", "POST /access/browsers/{browser}/name", "POST /access/browsers/{browser}/end",
	"POST /access/tokens", "POST /access/tokens/{token}/revoke", "POST /access/sign-on", "POST /access/sign-on/remove",
	"PUT /api/v1/browsers/{browser}", "DELETE /api/v1/browsers/{browser}", "DELETE /api/v1/browsers", "POST /api/v1/tokens", "DELETE /api/v1/tokens/{token}",
}

// asker is somebody who asks for every route, and the most that they may have.
type asker struct {
	name   string
	cookie string // a session
	bearer string // a token
	share  string // a share link's secret, in the addresses below /s/
	role   store.Role
	denied bool // a token that is unknown is refused before the route is looked at
	good   bool // of a share link: it shows its page
}

func (a *apiRig) routesOfBoth() []route {
	table := a.server.pages()
	for _, e := range a.server.endpoints() {
		r := e.route
		r.path = "/api/v1" + r.path
		table = append(table, r)
	}
	return table
}

// askers are nobody, a share link of each kind, and each role by browser and by
// token; each also with what was revoked, has expired, or belongs to a person who
// is suspended or removed.
func (a *apiRig) askers(run string) []asker {
	t, ctx := a.t, a.t.Context()
	out := []asker{{name: "nobody"}}
	for _, kind := range []struct{ kind, subject string }{{store.RunShare, run}, {store.LotShare, "L1"}, {store.ComparisonShare, "L1"}, {store.DeviceShare, "load"}} {
		for _, state := range []string{"good", "revoked", "expired"} {
			secret, id, err := a.store.MakeShare(ctx, &store.Share{Kind: kind.kind, Subject: kind.subject, Detail: "none", By: "test"})
			must(t, err)
			x := asker{name: "share of a " + kind.kind + ", " + state, share: secret}
			switch state {
			case "revoked":
				must(t, a.store.RevokeShare(ctx, id, "test"))
			case "expired":
				a.expire("shares", id)
			}
			x.good = state == "good"
			out = append(out, x)
		}
	}
	for _, role := range []store.Role{store.Viewer, store.Operator, store.Owner} {
		for _, state := range []string{"good", "revoked", "expired", "suspended", "removed"} {
			out = append(out, a.browserOf(role, state), a.tokenOf(role, state))
		}
	}
	return out
}

func (a *apiRig) browserOf(role store.Role, state string) asker {
	ctx := a.t.Context()
	x := asker{name: fmt.Sprintf("%s, %s browser", role, state), role: role}
	secret, err := a.store.NewSession(ctx, role, x.name, time.Hour)
	must(a.t, err)
	x.cookie = secret
	who, err := a.store.Session(ctx, secret)
	must(a.t, err)
	switch state {
	case "revoked":
		must(a.t, a.store.EndBrowser(ctx, who.ID, 0, "test"))
	case "expired":
		a.expire("sessions", who.ID)
	default:
		a.bring(who.Person, state)
	}
	if state != "good" {
		x.role = store.Nobody
	}
	return x
}

func (a *apiRig) tokenOf(role store.Role, state string) asker {
	ctx := a.t.Context()
	x := asker{name: fmt.Sprintf("%s, %s token", role, state), role: role}
	secret, id, err := a.store.MakeToken(ctx, store.TokenRequest{Role: role, Name: x.name, By: "test"})
	must(a.t, err)
	x.bearer = secret
	who, err := a.store.TokenAccess(ctx, secret)
	must(a.t, err)
	switch state {
	case "revoked":
		must(a.t, a.store.RevokeToken(ctx, id, 0, "test"))
	case "expired":
		a.expire("tokens", id)
	default:
		a.bring(who.Person, state)
	}
	if state != "good" {
		x.role, x.denied = store.Nobody, true
	}
	return x
}

// expire has something that gives access end in the past.
func (a *apiRig) expire(table string, id int64) {
	db, err := sql.Open("sqlite", "file:"+a.store.Path()+"?_busy_timeout=5000")
	must(a.t, err)
	_, err = db.ExecContext(a.t.Context(), "UPDATE "+table+" SET expires = 1 WHERE id = ?1; UPDATE "+table+" SET seal = "+store.SealSQL(table)+" WHERE id = ?1", id)
	must(a.t, errors.Join(err, db.Close()))
}

// bring suspends or removes a person.
func (a *apiRig) bring(person int64, state string) {
	switch state {
	case "suspended":
		must(a.t, a.store.Suspend(a.t.Context(), person, "test"))
	case "removed":
		must(a.t, a.store.RemovePerson(a.t.Context(), person, "test"))
	}
}

// asks sends a request as somebody and returns the status.
func (a *apiRig) asks(x *asker, e route) int {
	address := pagePatterns.Replace(e.path)
	if x.share != "" {
		address = strings.Replace(pagePatterns.Replace(strings.Replace(e.path, "{token}", "SHARE", 1)), "SHARE", x.share, 1)
	}
	r := httptest.NewRequest(e.method, address, strings.NewReader(""))
	r.Host = "localhost"
	if strings.HasPrefix(e.path, "/api/") {
		r.Header.Set("Content-Type", "application/json")
	} else {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if x.cookie != "" {
		r.AddCookie(&http.Cookie{Name: sessionCookie, Value: x.cookie})
	}
	if x.bearer != "" {
		r.Header.Set("Authorization", "Bearer "+x.bearer)
	}
	w := httptest.NewRecorder()
	a.http.ServeHTTP(w, r)
	return w.Code
}

// want says what a route must answer somebody: 0 is anything that is neither a
// refusal nor a failure of the server.
func (x *asker) want(e route) int {
	open := slices.Contains(openRoutes, e.method+" "+e.path)
	switch {
	case x.denied:
		return http.StatusUnauthorized
	case x.good && strings.HasPrefix(e.path, "/s/"):
		return 0 // TestSharedPages says what each kind shows
	case strings.HasPrefix(e.path, "/s/"):
		return http.StatusNotFound
	case open || x.role >= e.role:
		return 0
	case x.role == store.Nobody:
		return http.StatusUnauthorized
	}
	return http.StatusForbidden
}

// TestAccessMatrix asks for every route of both tables as everybody: nothing is
// open by oversight, and what was taken back, has run out or belongs to a person
// who may not act gives nothing more than nobody has.
func TestAccessMatrix(t *testing.T) {
	a := newAPI(t)
	run := a.runOnce(map[string]any{"serial": "S1", "lot": "L1"})
	table := a.routesOfBoth()
	a.mustSayWho(table)
	askers := a.askers(run)
	asked, refused := 0, 0
	for i := range askers {
		x := &askers[i]
		for _, e := range table {
			want := x.want(e)
			if want == 0 && (e.method != "GET" || strings.HasSuffix(e.path, "/live")) {
				continue // it would do it; that it may is the other tests' subject
			}
			got := a.asks(x, e)
			asked++
			if want != 0 {
				refused++
			}
			if want != 0 && got != want || want == 0 && (got == http.StatusUnauthorized || got == http.StatusForbidden || got >= 500) {
				t.Errorf("%s %s as %s: %d, want %d", e.method, e.path, x.name, got, want)
			}
		}
	}
	t.Logf("%d routes, %d askers, %d requests, %d of them refused", len(table), len(askers), asked, refused)
	if a.log.Len() > 0 {
		t.Errorf("logged: %s", a.log)
	}
}

// accessList is the file that says of every route who may ask for it.
const accessList = "testdata/access.txt"

func whoMay(role store.Role) string {
	if role == store.Nobody {
		return "anybody"
	}
	return role.String()
}

// saidAccess reads the list of who may ask for what, by method and path. With
// OHMKEEP_GOLDEN set it is written first.
func (a *apiRig) saidAccess(table []route) map[string]string {
	a.t.Helper()
	if os.Getenv("OHMKEEP_GOLDEN") != "" {
		var lines []string
		for _, e := range table {
			lines = append(lines, fmt.Sprintf("%-8s %-6s %s\n", whoMay(e.role), e.method, e.path))
		}
		slices.Sort(lines)
		must(a.t, os.WriteFile(accessList, []byte(strings.Join(lines, "")), 0o644))
	}
	body, err := os.ReadFile(accessList)
	must(a.t, err)
	said := map[string]string{}
	for line := range strings.Lines(string(body)) {
		f := strings.Fields(line)
		if len(f) != 3 {
			a.t.Fatalf("%s: %q", accessList, line)
		}
		said[f[1]+" "+f[2]] = f[0]
	}
	return said
}

// mustSayWho holds the tables' roles against the lists of this file: a route
// that is open, changes something as a viewer, or gives access, has its line.
func (a *apiRig) mustSayWho(table []route) {
	listed := map[string]bool{}
	said := a.saidAccess(table)
	for _, e := range table {
		name := e.method + " " + e.path
		if who, ok := said[name]; !ok || who != whoMay(e.role) {
			a.t.Errorf("%s: %s may ask for it, and %s says %q", name, whoMay(e.role), accessList, who)
		}
		delete(said, name)
		listed[name] = true
		owners := slices.Contains(ownerRoutes, name)
		switch {
		case (e.role == store.Nobody) != slices.Contains(openRoutes, name):
			a.t.Errorf("%s is open, or is not, against the list of what is", name)
		case e.method != "GET" && e.role == store.Viewer && !slices.Contains(ownWrites, name):
			a.t.Errorf("%s may be asked for by a viewer, and no line says why", name)
		case owners && e.role != store.Owner, e.role < store.Owner && !owners && strings.Contains(e.path, "{person}"):
			a.t.Errorf("%s is not an owner's", name)
		}
	}
	for name := range said {
		a.t.Errorf("%s is in %s, and no route", name, accessList)
	}
	for _, name := range slices.Concat(openRoutes, ownerRoutes, ownWrites) {
		if !listed[name] {
			a.t.Errorf("%s is listed, and no route", name)
		}
	}
}

// TestNothingOfAnothersIsReached: what a person may do with their own browsers
// and tokens, they may not do with another's.
func TestNothingOfAnothersIsReached(t *testing.T) {
	a := newAPI(t)
	ctx := t.Context()
	secret, err := a.store.NewSession(ctx, store.Operator, "Ada", time.Hour)
	must(t, err)
	ada, err := a.store.Session(ctx, secret)
	must(t, err)
	_, token, err := a.store.MakeToken(ctx, store.TokenRequest{Person: ada.Person, Role: store.Viewer, Name: "hers", By: "Ada"})
	must(t, err)
	for _, role := range []store.Role{store.Viewer, store.Operator} {
		a.answers(404, a.ask(role, "DELETE", fmt.Sprintf("/browsers/%d", ada.ID), nil))
		a.answers(404, a.ask(role, "PUT", fmt.Sprintf("/browsers/%d", ada.ID), map[string]any{"name": "mine"}))
		a.answers(404, a.ask(role, "DELETE", fmt.Sprintf("/tokens/%d", token), nil))
		for _, b := range read[apiList[store.Browser]](a, a.ask(role, "GET", "/browsers", nil), 200).Items {
			if b.Person == ada.Person {
				t.Errorf("a %s sees her browser", role)
			}
		}
		for _, x := range read[apiList[apiToken]](a, a.ask(role, "GET", "/tokens", nil), 200).Items {
			if x.ID == token {
				t.Errorf("a %s sees her token", role)
			}
		}
		for _, path := range []string{fmt.Sprintf("/access/browsers/%d/end", ada.ID), fmt.Sprintf("/access/tokens/%d/revoke", token)} {
			if w := a.askPage(role, "POST", path, nil); w.Code != http.StatusNotFound {
				t.Errorf("%s as %s: %d", path, role, w.Code)
			}
		}
	}
	if _, err := a.store.Session(ctx, secret); err != nil {
		t.Errorf("her browser: %v", err)
	}
}
