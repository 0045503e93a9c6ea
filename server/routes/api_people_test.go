package routes

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/lab"
	"ohmkeep/store"
)

// people lets a person in, changes and removes them, all by the API.
func (a *apiRig) people() {
	t := a.t
	a.controls()
	key := read[apiNewKey](a, a.ask(store.Owner, "POST", "/invitations", map[string]any{"role": "operator", "uses": 2, "expires": 3600}), 201)
	if list := read[apiList[store.Invitation]](a, a.ask(store.Owner, "GET", "/invitations", nil), 200).Items; len(list) != 1 || list[0].ID != key.ID || list[0].Uses != 2 || list[0].By != "owner" {
		t.Errorf("invitations %+v", list)
	}
	cookie := a.signedIn(key.Path, "Nora", "desk")
	nora := a.named("Nora")
	if nora.Role != store.Operator || nora.Browsers != 1 || nora.By != "owner" {
		t.Errorf("a person who was invited: %+v", nora)
	}
	list := read[apiList[store.Browser]](a, a.ask(store.Nobody, "GET", "/browsers", nil, "Cookie", cookie), 200).Items
	if len(list) != 1 || list[0].Name != "desk" || list[0].Person != nora.ID {
		t.Fatalf("her browsers %+v", list)
	}
	a.answers(204, a.ask(store.Nobody, "PUT", fmt.Sprintf("/browsers/%d", list[0].ID), map[string]any{"name": "phone"}, "Cookie", cookie))
	made := read[apiNewToken](a, a.ask(store.Nobody, "POST", "/tokens", map[string]any{"name": "script", "scope": "operate"}, "Cookie", cookie), 201)
	bearer := []string{"Authorization", "Bearer " + made.Token}
	tokens := read[apiList[apiToken]](a, a.ask(store.Nobody, "GET", "/tokens", nil, bearer...), 200).Items
	if len(tokens) != 1 || tokens[0].Scope != "operate" || tokens[0].Person != "Nora" {
		t.Errorf("her tokens %+v", tokens)
	}
	changed := read[store.Person](a, a.ask(store.Owner, "PUT", fmt.Sprintf("/persons/%d", nora.ID), map[string]any{"role": "viewer"}), 200)
	if changed.Role != store.Viewer {
		t.Errorf("changed: %+v", changed)
	}
	// A token gives no more than its person has now.
	a.answers(403, a.ask(store.Nobody, "POST", "/runs", map[string]any{"device": "load", "procedure": "check"}, bearer...))
	a.answers(204, a.ask(store.Nobody, "DELETE", fmt.Sprintf("/tokens/%d", made.ID), nil, "Cookie", cookie))
	a.answers(401, a.ask(store.Nobody, "GET", "/runs", nil, bearer...))
	a.answers(204, a.ask(store.Owner, "DELETE", fmt.Sprintf("/browsers/%d", list[0].ID), nil))
	a.answers(401, a.ask(store.Nobody, "GET", "/runs", nil, "Cookie", cookie))
	second := a.signedIn(key.Path, "Olek", "")
	a.answers(204, a.ask(store.Nobody, "DELETE", "/browsers", nil, "Cookie", second))
	a.answers(401, a.ask(store.Nobody, "GET", "/runs", nil, "Cookie", second))
	bound := fmt.Sprintf("/persons/%d/sign-on", a.named("Olek").ID)
	a.answers(404, a.ask(store.Owner, "DELETE", bound, nil))
	must(a.t, a.store.BindIdentity(a.t.Context(), a.named("Olek").ID, store.Identity{Issuer: "https://login.lab.example", Subject: "1", Label: "olek"}, "Olek"))
	if label := a.named("Olek").SignOn; label != "olek" {
		a.t.Errorf("signs in as %q", label)
	}
	a.answers(204, a.ask(store.Owner, "DELETE", bound, nil))
	a.answers(204, a.ask(store.Owner, "DELETE", fmt.Sprintf("/persons/%d", a.named("Olek").ID), nil))
	link := read[lab.ShareLink](a, a.ask(store.Operator, "POST", "/shares", map[string]any{"kind": "device", "subject": "load"}), 201)
	if all := get[apiList[lab.ShareLink]](a, "/shares").Items; len(all) < 1 || all[0].ID != link.ID || all[0].Kind != "device" || all[0].Path != "" {
		t.Errorf("all links %+v", all)
	}
	a.answers(204, a.ask(store.Operator, "DELETE", fmt.Sprintf("/shares/%d", link.ID), nil))
	other := read[apiNewKey](a, a.ask(store.Owner, "POST", "/invitations", map[string]any{"person": nora.ID}), 201)
	a.answers(204, a.ask(store.Owner, "DELETE", fmt.Sprintf("/invitations/%d", other.ID), nil))
}

