package routes

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
)

// TestControl: whoever holds control of the bench alone may use it; anybody
// may make it safe.
func TestControl(t *testing.T) {
	a := newAPI(t)
	read[apiBench](a, a.ask(store.Owner, "PUT", "/benches/rehearsal/control", nil), http.StatusOK)
	const both = `{"device":"load","procedure":"check"}`
	a.refused(t, []bad{
		{name: "start", method: "POST", address: "/runs", body: both, status: 409, role: store.Operator},
		{name: "seat", method: "PUT", address: "/benches/rehearsal/seating", body: `{"device":"load"}`, status: 409, role: store.Operator},
		{name: "take", method: "PUT", address: "/benches/rehearsal/control", status: 409, role: store.Operator},
	})
	read[apiBench](a, a.ask(store.Operator, "DELETE", "/benches/rehearsal/control", nil), http.StatusOK)
	if b := get[apiBench](a, "/benches/rehearsal"); b.Holder != "owner" {
		t.Errorf("holder %q after another gave it up", b.Holder)
	}
	read[apiBench](a, a.ask(store.Viewer, "POST", "/benches/rehearsal/safe", nil), http.StatusOK)
}

// TestRoles asks for every operation of the table as somebody who may not.
func TestRoles(t *testing.T) {
	a := newAPI(t)
	var list []bad
	fill := strings.NewReplacer("{key}", "load", "{bench}", "rehearsal", "{id}", "x", "{share}", "1", "{person}", "999", "{invitation}", "999", "{browser}", "999", "{token}", "999")
	for _, e := range a.table {
		for role := store.Viewer; role < e.role; role++ {
			list = append(list, bad{name: role.String(), method: e.method, address: fill.Replace(e.path), body: "{}", status: 403, role: role})
		}
	}
	a.refused(t, list)
	for _, e := range a.table {
		if e.role == store.Nobody {
			continue
		}
		address := fill.Replace(e.path)
		for name, header := range map[string]string{"nobody": "", "unknown token": "Bearer x", "basic": "Basic eDp5", "empty token": "Bearer "} {
			out := a.ask(store.Nobody, e.method, address, "{}", "Authorization", header)
			if out.status != http.StatusUnauthorized || !strings.HasPrefix(out.header.Get("WWW-Authenticate"), "Bearer") {
				t.Errorf("%s %s %s: status %d, %s", name, e.method, address, out.status, out.header.Get("WWW-Authenticate"))
			}
		}
	}
}

func TestRevokedToken(t *testing.T) {
	a := newAPI(t)
	list, err := a.store.ListTokens(t.Context())
	must(t, err)
	for _, token := range list {
		if token.Role == store.Operator {
			must(t, a.store.RevokeToken(t.Context(), token.ID, 0, "test"))
		}
	}
	out := a.ask(store.Operator, "POST", "/runs", `{"device":"load","procedure":"check"}`)
	if out.status != http.StatusUnauthorized {
		t.Errorf("status %d", out.status)
	}
	if page := get[apiHistory](a, "/runs"); page.Total != 0 {
		t.Errorf("%d runs", page.Total)
	}
}

// TestSession: a signed-in browser may use the API, but not from a page of
// another origin.
func TestSession(t *testing.T) {
	a := newAPI(t)
	session, err := a.store.NewSession(t.Context(), store.Operator, "somebody", time.Hour)
	must(t, err)
	cookie := []string{"Cookie", sessionCookie + "=" + session}
	const safe = "/benches/rehearsal/safe"
	for _, headers := range [][]string{nil, {"Sec-Fetch-Site", "same-origin"}, {"Origin", "http://localhost"}} {
		if out := a.ask(store.Nobody, "POST", safe, nil, append(cookie, headers...)...); out.status != http.StatusOK {
			t.Errorf("%v: status %d: %s", headers, out.status, out.body)
		}
	}
	for _, headers := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Origin", "http://other.example"}, {"Origin", "null"}} {
		r := httptest.NewRequest("POST", "/api/v1"+safe, nil)
		r.Host = "localhost"
		r.Header.Set(cookie[0], cookie[1])
		r.Header.Set(headers[0], headers[1])
		w := httptest.NewRecorder()
		a.http.ServeHTTP(w, r)
		if w.Code != http.StatusForbidden {
			t.Errorf("%v: status %d", headers, w.Code)
		}
	}
}
