package routes

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/health"
	"ohmkeep/store"
)

// monitored gives a server a monitor of a disk with so much room, bytes.
func (a *apiRig) monitored(free uint64) {
	a.t.Helper()
	m := health.NewMonitor(a.t.Context(), health.Sources{
		Now:      func() time.Time { return time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC) },
		Elapsed:  func() time.Duration { return 0 },
		Disk:     func() (uint64, uint64, error) { return free, 100e9, nil },
		Size:     a.store.Size,
		Running:  func() bool { return false },
		Database: a.store.Ping,
		Newest:   func(context.Context) (time.Time, error) { return time.Time{}, nil },
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