// controls asks for control, hands it over and refuses it, all by the API.
func (a *apiRig) controls() {
	const at = "/benches/rehearsal/control"
	read[apiBench](a, a.ask(store.Owner, "PUT", at, nil), 200)
	if b := read[apiBench](a, a.ask(store.Operator, "POST", at+"/ask", nil), 200); b.Asks != "operator" || b.Holder != "owner" || b.Mine {
		a.t.Errorf("asked for: %+v", b)
	}
	if b := read[apiBench](a, a.ask(store.Owner, "POST", at+"/hand-over", nil), 200); b.Asks != "" || b.Holder != "operator" {
		a.t.Errorf("handed over: %+v", b)
	}
	a.answers(409, a.ask(store.Owner, "POST", at+"/hand-over", nil))
	read[apiBench](a, a.ask(store.Owner, "POST", at+"/ask", nil), 200)
	if b := read[apiBench](a, a.ask(store.Operator, "POST", at+"/refuse", nil), 200); b.Asks != "" || b.Holder != "operator" || !b.Mine {
		a.t.Errorf("refused: %+v", b)
	}
	read[apiBench](a, a.ask(store.Operator, "DELETE", at, nil), 200)
}

// answers holds the status of an answer.
func (a *apiRig) answers(want int, out *answer) {
	a.t.Helper()
	if out.status != want {
		a.t.Errorf("status %d, want %d: %s", out.status, want, out.body)
	}
}

// named is somebody by name.
func (a *apiRig) named(name string) store.Person {
	a.t.Helper()
	for _, p := range get[apiList[store.Person]](a, "/persons").Items {
		if p.Name == name {
			return p
		}
	}
	a.t.Fatalf("nobody is called %s", name)
	return store.Person{}
}

// signedIn uses a link's key as a new browser and returns its cookie.
func (a *apiRig) signedIn(path, name, browser string) string {
	a.t.Helper()
	u, err := url.Parse(path)
	must(a.t, err)
	w := a.signInForm(url.Values{"key": {u.Query().Get("key")}, "name": {name}, "browser": {browser}})
	if w.Code != http.StatusSeeOther {
		a.t.Fatalf("%s: signing in answered %d: %.400s", name, w.Code, w.Body)
	}
	return sessionCookie + "=" + w.Result().Cookies()[0].Value
}

func (a *apiRig) signInForm(f url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", "/sign-in", strings.NewReader(f.Encode()))
	r.Host = "localhost"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	a.http.ServeHTTP(w, r)
	return w
}

