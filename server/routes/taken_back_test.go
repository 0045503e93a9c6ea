package routes

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// served is the rig's program on a port.
func (a *apiRig) served() *httptest.Server {
	web := httptest.NewServer(a.http)
	a.t.Cleanup(web.Close)
	return web
}

// socket opens a live page and reads its first frame.
func (a *apiRig) socket(web *httptest.Server, path string, header http.Header) *websocket.Conn {
	a.t.Helper()
	conn, resp, err := websocket.DefaultDialer.DialContext(a.t.Context(), "ws"+strings.TrimPrefix(web.URL, "http")+path, header)
	if err != nil {
		a.t.Fatalf("%s: %v, %v", path, err, resp)
	}
	a.t.Cleanup(func() { conn.Close() })
	if _, _, err := conn.ReadMessage(); err != nil {
		a.t.Fatal(err)
	}
	return conn
}

// closedAsTakenBack reads a socket to its end and returns how many frames came;
// it ends with the code of access that was taken back, and without a mark that
// was published afterwards.
func (a *apiRig) closedAsTakenBack(conn *websocket.Conn, mark string) (frames int) {
	a.t.Helper()
	for {
		_, body, err := conn.ReadMessage()
		var closed *websocket.CloseError
		switch {
		case errors.As(err, &closed) && closed.Code == live.CloseTakenBack:
			return frames
		case err != nil:
			a.t.Errorf("the socket ended with %v", err)
			return frames
		case bytes.Contains(body, []byte(mark)):
			a.t.Error("a frame that was made after access was taken back came through")
		}
		frames++
	}
}

// TestTakenBackClosesSockets: a live page ends when what it was opened with is
// taken back, whether the browser, the token, the person or the share link, by
// this process or another.
func TestTakenBackClosesSockets(t *testing.T) {
	type opened struct {
		path   string
		header http.Header
		topic  string
		act    func() *answer // takes it back; nil: host does
		host   func(*store.Store) error
	}
	const mark = "made-after-it-was-taken-back"
	for name, open := range map[string]func(a *apiRig, run string) opened{
		"browser": func(a *apiRig, run string) opened {
			secret, err := a.store.NewSession(t.Context(), store.Viewer, "Ada", time.Hour)
			must(t, err)
			who, err := a.store.Session(t.Context(), secret)
			must(t, err)
			return opened{path: "/runs/" + run + "/live", header: http.Header{"Cookie": {sessionCookie + "=" + secret}}, topic: liverun.Topic(run), act: func() *answer {
				return a.ask(store.Owner, "DELETE", fmt.Sprintf("/browsers/%d", who.ID), nil)
			}}
		},
		"person": func(a *apiRig, run string) opened {
			secret, err := a.store.NewSession(t.Context(), store.Viewer, "Ada", time.Hour)
			must(t, err)
			return opened{path: "/runs/" + run + "/live", header: http.Header{"Cookie": {sessionCookie + "=" + secret}}, topic: liverun.Topic(run), act: func() *answer {
				return a.ask(store.Owner, "DELETE", fmt.Sprintf("/persons/%d", a.named("Ada").ID), nil)
			}}
		},
		"token": func(a *apiRig, run string) opened {
			secret, id, err := a.store.MakeToken(t.Context(), store.TokenRequest{Role: store.Viewer, Name: "script", By: "test"})
			must(t, err)
			return opened{path: "/runs/" + run + "/live", header: http.Header{"Authorization": {"Bearer " + secret}}, topic: liverun.Topic(run), act: func() *answer {
				return a.ask(store.Owner, "DELETE", fmt.Sprintf("/tokens/%d", id), nil)
			}}
		},
		"share link": func(a *apiRig, run string) opened {
			secret, id, err := a.store.NewShare(t.Context(), run, "test", time.Time{})
			must(t, err)
			a.server.Runs.Share(run)
			return opened{path: "/s/" + secret + "/live", topic: liverun.SharedTopic(run), act: func() *answer {
				return a.ask(store.Operator, "DELETE", fmt.Sprintf("/runs/%s/shares/%d", run, id), nil)
			}}
		},
		"share link, by another process": func(a *apiRig, run string) opened {
			secret, id, err := a.store.NewShare(t.Context(), run, "test", time.Time{})
			must(t, err)
			a.server.Runs.Share(run)
			return opened{path: "/s/" + secret + "/live", topic: liverun.SharedTopic(run), host: func(s *store.Store) error { return s.RevokeShare(t.Context(), id, "the host") }}
		},
	} {
		t.Run(name, func(t *testing.T) {
			a := newAPI(t)
			read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/seating", map[string]any{"device": "load", "serial": "S1"}), http.StatusOK)
			run := a.hang(nil)
			o := open(a, run)
			conn := a.socket(a.served(), o.path, o.header)
			if o.act == nil {
				must(t, o.host(storetest.Open(t, a.store.Path(), store.Options{})))
				a.closedAsTakenBack(conn, mark)
			} else {
				if out := o.act(); out.status != http.StatusNoContent {
					t.Fatalf("status %d: %s", out.status, out.body)
				}
				a.server.Hub.Open(o.topic).Publish(map[string]string{"x": mark})
				if n := a.closedAsTakenBack(conn, mark); n > 1 {
					t.Errorf("%d frames came after", n)
				}
			}
			a.clock.open()
			a.wait()
		})
	}
}

