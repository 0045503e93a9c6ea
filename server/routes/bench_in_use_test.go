package routes

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ohmkeep/server/lab"
	"ohmkeep/store"
)

// TestBenchIsReadOnce asks for every page and every answer of the API and sends
// every form: each request is about one bench from its beginning to its end,
// also where another is put in use meanwhile.
func TestBenchIsReadOnce(t *testing.T) {
	a := newAPI(t)
	var reads atomic.Int32
	a.server.inUse = func() *lab.Bench {
		reads.Add(1)
		return a.server.Lab.InUse()
	}
	h := a.server.handler()
	secret, err := a.store.NewSession(t.Context(), store.Owner, "owner", time.Hour)
	must(t, err)
	asked := 0
	ask := func(e route, address string) {
		if strings.HasSuffix(e.path, "/live") || strings.Contains(e.path, "sign-") || strings.HasSuffix(e.path, "/browsers/end") {
			return // a socket draws on for as long as it is open
		}
		r := httptest.NewRequest(e.method, pagePatterns.Replace(address), strings.NewReader(""))
		r.Host = "localhost"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.AddCookie(&http.Cookie{Name: sessionCookie, Value: secret})
		reads.Store(0)
		h.ServeHTTP(httptest.NewRecorder(), r)
		if n := reads.Load(); n != 1 {
			t.Errorf("%s %s read the bench in use %d times", e.method, address, n)
		}
		asked++
	}
	for _, e := range a.server.pages() {
		ask(e, e.path)
	}
	for _, e := range a.server.endpoints() {
		ask(e.route, "/api/v1"+e.path)
	}
	ask(route{method: "GET", path: "/"}, "/procedures/check/check")
	ask(route{method: "GET", path: "/"}, "/devices/load/pins/rehearsal")
	if asked < 150 {
		t.Errorf("only %d requests", asked)
	}
}
