package routes

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
)

// askPage asks for a page or sends a form as a browser that is signed in with
// that role, or as nobody.
func (a *apiRig) askPage(role store.Role, method, address string, form url.Values, headers ...string) *httptest.ResponseRecorder {
	a.t.Helper()
	r := httptest.NewRequest(method, address, strings.NewReader(form.Encode()))
	r.Host = "localhost"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if role != store.Nobody {
		secret, err := a.store.NewSession(a.t.Context(), role, role.String(), time.Hour)
		must(a.t, err)
		r.AddCookie(&http.Cookie{Name: sessionCookie, Value: secret})
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	a.http.ServeHTTP(w, r)
	return w
}

// What may be open to strangers, and what a viewer may change.
var (
	openPages   = []string{"/health", "/sign-in", "/sign-in/with", "/sign-in/return", "/sign-in/name", "/sign-out", "/about", "/s/{token}", "/s/{token}/live", "/s/{token}/results.csv", "/s/{token}/readings.csv", "/s/{token}/budgets.csv", "/s/{token}/wide.csv"}
	viewerForms = []string{"/bench/safe", "/access/browsers/link", "/access/browsers/end", "/access/browsers/{browser}/name", "/access/browsers/{browser}/end",
		"/access/tokens", "/access/tokens/{token}/revoke", "/access/sign-on", "/access/sign-on/remove"}
	pagePatterns = strings.NewReplacer("{key}", "load", "{bench}", "rehearsal", "{id}", "x", "{token}", "x", "{share}", "1", "{rev}", "1", "{person}", "999", "{invitation}", "999", "{browser}", "999")
)

// TestPageRoles walks the whole table of pages as everybody: who may not is
// refused before anything happens, and nothing is open by oversight.
func TestPageRoles(t *testing.T) {
	a := newAPI(t)
	for _, e := range a.server.pages() {
		switch {
		case e.role == store.Nobody && !slices.Contains(openPages, e.path):
			t.Errorf("%s %s is open to strangers", e.method, e.path)
		case e.method != "GET" && e.role < store.Operator && !slices.Contains(openPages, e.path) && !slices.Contains(viewerForms, e.path):
			t.Errorf("%s %s may be sent by a viewer", e.method, e.path)
		}
		address := pagePatterns.Replace(e.path)
		if strings.Contains(address, "{") {
			t.Fatalf("no value for %s", address)
		}
		for role := store.Nobody; role < e.role; role++ {
			want := http.StatusForbidden
			if role == store.Nobody {
				want = http.StatusUnauthorized
			}
			if got := a.askPage(role, e.method, address, url.Values{}).Code; got != want {
				t.Errorf("%s %s as %q: %d, want %d", e.method, e.path, role, got, want)
			}
		}
		if e.method == "GET" {
			if got := a.askPage(max(e.role, store.Viewer), "GET", address, nil).Code; got == http.StatusUnauthorized || got == http.StatusForbidden {
				t.Errorf("GET %s is refused to %s: %d", e.path, e.role, got)
			}
			continue
		}
		for name, header := range map[string][]string{
			"another site": {"Sec-Fetch-Site", "cross-site"}, "an older browser's other site": {"Origin", "https://elsewhere.example"},
			"another port": {"Origin", "http://localhost:1", "Sec-Fetch-Site", "same-site"},
		} {
			if got := a.askPage(store.Owner, e.method, address, url.Values{}, header...).Code; got != http.StatusForbidden {
				t.Errorf("%s %s from %s: %d", e.method, e.path, name, got)
			}
		}
	}
}

// TestShareReachesOneRun: a share link shows its own run and nothing else.
func TestShareReachesOneRun(t *testing.T) {
	a := newAPI(t)
	shared, other := a.runOnce(map[string]any{"serial": "SHARED-1"}), a.runOnce(map[string]any{"serial": "OTHER-2"})
	secret, _, err := a.store.NewShare(t.Context(), shared, "test", time.Time{})
	must(t, err)
	base := "/s/" + secret
	for _, path := range []string{base, base + "/results.csv", base + "/readings.csv", base + "?m=1"} {
		w := a.askPage(store.Nobody, "GET", path, nil)
		if w.Code != http.StatusOK {
			t.Errorf("%s: %d", path, w.Code)
		}
		if body := w.Body.String(); strings.Contains(body, "OTHER-2") || strings.Contains(body, other) {
			t.Errorf("%s shows another run", path)
		} else if strings.Contains(body, "<form") || strings.Contains(body, `href="/runs/`) {
			t.Errorf("%s offers what a guest may not do", path)
		}
	}
	for _, path := range []string{
		base + "/../runs/" + other, base + "/" + other, base + "/results.csv/" + other, base + "/..%2f..%2fruns%2f" + other,
		"/runs/" + other, "/runs/" + shared, "/runs/" + shared + "/live", "/runs/" + other + "/readings.csv", "/api/v1/runs/" + shared,
	} {
		if w := a.askPage(store.Nobody, "GET", path, nil); w.Code < 400 || strings.Contains(w.Body.String(), "OTHER-2") {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	for _, path := range []string{base + "?id=" + other, base + "/results.csv?id=" + other, base + "/readings.csv?run=" + other} {
		if w := a.askPage(store.Nobody, "GET", path, nil); strings.Contains(w.Body.String(), "OTHER-2") {
			t.Errorf("%s shows another run", path)
		}
	}
	if w := a.askPage(store.Nobody, "GET", "/s/"+secret[1:], nil); w.Code != http.StatusNotFound {
		t.Errorf("half a secret: %d", w.Code)
	}
	if w := a.ask(store.Nobody, "GET", "/runs/"+shared, nil, "Authorization", "Bearer "+secret); w.status != http.StatusUnauthorized {
		t.Errorf("the share's secret as a token: %d", w.status)
	}
}

// TestLocalRedirect: signing in leads nowhere but to this server.
func TestLocalRedirect(t *testing.T) {
	for _, to := range []string{
		"//evil.example", "https://evil.example/", `/\evil.example`, `\\evil.example`, "/%2f/evil.example", "/%2Fevil.example", "//", "///evil.example",
		"javascript:alert(1)", " //evil.example", "/\t/evil.example", "/\n/evil.example", "http:/evil.example", "http:evil.example", "evil.example", "", "/..//evil.example",
		"/.//evil.example", "/%5cevil.example", "?x", "#x",
	} {
		got := localPath(to)
		u, err := url.Parse(got)
		if err != nil || u.Host != "" || u.Scheme != "" || !strings.HasPrefix(got, "/") || strings.HasPrefix(got, "//") || strings.HasPrefix(got, `/\`) ||
			strings.ContainsAny(got, "\t\r\n\\") {
			t.Errorf("localPath(%q) = %q", to, got)
		}
		// A browser resolves the dots before it goes.
		if base, _ := url.Parse("http://localhost/sign-in"); err == nil && base.ResolveReference(u).Host != "localhost" {
			t.Errorf("localPath(%q) leaves the server: %s", to, base.ResolveReference(u))
		}
	}
	if got := localPath("/runs/x?m=2"); got != "/runs/x?m=2" {
		t.Errorf("a page of ours became %q", got)
	}
}