// TestTokensGiveNoMore: what a token gives bounds what can be made with it.
func TestTokensGiveNoMore(t *testing.T) {
	a := newAPI(t)
	secret, _, err := a.store.MakeToken(t.Context(), store.TokenRequest{Person: a.named("owner").ID, Role: store.Viewer, Name: "reader", By: "test"})
	must(t, err)
	bearer := []string{"Authorization", "Bearer " + secret}
	a.answers(403, a.ask(store.Nobody, "POST", "/tokens", map[string]any{"name": "x", "scope": "read"}, bearer...))
	a.answers(403, a.ask(store.Nobody, "POST", "/invitations", map[string]any{"role": "viewer"}, bearer...))
	a.answers(403, a.ask(store.Nobody, "DELETE", "/browsers", nil, bearer...))
	a.answers(422, a.ask(store.Operator, "POST", "/tokens", map[string]any{"name": "x", "scope": "own"}))
	a.answers(403, a.ask(store.Operator, "DELETE", fmt.Sprintf("/persons/%d", a.named("viewer").ID), nil))
	// Of the whole owner's token everything is given but a browser of its person.
	r := httptest.NewRequest("POST", "/access/browsers/link", nil)
	r.Host = "localhost"
	r.Header.Set("Authorization", "Bearer "+a.tokens[store.Owner])
	w := httptest.NewRecorder()
	a.http.ServeHTTP(w, r)
	if w.Code != http.StatusForbidden || strings.Contains(w.Body.String(), "sign-in?key=") {
		t.Errorf("a token made a link for a browser: %d", w.Code)
	}
}

// TestLastOwnerStays: nobody can take the last owner's role away.
func TestLastOwnerStays(t *testing.T) {
	a := newAPI(t)
	address := fmt.Sprintf("/persons/%d", a.named("owner").ID)
	a.answers(409, a.ask(store.Owner, "PUT", address, map[string]any{"role": "viewer"}))
	a.answers(409, a.ask(store.Owner, "PUT", address, map[string]any{"role": "owner", "suspended": true}))
	a.answers(409, a.ask(store.Owner, "DELETE", address, nil))
	a.answers(200, a.ask(store.Owner, "PUT", fmt.Sprintf("/persons/%d", a.named("operator").ID), map[string]any{"role": "owner"}))
	a.answers(200, a.ask(store.Owner, "PUT", address, map[string]any{"role": "viewer"}))
	a.answers(403, a.ask(store.Owner, "GET", "/invitations", nil))
}

// TestNamesOfPersons: what cannot be seen, or turns a line around, is no name.
func TestNamesOfPersons(t *testing.T) {
	a := newAPI(t)
	for _, name := range []string{"", " ", "a\u202eb", "a\u200bb", "a\nb", "owner", strings.Repeat("x", 61), "\xff", "a\u2028b", "a\ufeff\u00adb", "\u0410da"} {
		secret, err := a.store.NewStartKey(t.Context(), time.Hour)
		must(t, err)
		if name == "owner" {
			secret, _, err = a.store.Invite(t.Context(), store.InvitationRequest{Kind: store.OpenInvitation, Role: store.Viewer, Age: time.Hour, Uses: 1})
			must(t, err)
		}
		if w := a.signInForm(url.Values{"key": {secret}, "name": {name}}); w.Code != 422 && w.Code != 409 || len(w.Result().Cookies()) > 0 || !strings.Contains(w.Body.String(), secret) {
			t.Errorf("%q: %d", name, w.Code)
		}
	}
	secret, err := a.store.NewStartKey(t.Context(), time.Hour)
	must(t, err)
	a.signedIn("/sign-in?key="+secret, "Żaneta 王", "the phone")
	// Who had a name of mixed scripts before keeps it.
	_, err = a.store.NewSession(t.Context(), store.Owner, "\u0410da", time.Hour)
	must(t, err)
	secret, err = a.store.NewStartKey(t.Context(), time.Hour)
	must(t, err)
	a.signedIn("/sign-in?key="+secret, "\u0410da", "the phone")
}

