package routes

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/go-chi/chi/v5"

	"ohmkeep/store"
)

// leaving is the context of a request whose client gives up while it is answered:
// when the context has been asked so often.
type leaving struct {
	context.Context
	left  atomic.Int64
	leave context.CancelFunc
}

func (c *leaving) asked() {
	if c.left.Add(-1) == 0 {
		c.leave()
	}
}

func (c *leaving) Done() <-chan struct{} { c.asked(); return c.Context.Done() }
func (c *leaving) Err() error            { c.asked(); return c.Context.Err() }
func (c *leaving) Value(key any) any     { c.asked(); return c.Context.Value(key) }

// gaveUp sends a request whose client gives up at a moment, and reports whether it
// was still being answered then.
func (a *apiRig) gaveUp(h http.Handler, address string, moment int64) bool {
	ctx, cancel := context.WithCancel(context.WithValue(a.t.Context(), accessKey{}, store.Access{Kind: store.TokenKey, ID: 1, Person: 1, Role: store.Owner, Name: "Ada"}))
	defer cancel()
	r := httptest.NewRequest("GET", address, nil)
	r.Host = "localhost"
	r.Header.Set("Authorization", "Bearer "+a.tokens[store.Owner])
	c := &leaving{Context: ctx, leave: cancel}
	c.left.Store(moment)
	defer func() {
		if broken := recover(); broken != nil && broken != http.ErrAbortHandler {
			panic(broken)
		}
	}()
	h.ServeHTTP(httptest.NewRecorder(), r.WithContext(c))
	return c.left.Load() <= 0
}

// TestClientThatGaveUpIsNoError asks for every page and every answer of the API as
// clients that give up, at many moments from the first look at who they are to the
// last: the server logs no error for it, since nothing of its own went wrong.
func TestClientThatGaveUpIsNoError(t *testing.T) {
	a := newAPI(t)
	run := a.runOnce(map[string]any{"serial": "S1", "lot": "L1"})
	// What stands before the handlers makes a context of its own, through which they
	// do not ask the client's: they are asked without it too.
	bare := chi.NewRouter()
	for _, e := range a.server.pages() {
		bare.Method(e.method, e.path, a.server.page(e))
	}
	for _, e := range a.server.endpoints() {
		bare.Method(e.method, "/api/v1"+e.path, a.server.api(e.route))
	}
	asked, most := 0, int64(0)
	for _, e := range a.routesOfBoth() {
		if e.method != "GET" || strings.HasSuffix(e.path, "/live") {
			continue
		}
		address := pagePatterns.Replace(strings.ReplaceAll(e.path, "/runs/{id}", "/runs/"+run))
		for _, h := range []http.Handler{a.http, bare} {
			for moment := int64(1); a.gaveUp(h, address, moment); moment += 1 + moment/4 {
				asked, most = asked+1, max(most, moment)
				if a.log.Len() > 0 {
					t.Errorf("%s, given up at moment %d: logged: %s", address, moment, a.log)
					a.log.Reset()
				}
			}
		}
	}
	t.Logf("%d requests were given up, the latest at its look %d", asked, most)
	if most < 100 {
		t.Errorf("the latest was given up at its look %d: too early to tell anything", most)
	}
}
