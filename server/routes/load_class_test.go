package routes

import (
	"context"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/store"
)

// What a route's address says of its class. Each list has to be found in the
// tables, so that an address that changes is noticed.
var (
	reports  = regexp.MustCompile(`\.csv$|\.txt$|\.gz$|/export$|/wide|/compare|/lots?$|/units$|/overview$|/events$`)
	controls = regexp.MustCompile(`/stop$|/safe$|/sign-in$|/sign-in/(?:with|return|name)$|/sign-out$|/health$|/metrics$|/live$|/control$|/rerun$|/cancel$`)
)

// TestEveryRouteHasItsClass walks both tables: what reads as much as there is
// is a report, and what a person at a bench must not wait for is none.
func TestEveryRouteHasItsClass(t *testing.T) {
	a := newAPI(t)
	table := a.server.pages()
	for _, e := range a.server.endpoints() {
		if e.media == mediaCSV && e.class != report {
			t.Errorf("%s %s answers with CSV and is no report", e.method, e.path)
		}
		table = append(table, e.route)
	}
	found := map[string]bool{}
	for _, e := range table {
		want := class(0)
		switch {
		case reports.MatchString(e.path):
			want = report
			found[reports.FindString(e.path)] = true
		case controls.MatchString(e.path), e.method == "POST" && e.path == "/runs", e.method == "DELETE" && e.path == "/data/check":
			want = control
			found[controls.FindString(e.path)] = true
		}
		if _, ok := poolOf[e.class]; !ok {
			t.Errorf("%s %s has no class", e.method, e.path)
		} else if want != 0 && e.class != want {
			t.Errorf("%s %s is of class %d, want %d", e.method, e.path, e.class, want)
		} else if want == 0 && e.class != page {
			t.Errorf("%s %s is of class %d, and nothing here says why", e.method, e.path, e.class)
		}
	}
	for _, kind := range []string{".csv", ".txt", ".gz", "/export", "/compare", "/lots", "/units", "/overview", "/wide", "/stop", "/safe", "/sign-in", "/sign-in/with", "/sign-in/return", "/sign-in/name", "/sign-out", "/health", "/live", "/control", "/rerun", "/metrics", "/cancel", "/events"} {
		if !found[kind] {
			t.Errorf("no address ends in %s", kind)
		}
	}
}

// TestDrawingsReadAsControl: what is drawn for all viewers of a live page waits
// for no page.
func TestDrawingsReadAsControl(t *testing.T) {
	s := newAPI(t).server
	looked := make(chan store.Pool, 1)
	watched(s, httptest.NewRecorder(), httptest.NewRequest("GET", "/live", nil), "test", time.Hour,
		func(ctx context.Context) (int, error) { looked <- store.PoolOf(ctx); return 1, nil },
		func(int) map[string]templ.Component { return nil })
	if pool := <-looked; pool != store.Control {
		t.Errorf("a page gathers what it shows from %s", pool)
	}
}

// TestClassesReadFromTheirPools: a handler's context reads from the pool of
// its class, by page and by API.
func TestClassesReadFromTheirPools(t *testing.T) {
	s := newAPI(t).server
	for c, want := range poolOf {
		got := store.Pool(-1)
		e := route{"GET", "/", store.Nobody, c, func(w http.ResponseWriter, r *http.Request) error {
			got = store.PoolOf(r.Context())
			return nil
		}}
		for name, handler := range map[string]http.HandlerFunc{"page": s.page(e), "api": s.api(e)} {
			got = -1
			handler(httptest.NewRecorder(), httptest.NewRequest("GET", "/", strings.NewReader("")))
			if got != want {
				t.Errorf("class %d by %s reads from %s, want %s", c, name, got, want)
			}
		}
	}
}