// TestPagesOfPeople shows the pages as owner and as viewer, and makes what they
// offer.
func TestPagesOfPeople(t *testing.T) {
	a := newAPI(t)
	has := func(role store.Role, method, address string, f url.Values, status int, words ...string) string {
		t.Helper()
		w := a.askPage(role, method, address, f)
		if w.Code != status {
			t.Fatalf("%s %s: %d: %.300s", method, address, w.Code, w.Body)
		}
		for _, word := range words {
			if !strings.Contains(w.Body.String(), word) {
				t.Errorf("%s %s does not say %q", method, address, word)
			}
		}
		return w.Body.String()
	}
	has(store.Owner, "GET", "/people", nil, 200, "operator", "Make a link", "No link lets anybody in")
	if page := has(store.Viewer, "GET", "/people", nil, 200, "operator"); strings.Contains(page, "Make a link") {
		t.Error("a viewer may invite")
	}
	has(store.Owner, "POST", "/people/invite", url.Values{"role": {"operator"}, "days": {"0"}, "uses": {"1"}}, 422, "give whole days")
	has(store.Owner, "POST", "/people/invite", url.Values{"role": {"operator"}, "days": {"1"}, "uses": {"101"}}, 422, "1 to 100")
	shown := has(store.Owner, "POST", "/people/invite", url.Values{"role": {"operator"}, "days": {"1"}, "uses": {"2"}}, 200, "http://localhost/sign-in?key=", `class="qr"`)
	_, secret, _ := strings.Cut(shown, "/sign-in?key=")
	secret = secret[:43]
	has(store.Nobody, "GET", "/sign-in?key="+secret, nil, 200, "owner lets you in here, as operator")
	other := strings.Map(func(r rune) rune { // the first letter alone would be the same for one key in 64
		if r == 'x' {
			return 'y'
		}
		return 'x'
	}, secret)
	has(store.Nobody, "GET", "/sign-in?key="+other, nil, 401, "was used already")
	has(store.Owner, "GET", "/people", nil, 200, "whoever comes, as operator", "0 of 2")
	has(store.Owner, "POST", "/people/invitations/1/revoke", nil, 303)
	has(store.Nobody, "GET", "/sign-in?key="+secret, nil, 401)
	id := fmt.Sprint(a.named("viewer").ID)
	has(store.Owner, "POST", "/people/"+id+"/link", nil, 200, "signs one browser in as viewer", `class="qr"`)
	has(store.Owner, "POST", "/people/"+id+"/remove", nil, 422, "Tick the box")
	has(store.Owner, "POST", "/people/"+id+"/suspend", nil, 303)
	has(store.Owner, "GET", "/people", nil, 200, "suspended", "Let in again")
	has(store.Owner, "POST", "/people/"+id+"/resume", nil, 303)
	has(store.Owner, "POST", "/people/"+id+"/role", url.Values{"role": {"operator"}}, 303)
	has(store.Owner, "POST", "/people/"+id+"/remove", url.Values{"confirm": {"1"}}, 303)
	has(store.Owner, "POST", "/people/"+id+"/remove", url.Values{"confirm": {"1"}}, 404)

	has(store.Operator, "GET", "/access", nil, 200, "this one", "Sign out everywhere", "operate: run and edit")
	has(store.Operator, "POST", "/access/tokens", url.Values{"name": {"nightly"}, "scope": {"own"}, "days": {""}}, 422, "no more than that")
	has(store.Operator, "POST", "/access/tokens", url.Values{"name": {""}, "scope": {"read"}, "days": {""}}, 422, "give a name")
	has(store.Operator, "POST", "/access/tokens", url.Values{"name": {"nightly"}, "scope": {"read"}, "days": {"x"}}, 422, "give whole days")
	has(store.Operator, "POST", "/access/tokens", url.Values{"name": {"nightly"}, "scope": {"operate"}, "days": {"2"}}, 200, "shown only now")
	has(store.Owner, "GET", "/access", nil, 200, "nightly")
	has(store.Operator, "POST", "/access/browsers/link", nil, 200, "signs that one in as you, operator")
	run := a.runOnce(nil)
	has(store.Operator, "POST", "/runs/"+run+"/share", url.Values{"days": {""}}, 303)
	has(store.Viewer, "GET", "/access", nil, 200, "run of Known load, unit S1")
	has(store.Operator, "POST", "/access/shares/1/revoke", nil, 303)
	has(store.Viewer, "GET", "/access", nil, 200, "Nothing is shared by a link")
}
