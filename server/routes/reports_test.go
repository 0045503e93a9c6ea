package routes

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/turn"
	"ohmkeep/store"
)

// stuckClient accepts nothing: a write returns when its deadline has come.
type stuckClient struct {
	*httptest.ResponseRecorder
	mu       sync.Mutex
	deadline time.Time
	writing  chan struct{} // told when somebody writes
	changed  chan struct{} // told of a new deadline
}

func (c *stuckClient) SetWriteDeadline(t time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.deadline = t
	select {
	case c.changed <- struct{}{}:
	default:
	}
	return nil
}

func (c *stuckClient) Write([]byte) (int, error) {
	c.writing <- struct{}{}
	for {
		c.mu.Lock()
		left := time.Until(c.deadline)
		c.mu.Unlock()
		select {
		case <-c.changed:
			continue
		case <-time.After(left):
			return 0, os.ErrDeadlineExceeded
		}
	}
}

// endless is a report that writes blocks as long as they are accepted.
func (s *Server) endless(w http.ResponseWriter, r *http.Request) error {
	return s.csvAnswer(w, r, "endless", func(b *csvBody) error {
		for {
			if _, err := b.Write(make([]byte, 64<<10)); err != nil {
				return err
			}
			if err := turn.Pass(r.Context()); err != nil {
				return err
			}
		}
	})
}

// TestStuckReader: a reader that accepts nothing holds no turn meanwhile, and
// is let go when its time is over, with its place.
func TestStuckReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log strings.Builder
		s := &Server{Config: Config{Log: slog.New(slog.NewTextHandler(&log, nil)), Reports: turn.NewQueue(turn.Limits{Computing: 1, Open: 2, Each: 2})}}
		stuck := &stuckClient{ResponseRecorder: httptest.NewRecorder(), writing: make(chan struct{}, 1), changed: make(chan struct{}, 1)}
		ended := make(chan any)
		begun := time.Now()
		go func() {
			defer func() { ended <- recover() }()
			_ = s.serve(route{class: report, handle: s.endless}, stuck, httptest.NewRequest("GET", "/s/secret-of-a-share/readings.csv", nil))
		}()
		<-stuck.writing
		synctest.Wait()
		answered := false
		err := s.serve(route{class: report, handle: func(http.ResponseWriter, *http.Request) error { answered = true; return nil }},
			httptest.NewRecorder(), httptest.NewRequest("GET", "/runs.csv", nil))
		if err != nil || !answered || time.Since(begun) != 0 {
			t.Errorf("a report beside a stuck reader: %v, answered %v after %v", err, answered, time.Since(begun))
		}
		if aborted := <-ended; aborted != http.ErrAbortHandler {
			t.Errorf("the connection was not broken: %v", aborted)
		}
		if waited := time.Since(begun); waited != writeWait {
			t.Errorf("let go after %v", waited)
		}
		for range 2 { // both places are free again
			if _, err := s.Reports.Open("next"); err != nil {
				t.Error(err)
			}
		}
		if strings.Contains(log.String(), "secret") || strings.Contains(log.String(), "level=ERROR") {
			t.Errorf("log: %s", &log)
		}
	})
}

// TestStopWaitsForNoReader: a stop of the server ends a report whose reader
// accepts nothing, at once, and refuses the next.
func TestStopWaitsForNoReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &Server{Config: Config{Log: slog.New(slog.DiscardHandler), Reports: turn.NewQueue(turn.Limits{})}}
		stuck := &stuckClient{ResponseRecorder: httptest.NewRecorder(), writing: make(chan struct{}, 1), changed: make(chan struct{}, 1)}
		ended := make(chan any)
		begun := time.Now()
		go func() {
			defer func() { ended <- recover() }()
			_ = s.serve(route{class: report, handle: s.endless}, stuck, httptest.NewRequest("GET", "/runs.csv", nil))
		}()
		<-stuck.writing
		synctest.Wait()
		s.Reports.Close()
		if aborted := <-ended; aborted != http.ErrAbortHandler || time.Since(begun) != 0 {
			t.Errorf("%v after %v", aborted, time.Since(begun))
		}
		err := s.serve(route{class: report, handle: s.endless}, httptest.NewRecorder(), httptest.NewRequest("GET", "/runs.csv", nil))
		if problem.CodeOf(err) != problem.Unavailable {
			t.Errorf("a report while the server stops: %v", err)
		}
	})
}

