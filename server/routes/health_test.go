package routes

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/health"
	"ohmkeep/server/turn"
	"ohmkeep/store"
)

// monitored gives a server a monitor of a disk with so much room, bytes, and enough
// memory.
func (a *apiRig) monitored(free uint64) { a.monitoredWith(free, 64<<20) }

// monitoredWith is monitored with so much memory left of 128 MiB, bytes.
func (a *apiRig) monitoredWith(free, left uint64) {
	a.t.Helper()
	m := health.NewMonitor(a.t.Context(), health.Sources{
		Now:      func() time.Time { return time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC) },
		Elapsed:  func() time.Duration { return 0 },
		Disk:     func() (uint64, uint64, error) { return free, 100e9, nil },
		Size:     a.store.Size,
		Running:  func() bool { return false },
		Database: a.store.Ping,
		Newest:   func(context.Context) (time.Time, error) { return time.Time{}, nil },
		Memory:   func() health.Memory { return health.Memory{Limit: 128 << 20, Left: left, Of: "GOMEMLIMIT"} },
		Fill:     func(_ context.Context, s *health.Sample) { s.MostOpen = 64 },
	})
	a.server.Health, a.server.Metrics = m, health.NewRegistry(m, func() health.Counts { return health.Counts{Readings: 42} })
}

// TestHealthIsForWhoMayRead: a stranger learns whether the server works, in one
// line; who may read learns what it knows of itself, by page, API and metrics.
func TestHealthIsForWhoMayRead(t *testing.T) {
	a := newAPI(t)
	a.monitored(50e9)
	if w := a.askPage(store.Nobody, http.MethodGet, "/health", nil); w.Code != http.StatusOK || !strings.HasPrefix(w.Body.String(), "ok ") || w.Body.Len() > 80 {
		t.Errorf("a stranger is told %d %s", w.Code, w.Body)
	}
	if w := a.askPage(store.Nobody, http.MethodGet, "/metrics", nil); w.Code != http.StatusUnauthorized {
		t.Errorf("a stranger gets metrics: %d", w.Code)
	}
	if w := a.askPage(store.Viewer, http.MethodGet, "/health", nil); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "50 GB free") {
		t.Errorf("a viewer is shown %d %s", w.Code, w.Body)
	}
	if w := a.askPage(store.Viewer, http.MethodGet, "/metrics", nil); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "ohmkeep_readings_stored_total 42\n") {
		t.Errorf("a viewer gets metrics: %d %s", w.Code, w.Body)
	}
	for role, facts := range map[store.Role]bool{store.Nobody: false, store.Viewer: true} {
		var got apiHealth
		w := a.askPage(role, http.MethodGet, "/api/v1/health", nil)
		must(t, json.Unmarshal(w.Body.Bytes(), &got))
		if got.Status != "ok" || (len(got.Facts) > 0) != facts || (got.FreeBytes > 0) != facts {
			t.Errorf("role %v: %s", role, w.Body)
		}
	}
}

// TestDiskIsSaidOnEveryPage: that the disk will end a run stands on every page, for
// who is signed in and nobody else.
func TestDiskIsSaidOnEveryPage(t *testing.T) {
	a := newAPI(t)
	a.monitored(100e6)
	for _, page := range []string{"/", "/devices", "/bench", "/runs", "/about", "/health"} {
		for role, said := range map[store.Role]bool{store.Viewer: true, store.Owner: true} {
			w := a.askPage(role, http.MethodGet, page, nil)
			if w.Code != http.StatusOK || strings.Contains(w.Body.String(), "Disk: 100 MB free") != said {
				t.Errorf("%s as %v: %d, want it said: %v", page, role, w.Code, said)
			}
		}
	}
	if w := a.askPage(store.Nobody, http.MethodGet, "/about", nil); strings.Contains(w.Body.String(), "100 MB free") {
		t.Error("strangers are told of the disk")
	}
	var got apiHealth
	must(t, json.Unmarshal(a.askPage(store.Viewer, http.MethodGet, "/api/v1/health", nil).Body.Bytes(), &got))
	if got.Status != "trouble" {
		t.Errorf("%+v", got)
	}
}

// TestMemoryIsSaid: that memory is short stands on every page, in what a monitor is
// told, and in the answer to what takes much of it.
func TestMemoryIsSaid(t *testing.T) {
	a := newAPI(t)
	a.monitoredWith(50e9, 9<<20)
	gauge := health.NewGauge(func() health.Memory { return a.server.Health.Latest().Memory })
	a.server.Reports = turn.NewQueue(turn.Limits{Memory: gauge.Refuse})
	const said = "9.44 MB left of 134 MB"
	for _, page := range []string{"/", "/devices", "/bench", "/health"} {
		if w := a.askPage(store.Viewer, http.MethodGet, page, nil); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), said) {
			t.Errorf("%s: %d, want it said", page, w.Code)
		}
	}
	if w := a.askPage(store.Viewer, http.MethodGet, "/metrics", nil); !strings.Contains(w.Body.String(), "ohmkeep_memory_left_bytes 9.437184e+06\n") ||
		!strings.Contains(w.Body.String(), `ohmkeep_health_level{fact="memory"} 2`) {
		t.Errorf("a monitor is told %s", w.Body)
	}
	var got apiHealth
	must(t, json.Unmarshal(a.askPage(store.Viewer, http.MethodGet, "/api/v1/health", nil).Body.Bytes(), &got))
	if got.Status != "trouble" || got.MemoryLeft == nil || *got.MemoryLeft != 9<<20 {
		t.Errorf("%+v", got)
	}
	for _, path := range []string{"/runs.csv", "/runs/wide.csv", "/compare", "/api/v1/runs.csv", "/api/v1/export", "/api/v1/runs.tar.gz"} {
		w := a.askPage(store.Owner, http.MethodGet, path, nil)
		if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "short of memory") || w.Header().Get("Retry-After") == "" {
			t.Errorf("%s: %d %v %s", path, w.Code, w.Header(), w.Body)
		}
	}
}