// TestTakenBackEndsExports: an answer that is being written, also to a client
// that reads nothing, ends when its token is revoked.
func TestTakenBackEndsExports(t *testing.T) {
	for _, c := range []class{page, report} {
		a := newAPI(t)
		over := make(chan error, 1)
		handler := withWriteDeadlines(a.server.identify(a.server.api(route{"GET", "/", store.Viewer, c, func(w http.ResponseWriter, r *http.Request) error {
			block := bytes.Repeat([]byte("x"), writeBlock)
			for {
				if _, err := w.Write(block); err != nil {
					over <- err
					panic(http.ErrAbortHandler) // as an export that is broken off does
				}
			}
		}})))
		web := httptest.NewServer(handler)
		defer web.Close()
		secret, id, err := a.store.MakeToken(t.Context(), store.TokenRequest{Role: store.Viewer, Name: "script", By: "test"})
		must(t, err)
		r, err := http.NewRequestWithContext(t.Context(), "GET", web.URL, nil)
		must(t, err)
		r.Header.Set("Authorization", "Bearer "+secret)
		resp, err := http.DefaultClient.Do(r)
		must(t, err)
		defer resp.Body.Close()
		if _, err := io.CopyN(io.Discard, resp.Body, writeBlock); err != nil {
			t.Fatal(err)
		}
		a.answers(204, a.ask(store.Owner, "DELETE", fmt.Sprintf("/tokens/%d", id), nil))
		if err := <-over; err == nil {
			t.Error("the answer ended without an error")
		}
	}
}

// TestTakenBackIsSaid: what has not been answered yet is answered with the
// reason.
func TestTakenBackIsSaid(t *testing.T) {
	a := newAPI(t)
	begun := make(chan struct{})
	e := route{"GET", "/", store.Viewer, page, func(w http.ResponseWriter, r *http.Request) error {
		close(begun)
		<-r.Context().Done()
		return r.Context().Err()
	}}
	web := httptest.NewServer(withWriteDeadlines(a.server.identify(a.server.api(e))))
	defer web.Close()
	secret, id, err := a.store.MakeToken(t.Context(), store.TokenRequest{Role: store.Viewer, Name: "script", By: "test"})
	must(t, err)
	answered := make(chan string, 1)
	go func() {
		r, _ := http.NewRequestWithContext(t.Context(), "GET", web.URL, nil)
		r.Header.Set("Authorization", "Bearer "+secret)
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			answered <- err.Error()
			return
		}
		defer resp.Body.Close()
		body, _ := io.ReadAll(resp.Body)
		answered <- resp.Status + " " + string(body)
	}()
	<-begun
	a.answers(204, a.ask(store.Owner, "DELETE", fmt.Sprintf("/tokens/%d", id), nil))
	if got := <-answered; !strings.HasPrefix(got, "401") || !strings.Contains(got, "taken back") {
		t.Errorf("answered %s", got)
	}
	if a.log.Len() > 0 {
		t.Errorf("logged: %s", a.log)
	}
}

// TestSignOutEverywhere answers the browser that asks, and ends them all.
func TestSignOutEverywhere(t *testing.T) {
	a := newAPI(t)
	secret, err := a.store.NewSession(t.Context(), store.Viewer, "Ada", time.Hour)
	must(t, err)
	web := a.served()
	conn := a.socket(web, "/live", http.Header{"Cookie": {sessionCookie + "=" + secret}})
	r, err := http.NewRequestWithContext(t.Context(), "POST", web.URL+"/access/browsers/end", strings.NewReader(url.Values{}.Encode()))
	must(t, err)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.AddCookie(&http.Cookie{Name: sessionCookie, Value: secret})
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(r)
	must(t, err)
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != "/sign-in" {
		t.Errorf("answered %s to %s", resp.Status, resp.Header.Get("Location"))
	}
	a.closedAsTakenBack(conn, "never")
	a.answers(401, a.ask(store.Nobody, "GET", "/runs", nil, "Cookie", sessionCookie+"="+secret))
}