// TestTooManyReports: what cannot be taken in is refused by page and API with
// 503 and when to come again; what is no report still answers.
func TestTooManyReports(t *testing.T) {
	a := newAPI(t)
	a.http = New(func() Config { c := a.server.Config; c.Reports = turn.NewQueue(turn.Limits{Open: 1}); return c }())
	full := turnTaken(t, a)
	defer full()
	ask := func(path string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", path, nil)
		r.Host = "localhost"
		r.Header.Set("Authorization", "Bearer "+a.tokens[store.Operator])
		w := httptest.NewRecorder()
		a.http.ServeHTTP(w, r)
		return w
	}
	for path, media := range map[string]string{"/runs.csv": "text/html", "/compare": "text/html", "/runs/wide.csv": "text/html",
		"/api/v1/runs.csv": "application/problem+json", "/api/v1/units": "application/problem+json"} {
		w := ask(path)
		if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") != "10" || !strings.HasPrefix(w.Header().Get("Content-Type"), media) {
			t.Errorf("%s: %d, Retry-After %q, %s", path, w.Code, w.Header().Get("Retry-After"), w.Header().Get("Content-Type"))
		}
	}
	for _, path := range []string{"/health", "/runs", "/api/v1/health", "/api/v1/runs"} {
		if w := ask(path); w.Code != http.StatusOK {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
}

// TestLongPictureIsAReport: the page of a run whose picture takes long to gather
// waits for a turn, and is put off where too many do; the next time it is an
// ordinary page.
func TestLongPictureIsAReport(t *testing.T) {
	a := newAPI(t)
	a.http = New(func() Config { c := a.server.Config; c.Reports = turn.NewQueue(turn.Limits{Open: 1}); return c }())
	id := a.runOnce(nil)
	rec, err := a.store.GetRun(t.Context(), id)
	must(t, err)
	rec.ID, rec.Status = "long", procedure.Running
	must(t, a.store.Begin(t.Context(), rec))
	must(t, a.store.Append(t.Context(), "long", procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: make([]bench.Reading, 70_000)}}}))
	must(t, a.store.Finish(t.Context(), "long", procedure.Ending{Status: procedure.Done, Ended: rec.Started}))
	ask := func(path string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", path, nil)
		r.Host = "localhost"
		r.Header.Set("Authorization", "Bearer "+a.tokens[store.Operator])
		w := httptest.NewRecorder()
		a.http.ServeHTTP(w, r)
		return w
	}
	full := turnTaken(t, a)
	for _, path := range []string{"/runs/long?m=0", "/api/v1/runs/long/plot?measurement=0"} {
		if w := ask(path); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") != "10" {
			t.Errorf("%s: %d, Retry-After %q", path, w.Code, w.Header().Get("Retry-After"))
		}
	}
	if w := ask("/runs/" + id); w.Code != http.StatusOK {
		t.Errorf("a short run: %d", w.Code)
	}
	full()
	if w := ask("/runs/long?m=0"); w.Code != http.StatusOK {
		t.Errorf("with a turn: %d", w.Code)
	}
	defer turnTaken(t, a)()
	if w := ask("/api/v1/runs/long/plot?measurement=0"); w.Code != http.StatusOK {
		t.Errorf("once it is gathered: %d", w.Code)
	}
}

// TestPutOffByAStop: a report that waits for its turn when the server stops is
// told so, and when to come again.
func TestPutOffByAStop(t *testing.T) {
	a := newAPI(t)
	q := turn.NewQueue(turn.Limits{Computing: 1})
	a.http = New(func() Config { c := a.server.Config; c.Reports = q; return c }())
	holder, err := q.Open("somebody")
	must(t, err)
	must(t, holder.Take(t.Context()))
	defer holder.Close()
	answers := make(chan *httptest.ResponseRecorder)
	ask := func(path string) {
		r := httptest.NewRequest("GET", path, nil)
		r.Host = "localhost"
		r.Header.Set("Authorization", "Bearer "+a.tokens[store.Viewer])
		w := httptest.NewRecorder()
		a.http.ServeHTTP(w, r)
		answers <- w
	}
	go ask("/runs.csv")
	go ask("/api/v1/runs.csv")
	for q.Opened() != 3 {
		runtime.Gosched()
	}
	q.Close()
	go ask("/compare") // one that comes after
	for range 3 {
		w := <-answers
		if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") != "10" || !strings.Contains(w.Body.String(), "The server is stopping") {
			t.Errorf("%d, Retry-After %q, %s", w.Code, w.Header().Get("Retry-After"), w.Body)
		}
	}
}

// turnTaken opens a report through the front door that goes on until the
// function it returns is called.
func turnTaken(t *testing.T, a *apiRig) (end func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	client, done := &heldClient{httptest.NewRecorder(), make(chan struct{}), make(chan struct{})}, make(chan struct{})
	r := httptest.NewRequest("GET", "/runs.csv", nil).WithContext(ctx)
	r.Host = "localhost"
	r.Header.Set("Authorization", "Bearer "+a.tokens[store.Viewer])
	go func() {
		defer close(done)
		defer func() { _ = recover() }() // the connection is broken off
		a.http.ServeHTTP(client, r)
	}()
	<-client.writing
	return func() { cancel(); close(client.free); <-done }
}

// heldClient accepts nothing until it is set free.
type heldClient struct {
	*httptest.ResponseRecorder
	writing, free chan struct{}
}

func (c *heldClient) Write(p []byte) (int, error) {
	close(c.writing)
	<-c.free
	return 0, io.ErrClosedPipe
}

