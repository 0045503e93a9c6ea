package routes

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"ohmkeep/store"
)

// TestBodyOfAStranger: who has not signed in cannot have the server keep much.
func TestBodyOfAStranger(t *testing.T) {
	a := newAPI(t)
	for n, want := range map[int]int{1000: http.StatusUnauthorized, strangerBody: http.StatusRequestEntityTooLarge, maxBody - 1000: http.StatusRequestEntityTooLarge} {
		form := &counted{Reader: strings.NewReader("key=" + strings.Repeat("x", n))}
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "http://localhost/sign-in", form)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		a.http.ServeHTTP(w, r)
		if w.Code != want || form.n > 2*strangerBody {
			t.Errorf("a form of %d bytes: %d, %d were read", n, w.Code, form.n)
		}
	}
}

// counted counts what is read.
type counted struct {
	io.Reader
	n int
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	c.n += n
	return n, err
}

// TestHalfSentBodies: large bodies that do not come to their end are taken in up to a
// bound for all of them together; small ones are taken in whatever there is.
func TestHalfSentBodies(t *testing.T) {
	a := newAPI(t)
	post := func(body io.Reader, length int64) *httptest.ResponseRecorder {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPut, "http://localhost/api/v1/devices/x", body)
		r.ContentLength = length
		r.Header.Set("Authorization", "Bearer "+a.tokens[store.Operator])
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		a.http.ServeHTTP(w, r)
		return w
	}
	var all sync.WaitGroup
	var open []*io.PipeWriter
	for range allBodies / maxBody {
		body, send := io.Pipe()
		all.Go(func() { post(body, maxBody) })
		if _, err := send.Write([]byte("{")); err != nil { // it is being read
			t.Fatal(err)
		}
		open = append(open, send)
	}
	w := post(strings.NewReader("{}"), -1)
	if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" || !strings.Contains(w.Body.String(), "large requests") {
		t.Errorf("one more: %d %v %s", w.Code, w.Header(), w.Body)
	}
	if w := post(strings.NewReader("{}"), 2); w.Code == http.StatusServiceUnavailable {
		t.Errorf("a small one: %d %s", w.Code, w.Body)
	}
	for _, send := range open {
		send.Close()
	}
	all.Wait()
	if w := post(strings.NewReader("{}"), -1); w.Code == http.StatusServiceUnavailable {
		t.Errorf("after they have ended: %d %s", w.Code, w.Body)
	}
}
