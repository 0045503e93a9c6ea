package main

import (
	"bytes"
	"encoding/json"
	"io"
	"mime/multipart"
	"net/http"
	"strings"
	"testing"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// client asks a server with a token.
type client struct {
	t              *testing.T
	address, token string
}

func clientOf(t *testing.T, p *program, dir, role string) *client {
	t.Helper()
	out, err := said(t, "token", "-data", dir, "-role", role, "-name", role)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(out), "\n")
	return &client{t, p.base, lines[len(lines)-1]}
}

func (c *client) ask(method, path, media string, body io.Reader) (int, []byte, http.Header) {
	c.t.Helper()
	r, err := http.NewRequestWithContext(c.t.Context(), method, c.address+path, body)
	if err != nil {
		c.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+c.token)
	if media != "" {
		r.Header.Set("Content-Type", media)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		c.t.Fatal(err)
	}
	defer answer.Body.Close()
	got, err := io.ReadAll(answer.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	return answer.StatusCode, got, answer.Header
}

// TestBundleOverHTTP: the demonstration lab goes from one real server to another
// as a file, with everything that was measured, once; its pages say where it is
// from; a broken or foreign file changes nothing.
func TestBundleOverHTTP(t *testing.T) {
	t.Parallel()
	from, to := storetest.Dir(t), storetest.Dir(t)
	demonstrated(t, from)
	a, b := startProgram(t, from, true), startProgram(t, to, false)
	viewer, owner, operator := clientOf(t, a, from, "viewer"), clientOf(t, b, to, "owner"), clientOf(t, b, to, "operator")
	status, file, header := viewer.ask("GET", "/api/v1/export", "", nil)
	if status != 200 || header.Get("Content-Type") != "application/gzip" || !strings.Contains(header.Get("Content-Disposition"), ".tar.gz") {
		t.Fatalf("%d %v %.300s", status, header, file)
	}
	if status, _, _ := operator.ask("POST", "/api/v1/import", "application/gzip", bytes.NewReader(file)); status != 403 {
		t.Errorf("an operator imported: %d", status)
	}
	if status, body, _ := owner.ask("POST", "/api/v1/import", "text/csv", bytes.NewReader(file)); status != 415 {
		t.Errorf("%d %s", status, body)
	}
	for _, harmed := range [][]byte{file[:len(file)/2], []byte("no bundle"), append(bytes.Clone(file), 1)} {
		if status, body, _ := owner.ask("POST", "/api/v1/import", "application/gzip", bytes.NewReader(harmed)); status != 422 || !strings.Contains(string(body), "detail") {
			t.Errorf("%d %s", status, body)
		}
	}
	runs := 0
	for i, query := range []string{"?dry=yes", "", ""} {
		status, body, _ := owner.ask("POST", "/api/v1/import"+query, "application/gzip", bytes.NewReader(file))
		var got store.Imported
		if err := json.Unmarshal(body, &got); err != nil || status != 200 {
			t.Fatalf("%d %v %s", status, err, body)
		}
		if got.Refused > 0 || got.Renamed > 0 || i < 2 && (got.Runs < unitsOfTests || got.New < 12+unitsOfTests) || i == 2 && got.Changes() {
			t.Fatalf("%d: %.3000s", i, body)
		}
		if i == 1 {
			runs = got.Runs
		}
	}
	var newest string
	n := 0
	err := b.app.store.EachRun(t.Context(), store.Filter{}, func(r *store.RunRow) error {
		newest = r.ID
		n++
		return nil
	})
	if err != nil || n != runs {
		t.Errorf("%d runs, and %d came: %v", n, runs, err)
	}
	for _, path := range []string{"/api/v1/runs/" + newest + "/results", "/api/v1/runs/" + newest + "/readings.csv", "/api/v1/runs/" + newest + "/budgets.csv"} {
		_, there, _ := viewer.ask("GET", path, "", nil)
		_, here, _ := owner.ask("GET", path, "", nil)
		if !bytes.Equal(there, here) || len(here) < 100 {
			t.Errorf("%s is not the same: %.200s and %.200s", path, there, here)
		}
	}
	if _, head, _ := owner.ask("GET", "/api/v1/runs/"+newest, "", nil); !strings.Contains(string(head), `"origins":[{"server":"http`) {
		t.Errorf("%.600s", head)
	}
	// The form of the page takes the same file.
	var form bytes.Buffer
	w := multipart.NewWriter(&form)
	part, err := w.CreateFormFile("file", "lab.tar.gz")
	if err == nil {
		_, err = part.Write(file)
	}
	if err != nil || w.Close() != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/import", "/import?dry=yes"} {
		if status, page, _ := owner.ask("POST", path, w.FormDataContentType(), bytes.NewReader(form.Bytes())); status != 200 || !strings.Contains(string(page), "there already") {
			t.Errorf("%s: %d %.500s", path, status, page)
		}
	}
	if status, page, _ := owner.ask("GET", "/runs/"+newest, "", nil); status != 200 || !strings.Contains(string(page), "Came from") || !strings.Contains(string(page), "/export?runs="+newest) {
		t.Errorf("%d: the page of a run does not say where it is from", status)
	}
	if out, err := said(t, "check", "-data", to); err != nil {
		t.Errorf("%s %v", out, err)
	}
}