// A client that has left is no fault of the server.
func TestReportOfAClientThatLeft(t *testing.T) {
	var log strings.Builder
	s := &Server{Config: Config{Log: slog.New(slog.NewTextHandler(&log, nil)), Reports: turn.NewQueue(turn.Limits{})}}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	err := s.serve(route{class: report, handle: s.endless}, httptest.NewRecorder(), httptest.NewRequest("GET", "/", nil).WithContext(ctx))
	if problem.CodeOf(err) != problem.Unavailable || !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	if p := classify(err, s.Log); p.Status != http.StatusServiceUnavailable || log.Len() > 0 {
		t.Errorf("%+v, log %s", p, &log)
	}
}

func TestAsker(t *testing.T) {
	one, two := httptest.NewRequest("GET", "/", nil), httptest.NewRequest("GET", "/", nil)
	one.RemoteAddr, two.RemoteAddr = "192.0.2.1:1000", "192.0.2.1:1001"
	if clientKey(one) != clientKey(two) {
		t.Error("two connections of one host are two askers")
	}
	two.RemoteAddr = "192.0.2.2:1000"
	if clientKey(one) == clientKey(two) {
		t.Error("two hosts are one asker")
	}
	signedIn := one.WithContext(context.WithValue(one.Context(), accessKey{}, store.Access{Kind: store.SessionKey, ID: 7, Role: store.Viewer}))
	if clientKey(signedIn) != "browser 7" {
		t.Errorf("a session is %q", clientKey(signedIn))
	}
}

// blockCounter is a client that notes the size of each write and how many
// deadlines it was given.
type blockCounter struct {
	*httptest.ResponseRecorder
	mu        sync.Mutex // the stop of the server sets a deadline beside the writer
	blocks    []int
	deadlines []time.Time
}

func (c *blockCounter) SetWriteDeadline(t time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.deadlines = append(c.deadlines, t)
	return nil
}

func (c *blockCounter) Write(p []byte) (int, error) {
	c.blocks = append(c.blocks, len(p))
	return c.ResponseRecorder.Write(p)
}

// TestLongAnswerHasADeadlineForEachBlock: a client that is slow but reads gets
// the whole of a long page.
func TestLongAnswerHasADeadlineForEachBlock(t *testing.T) {
	c := &blockCounter{ResponseRecorder: httptest.NewRecorder()}
	w := newDeadlineWriter(c, httptest.NewRequest("GET", "/", nil))
	whole := strings.Repeat("0123456789", 50_000)
	if n, err := io.WriteString(w, whole); n != len(whole) || err != nil || c.Body.String() != whole {
		t.Errorf("%d of %d bytes, %v", n, len(whole), err)
	}
	if most := max(len(c.blocks), 1); most != len(c.deadlines) || most != (len(whole)+writeBlock-1)/writeBlock {
		t.Errorf("%d blocks with %d deadlines", len(c.blocks), len(c.deadlines))
	}
}

// TestTakenBackBetweenBlocks: what has begun goes no further once its access is
// taken back, also where no block is being written at that moment; the reason,
// where nothing has begun, has time to get through.
func TestTakenBackBetweenBlocks(t *testing.T) {
	for _, begun := range []bool{true, false} {
		ctx, takeBack := context.WithCancelCause(t.Context())
		c := &blockCounter{ResponseRecorder: httptest.NewRecorder()}
		w := newDeadlineWriter(c, httptest.NewRequestWithContext(ctx, "GET", "/", nil))
		if begun {
			_, err := io.WriteString(w, "first")
			must(t, err)
		}
		takeBack(people.ErrTakenBack)
		for _, text := range []string{"second", "third"} {
			if _, err := io.WriteString(w, text); errors.Is(err, people.ErrTakenBack) != begun {
				t.Errorf("begun %v, %s: %v", begun, text, err)
			}
		}
		w.wait()
		if left := time.Until(c.deadlines[len(c.deadlines)-1]); left > 0 == begun {
			t.Errorf("begun %v: %v are left", begun, left)
		}
	}
}

// TestStopEndsAReportThatComputes: the middleware's writer and the report's are
// one, so that a block written after the stop of the server has no time left.
func TestStopEndsAReportThatComputes(t *testing.T) {
	c := &blockCounter{ResponseRecorder: httptest.NewRecorder()}
	s := &Server{Config: Config{Reports: turn.NewQueue(turn.Limits{Computing: 1, Open: 2, Each: 2})}}
	e := route{class: report, handle: func(w http.ResponseWriter, r *http.Request) error {
		s.Reports.Close()
		<-r.Context().Done()
		_, _ = io.WriteString(w, "late") // refused or not, it must not wait
		return r.Context().Err()
	}}
	withWriteDeadlines(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := s.serve(e, w, r); problem.CodeOf(err) != problem.Unavailable {
			t.Errorf("a report after the stop: %v", err)
		}
	})).ServeHTTP(c, httptest.NewRequest("GET", "/", nil))
	c.mu.Lock()
	defer c.mu.Unlock()
	if last := c.deadlines[len(c.deadlines)-1]; time.Until(last) > 0 {
		t.Errorf("a block after the stop has %v", time.Until(last))
	}
}
