package routes

import (
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// TestCSVAnswer: what goes wrong before the first byte is answered as a
// problem, what goes wrong after it breaks the transfer off.
func TestCSVAnswer(t *testing.T) {
	s := &Server{Config: Config{Log: slog.New(slog.DiscardHandler)}}
	broken := errors.New("broken")
	answer := func(write func(*csvBody) error) (w *httptest.ResponseRecorder, aborted any, err error) {
		defer func() { aborted = recover() }()
		w = httptest.NewRecorder()
		err = s.csvAnswer(w, httptest.NewRequest("GET", "/", nil), "a b/c\"é", write)
		return w, nil, err
	}
	w, aborted, err := answer(func(*csvBody) error { return broken })
	if !errors.Is(err, broken) || aborted != nil || len(w.Header()) > 0 {
		t.Errorf("before: %v, %v, %v", err, aborted, w.Header())
	}
	_, aborted, _ = answer(func(b *csvBody) error {
		_, _ = b.Write([]byte("run\r\n"))
		return broken
	})
	if aborted != http.ErrAbortHandler {
		t.Errorf("after: %v", aborted)
	}
	w, aborted, err = answer(func(b *csvBody) error {
		_, err := b.Write([]byte("run\r\n"))
		return err
	})
	if err != nil || aborted != nil || w.Body.String() != "run\r\n" {
		t.Errorf("%v, %v, %q", err, aborted, w.Body)
	}
	if got := w.Header().Get("Content-Disposition"); got != `attachment; filename="a-b-c--.csv"` {
		t.Errorf("Content-Disposition %s", got)
	}
	if got := w.Header().Get("Content-Type"); got != "text/csv; charset=utf-8; header=present" { // RFC 4180, 3
		t.Errorf("Content-Type %s", got)
	}
}

func TestRunFile(t *testing.T) {
	rec := &procedure.Record{ID: "01890a5d-ac96-774b-bcce-b302099a8057", Device: dut.Device{Key: "load"}, Unit: dut.Unit{Serial: "S 1/2"}}
	if got := fileName(runFile(rec, "results")); got != "load-S-1-2-099a8057-results" {
		t.Errorf("file %s", got)
	}
	rec.Unit.Serial, rec.Rehearsal = "", true
	if got := fileName(runFile(rec, "readings")); got != "load-099a8057-readings-rehearsal" {
		t.Errorf("file %s", got)
	}
}

// TestPagesAnswerCSV: the pages' addresses and those of a shared link answer
// with the same bytes as the API.
func TestPagesAnswerCSV(t *testing.T) {
	a := newAPI(t)
	id := a.runOnce(nil)
	link := read[lab.ShareLink](a, a.ask(store.Operator, "POST", "/runs/"+id+"/shares", "{}"), http.StatusCreated)
	page := func(address string, role store.Role) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", address, nil)
		r.Host = "localhost"
		if token := a.tokens[role]; token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		w := httptest.NewRecorder()
		a.http.ServeHTTP(w, r)
		return w
	}
	for address, api := range map[string]string{
		"/runs.csv?unit=S1": "/runs.csv?unit=S1", "/runs/wide.csv": "/results/wide.csv",
		"/runs/" + id + "/results.csv": "/runs/" + id + "/results.csv", "/runs/" + id + "/readings.csv": "/runs/" + id + "/readings.csv",
		link.Path + "/results.csv": "/runs/" + id + "/results.csv", link.Path + "/readings.csv": "/runs/" + id + "/readings.csv", link.Path + "/budgets.csv": "/runs/" + id + "/budgets.csv",
	} {
		role := store.Viewer
		if strings.HasPrefix(address, "/s/") {
			role = store.Nobody
		}
		got, want := page(address, role), a.ask(store.Viewer, "GET", api, nil)
		if got.Code != 200 || got.Body.String() != string(want.body) || got.Header().Get("Content-Disposition") != want.header.Get("Content-Disposition") {
			t.Errorf("%s: status %d, %.200s", address, got.Code, got.Body)
		}
	}
	if out := a.ask(store.Operator, "DELETE", "/runs/"+id+"/shares/1", nil); out.status != 204 {
		t.Fatalf("%s", out.body)
	}
	if w := page(link.Path+"/readings.csv", store.Nobody); w.Code < 400 || strings.Contains(w.Body.String(), "S1") {
		t.Errorf("revoked link: status %d", w.Code)
	}
}

// FuzzFilter: a filter from any query is refused with its fields named or can
// be stored in the nanoseconds that times are kept in.
func FuzzFilter(f *testing.F) {
	for _, q := range []string{"", "lot=L1&outcome=no+limits", "from=2030-01-01&to=2030-01-31T15:04:05Z", "to=1677-09-21", "from=2262-04-12", "q=%00%ff"} {
		f.Add(q)
	}
	f.Fuzz(func(t *testing.T, query string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		filter, err := filterOf(q)
		if err != nil {
			if p := classify(err, nil); p.Status != http.StatusUnprocessableEntity || len(p.Fields) == 0 {
				t.Fatalf("%v", err)
			}
			return
		}
		for _, at := range []time.Time{filter.From, filter.To} {
			if !at.IsZero() && !time.Unix(0, at.UnixNano()).Equal(at) {
				t.Fatalf("%v is kept as %v", at, time.Unix(0, at.UnixNano()))
			}
		}
		if !filter.From.IsZero() && !filter.To.IsZero() && !filter.From.Before(filter.To) {
			t.Fatalf("from %v to %v", filter.From, filter.To)
		}
	})
}

func TestExpectedRev(t *testing.T) {
	for tag, want := range map[string]int{"": 0, `"1"`: 1, `"42"`: 42, "1": -1, `W/"1"`: -1, `"0"`: -1, `"-1"`: -1, `"01"`: -1,
		`"+1"`: -1, "*": -1, `"1", "2"`: -1, "`1`": -1, `"99999999999999999999"`: -1, `""`: -1} {
		r := httptest.NewRequest("PUT", "/", nil)
		r.Header.Set("If-Match", tag)
		rev, err := expectedRev(r)
		if want < 0 && (err == nil || asProblem(t, err).Status != http.StatusBadRequest) || want >= 0 && (rev != want || err != nil) {
			t.Errorf("%s: %d, %v", tag, rev, err)
		}
	}
}
