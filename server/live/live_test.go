package live

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/gorilla/websocket"
)

func serve(t *testing.T) (*Hub, string) {
	t.Helper()
	h := NewHub(slog.New(slog.DiscardHandler), func(*http.Request) bool { return true })
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		since, _ := strconv.ParseUint(r.URL.Query().Get("since"), 10, 64)
		h.Serve(w, r, "run", since)
	}))
	t.Cleanup(func() { h.Close(); s.Close() })
	return h, "ws" + strings.TrimPrefix(s.URL, "http")
}

func dial(t *testing.T, url string, since uint64) *websocket.Conn {
	t.Helper()
	c, _, err := websocket.DefaultDialer.Dial(fmt.Sprintf("%s?since=%d", url, since), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func next(t *testing.T, c *websocket.Conn) Frame {
	t.Helper()
	_, b, err := c.ReadMessage()
	if err != nil {
		t.Fatal(err)
	}
	var f Frame
	if err := json.Unmarshal(b, &f); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestNewViewerGetsEverything(t *testing.T) {
	h, url := serve(t)
	topic := h.Open("run")
	topic.Publish(map[string]string{"a": "1", "b": "1"})
	topic.Publish(map[string]string{"a": "2"})
	got := next(t, dial(t, url, 0))
	want := map[string]string{"a": "2", "b": "1"}
	if diff := cmp.Diff(want, got.Parts); diff != "" {
		t.Error(diff)
	}
}

func TestReturningViewerGetsWhatChanged(t *testing.T) {
	h, url := serve(t)
	topic := h.Open("run")
	seen := topic.Publish(map[string]string{"a": "1", "b": "1"})
	topic.Publish(map[string]string{"a": "2"})
	topic.Publish(map[string]string{"a": "3", "c": "1"})
	got := next(t, dial(t, url, seen))
	if diff := cmp.Diff(map[string]string{"a": "3", "c": "1"}, got.Parts); diff != "" {
		t.Error(diff)
	}
	if got.Seq != seen+2 {
		t.Errorf("seq %d, want %d", got.Seq, seen+2)
	}
}

func TestNumberFromAnotherLifeOfTheServer(t *testing.T) {
	h, url := serve(t)
	topic := h.Open("run")
	topic.Publish(map[string]string{"a": "1"})
	for _, since := range []uint64{1, topic.Seq() + 1000} {
		if got := next(t, dial(t, url, since)); got.Parts["a"] != "1" {
			t.Errorf("since %d: got %+v", since, got)
		}
	}
}

func TestMissingTopicAsksForReload(t *testing.T) {
	_, url := serve(t)
	if got := next(t, dial(t, url, 5)); !got.Reload {
		t.Errorf("got %+v, want reload", got)
	}
}

func TestEqualFragmentsAreNotSent(t *testing.T) {
	topic := NewTopic(time.Now())
	a := topic.Publish(map[string]string{"a": "1"})
	if b := topic.Publish(map[string]string{"a": "1"}); b != a {
		t.Errorf("seq moved from %d to %d for an equal fragment", a, b)
	}
}

func TestEndClosesNormally(t *testing.T) {
	h, url := serve(t)
	topic := h.Open("run")
	topic.End(map[string]string{"a": "last"})
	topic.Publish(map[string]string{"a": "after"})
	c := dial(t, url, 0)
	if got := next(t, c); !got.Final || got.Parts["a"] != "last" {
		t.Errorf("got %+v", got)
	}
	_, _, err := c.ReadMessage()
	if !websocket.IsCloseError(err, websocket.CloseNormalClosure) {
		t.Errorf("got %v, want close 1000", err)
	}
}

func TestCloseTellsViewers(t *testing.T) {
	h, url := serve(t)
	h.Open("run").Publish(map[string]string{"a": "1"})
	c := dial(t, url, 0)
	next(t, c)
	h.Close()
	if _, _, err := c.ReadMessage(); !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("got %v, want close 1001", err)
	}
}

// What is published right before the stop reaches the viewer, whichever of the
// two it notices first.
func TestLastWordsBeforeTheStop(t *testing.T) {
	for range 50 {
		h, url := serve(t)
		topic := h.Open("run")
		topic.Publish(map[string]string{"a": "1"})
		c := dial(t, url, 0)
		next(t, c)
		topic.End(map[string]string{"a": "interrupted"})
		h.Close()
		if got := next(t, c); got.Parts["a"] != "interrupted" || !got.Final {
			t.Fatalf("got %+v", got)
		}
	}
}

// A viewer that never reads must not slow the publisher, and a viewer that
// reads now and then must still end with the newest of every part.
func TestSlowViewersNeverHoldThePublisher(t *testing.T) {
	h, url := serve(t)
	topic := h.Open("run")
	dial(t, url, 0) // never reads
	reader := dial(t, url, 0)
	var wg sync.WaitGroup
	got := map[string]string{}
	wg.Go(func() {
		for {
			f := next(t, reader)
			for id, html := range f.Parts {
				got[id] = html
			}
			if f.Final {
				return
			}
		}
	})
	big := strings.Repeat("x", 64<<10)
	want := map[string]string{}
	const n = 500 // 32 MB: far beyond what the sockets can buffer
	for i := range n {
		id := "p" + strconv.Itoa(i%7)
		want[id] = big + strconv.Itoa(i)
		topic.Publish(map[string]string{id: want[id]})
	}
	want["end"] = "end"
	topic.End(map[string]string{"end": "end"})
	wg.Wait()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error("the reader ended with stale parts")
	}
}

func TestForeignOriginIsRefused(t *testing.T) {
	h := NewHub(slog.New(slog.DiscardHandler), func(r *http.Request) bool { return r.Header.Get("Origin") == "" })
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { h.Serve(w, r, "run", 0) }))
	defer s.Close()
	_, resp, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(s.URL, "http"), http.Header{"Origin": {"http://elsewhere.example"}})
	if err == nil || resp == nil || resp.StatusCode != http.StatusForbidden {
		t.Fatalf("got %v, want 403", err)
	}
}

// TestViewersAreWokenInTurn: what becomes due while thousands of viewers are woken
// goes before most of them.
func TestViewersAreWokenInTurn(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	topic := NewTopic(time.Now())
	const viewers = 50 * groups
	var waiting, woken sync.WaitGroup
	var n atomic.Int64
	for i := range viewers {
		waiting.Add(1)
		woken.Go(func() {
			wake := topic.after(topic.Seq(), i).wake
			waiting.Done()
			<-wake
			n.Add(1)
		})
	}
	waiting.Wait()
	topic.Publish(map[string]string{"a": "1"})
	runtime.Gosched() // this is due now, and they are
	if before := n.Load(); before > viewers/4 {
		t.Errorf("%d of %d viewers went before", before, viewers)
	}
	woken.Wait()
}
