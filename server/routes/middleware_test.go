package routes

import (
	"bytes"
	"compress/gzip"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/iotest"

	"ohmkeep/store"
)

// TestUnreadableForms sends forms that cannot be read: that is the client's
// mistake, and nothing for the log of errors.
func TestUnreadableForms(t *testing.T) {
	a := newAPI(t)
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	_, _ = z.Write([]byte("key=abc&name=" + strings.Repeat("owner", 40)))
	must(t, z.Close())
	halfSent := func(text string) io.Reader {
		return io.MultiReader(strings.NewReader(text), iotest.ErrReader(io.ErrUnexpectedEOF))
	}
	const form, parts = "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"
	for _, tc := range []struct {
		name, address, media string
		role                 store.Role
		headers              map[string]string
		body                 io.Reader
		want                 int
	}{
		{"a broken escape", "/sign-in", form, store.Nobody, nil, strings.NewReader("key=%zz&name=owner"), 400},
		{"a broken escape in the address", "/sign-in?key=%zz", form, store.Nobody, nil, strings.NewReader("name=owner"), 400},
		{"20,000 parameters", "/bench/seat", form, store.Operator, nil, strings.NewReader(strings.Repeat("a=1&", 20000)), 400},
		{"zipped", "/sign-in", form, store.Nobody, map[string]string{"Content-Encoding": "gzip"}, &zipped, 400},
		{"half sent", "/sign-in", form, store.Nobody, nil, halfSent("key=a"), 400},
		{"half sent to a page that needs a role", "/bench/seat", form, store.Operator, nil, halfSent("serial=a"), 400},
		{"half sent in parts", "/benches/import", parts, store.Operator, nil, halfSent("--x\r\nContent-Disposition: form-data; name=\"document\"\r\n\r\n{"), 400},
		{"no parts", "/benches/import", parts, store.Operator, nil, strings.NewReader("none"), 400},
		{"parts of another page", "/bench/seat", "multipart/form-data", store.Operator, nil, strings.NewReader("none"), 400},
		{"too much", "/sign-in", form, store.Nobody, nil, strings.NewReader("key=" + strings.Repeat("a", maxBody)), 413},
		{"no role, before the body is looked at", "/bench/seat", form, store.Nobody, nil, halfSent("serial=a"), 401},
	} {
		t.Run(tc.name, func(t *testing.T) {
			a.log.Reset()
			r := httptest.NewRequest("POST", tc.address, tc.body)
			r.Host = "localhost"
			r.Header.Set("Content-Type", tc.media)
			for k, v := range tc.headers {
				r.Header.Set(k, v)
			}
			if tc.role != store.Nobody {
				r.Header.Set("Authorization", "Bearer "+a.tokens[tc.role])
			}
			w := httptest.NewRecorder()
			a.http.ServeHTTP(w, r)
			if w.Code != tc.want {
				t.Errorf("status %d, want %d", w.Code, tc.want)
			}
			if a.log.Len() > 0 {
				t.Errorf("logged as an error: %s", a.log)
			}
		})
	}
}

// TestSecretsStayOutOfTheLog walks every way in which an address gets into the
// log: whoever reads it must not be able to open what was shared.
func TestSecretsStayOutOfTheLog(t *testing.T) {
	const secret = "AbCdEfGhIjKlMnOpQrStUvWxYz0123456789abcdefg"
	for address, want := range map[string]string{
		"/s/" + secret:                   "/s/…",
		"/s/" + secret + "/readings.csv": "/s/…/readings.csv",
		"/s/":                            "/s/",
		"/s":                             "/s",
		"/runs/0192a7c4-7b1e-7d52-9c3f-0a1b2c3d4e5f": "/runs/0192a7c4-7b1e-7d52-9c3f-0a1b2c3d4e5f",
		"/sign-in%3Fkey=" + secret:                   "/sign-in?key=…",
		"/sign-in/key=" + secret:                     "/sign-in/key=…",
		"//s/" + secret:                              "//s/…",
		"/S/" + secret:                               "/S/…",
		"/s//" + secret:                              "/s/…/…",
		"/api/v1/s/" + secret:                        "/api/v1/s/…",
		"/api/v1/runs":                               "/api/v1/runs",
	} {
		if got := loggedPath(httptest.NewRequest("GET", address, nil)); got != want {
			t.Errorf("%s is logged as %s, want %s", address, got, want)
		}
	}
	var lines bytes.Buffer
	log := slog.New(slog.NewTextHandler(&lines, &slog.HandlerOptions{Level: slog.LevelDebug}))
	for _, handle := range []http.HandlerFunc{
		func(http.ResponseWriter, *http.Request) {},
		func(http.ResponseWriter, *http.Request) { panic("broken") },
	} {
		logged(log)(handle).ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/s/"+secret+"/live", nil))
	}
	if text := lines.String(); strings.Count(text, "/s/…/live") != 3 || strings.Contains(text, secret) {
		t.Errorf("the log says:\n%s", text)
	}
}
