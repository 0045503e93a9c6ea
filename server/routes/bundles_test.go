package routes

import (
	"net/http/httptest"
	"strings"
	"testing"

	"ohmkeep/store"
)

// bundles exports a run, some runs and everything, and imports each into the
// server itself, where all of it is already.
func (a *apiRig) bundles(run string) {
	t := a.t
	gzip := []string{"Content-Type", mediaBundle}
	for path, want := range map[string]int{"/export": 3, "/export?runs=" + run: 1, "/runs.tar.gz?unit=S1": 1} {
		file := a.ask(store.Viewer, "GET", path, nil)
		a.answers(200, file)
		a.answers(403, a.ask(store.Operator, "POST", "/import", string(file.body), gzip...))
		for _, query := range []string{"?dry=yes", ""} {
			got := read[apiImported](a, a.ask(store.Owner, "POST", "/import"+query, string(file.body), gzip...), 200)
			if got.New+got.Renamed+got.GoOn+got.Refused != 0 || got.There < want || len(got.Sum) != 64 || got.MadeBy != "viewer" || got.Dry != (query != "") {
				t.Errorf("%s%s: %+v", path, query, got)
			}
		}
	}
	a.answers(404, a.ask(store.Viewer, "GET", "/export?devices=none", nil))
	a.answers(422, a.ask(store.Owner, "POST", "/import", "no bundle", gzip...))
	a.answers(415, a.ask(store.Owner, "POST", "/import", "{}"))
	lines := get[apiList[apiLogLine]](a, "/events?action=export")
	if len(lines.Items) != 3 || lines.Items[0].By != "viewer" || !strings.HasPrefix(lines.Items[0].Subject, "file ") {
		t.Errorf("the log: %+v", lines)
	}
}

// TestImportForm: a form without a file says what to do.
func TestImportForm(t *testing.T) {
	a := newAPI(t)
	for body, want := range map[string]int{"": 400, "--x\r\nContent-Disposition: form-data; name=\"file\"\r\n\r\n\r\n--x--\r\n": 422} {
		media := "multipart/form-data; boundary=x"
		if body == "" {
			media = "application/x-www-form-urlencoded"
		}
		if w := a.post(store.Owner, "/import", media, body); w != want {
			t.Errorf("%q: %d, want %d", body, w, want)
		}
	}
}

// post sends a body to a page and returns the status.
func (a *apiRig) post(role store.Role, path, media, body string) int {
	a.t.Helper()
	r := httptest.NewRequest("POST", path, strings.NewReader(body))
	r.Host = "localhost"
	r.Header.Set("Content-Type", media)
	r.Header.Set("Authorization", "Bearer "+a.tokens[role])
	w := httptest.NewRecorder()
	a.http.ServeHTTP(w, r)
	return w.Code
}
