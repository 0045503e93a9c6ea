package assets

import (
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
)

func get(t *testing.T, method, url string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(method, url, nil)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	Handler().ServeHTTP(w, r)
	return w
}

// A file that the embedding pattern lost would only be missed on a page.
func TestFilesAreInside(t *testing.T) {
	for _, name := range []string{
		"css/paper.css", "css/parts.css", "css/drawings.css", "css/editors.css", "css/check.css", "css/budget.css", "css/bringup.css", "css/people.css", "css/print.css", "css/benches.css",
		"js/live.js", "js/plot.js", "js/forms.js", "js/pins.js", "js/devices.js", "js/pinmap.js", "js/bringup.js", "js/benches.js", "icons/icon.svg",
	} {
		w := get(t, "GET", URL(name))
		if w.Code != http.StatusOK || w.Body.Len() < 100 {
			t.Errorf("%s: status %d, %d bytes", name, w.Code, w.Body.Len())
		}
	}
}

func TestServedForEverWithItsType(t *testing.T) {
	want := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
	for _, name := range Names() {
		w := get(t, "GET", URL(name))
		ext := name[strings.LastIndexByte(name, '.'):]
		if got := w.Header().Get("Content-Type"); got != want[ext] {
			t.Errorf("%s has type %q", name, got)
		}
		if cc := w.Header().Get("Cache-Control"); !strings.Contains(cc, "immutable") {
			t.Errorf("%s: Cache-Control %q", name, cc)
		}
		if w.Header().Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s may be sniffed", name)
		}
		if again := get(t, "GET", URL(name), "If-None-Match", w.Header().Get("ETag")); again.Code != http.StatusNotModified || again.Body.Len() != 0 {
			t.Errorf("%s: conditional request answered %d", name, again.Code)
		}
		head := get(t, "HEAD", URL(name))
		if head.Code != http.StatusOK || head.Body.Len() != 0 {
			t.Errorf("%s: HEAD answered %d with %d bytes", name, head.Code, head.Body.Len())
		}
	}
}

func TestAddressCarriesChecksum(t *testing.T) {
	if !regexp.MustCompile(`^/assets/css/paper\.[0-9a-f]{12}\.css$`).MatchString(URL("css/paper.css")) {
		t.Errorf("address %q", URL("css/paper.css"))
	}
	for _, url := range []string{"/assets/css/paper.css", "/assets/css/paper.000000000000.css", "/assets/", "/assets/../assets.go", "/assets/css/"} {
		if w := get(t, "GET", url); w.Code != http.StatusNotFound {
			t.Errorf("%s answered %d", url, w.Code)
		}
	}
	if w := get(t, "POST", URL("css/paper.css")); w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") == "" {
		t.Errorf("POST answered %d", w.Code)
	}
}

func TestUnknownNamePanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("no panic for a file that does not exist")
		}
	}()
	URL("css/absent.css")
}

// Lab networks are often offline, and the policy allows nothing else.
func TestNothingComesFromElsewhere(t *testing.T) {
	foreign := regexp.MustCompile(`(?:url\(|import\s|from\s|fetch\(|src=)\s*["']?(?:https?:)?//`)
	for _, name := range Names() {
		body := get(t, "GET", URL(name)).Body.String()
		if m := foreign.FindString(body); m != "" {
			t.Errorf("%s fetches from elsewhere: %s", name, m)
		}
		if strings.Contains(body, "@import") {
			t.Errorf("%s imports by a name without checksum", name)
		}
		if strings.HasSuffix(name, ".js") && regexp.MustCompile(`(?m)^import\b|\bimport\(`).MatchString(body) {
			t.Errorf("%s imports a module by a name without checksum", name)
		}
	}
}
