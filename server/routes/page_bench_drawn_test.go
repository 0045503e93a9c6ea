package routes

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal"
	"ohmkeep/store"
)

// TestPageDrawsABench: the page says which bench is drawn, draws the one that
// is asked for or another one, and keeps it where nothing is said.
func TestPageDrawsABench(t *testing.T) {
	a := newAPI(t)
	page := func() string { return a.askPage(store.Operator, "GET", "/bench", nil).Body.String() }
	drawn := func() (uint64, bench.World) { return a.server.Lab.InUse().Rehearse.Drawn() }
	seat := func(more url.Values) {
		t.Helper()
		f := url.Values{"model": {"model:check-load"}, "serial": {"S1"}}
		for k, v := range more {
			f[k] = v
		}
		if got := a.askPage(store.Operator, "POST", "/bench/seat", f); got.Code != http.StatusSeeOther {
			t.Fatalf("%d: %.2000s", got.Code, got.Body)
		}
	}
	if text := page(); !strings.Contains(text, "Bench of seed 1 at 26.85 °C") || !strings.Contains(text, `id="another-bench"`) {
		t.Error("the page does not say which bench is drawn")
	}
	seat(url.Values{"benchSeed": {"77"}, "world": {"real"}, "ambient": {"21.5"}})
	want := rehearsal.RealWorld()
	want.Ambient = 21.5
	if seed, w := drawn(); seed != 77 || w != want {
		t.Errorf("bench %d with %+v", seed, w)
	}
	if text := page(); !strings.Contains(text, "Bench of seed 77 at 21.5 °C") || !strings.Contains(text, `value="77"`) {
		t.Error("the page does not say that another one is drawn")
	}
	seat(nil)
	if seed, w := drawn(); seed != 77 || w != want {
		t.Errorf("where nothing was said it is bench %d with %+v", seed, w)
	}
	seen := map[uint64]bool{}
	for range 5 {
		seat(url.Values{"benchSeed": {"77"}, "another": {"1"}})
		seed, _ := drawn()
		seen[seed] = true
	}
	if len(seen) < 4 {
		t.Errorf("five benches were drawn, and they were %v", seen)
	}
	if got := a.askPage(store.Operator, "POST", "/bench/seat", url.Values{"model": {"model:check-load"}, "ambient": {"1000"}}); got.Code != http.StatusUnprocessableEntity {
		t.Errorf("a room of 1000 °C: %d", got.Code)
	}
}

// TestAPIDrawsABench: the API names bench, room and every effect with its size,
// and says which were used.
func TestAPIDrawsABench(t *testing.T) {
	a := newAPI(t)
	put := func(body map[string]any) apiBench {
		t.Helper()
		body["model"] = "check-load"
		got := a.ask(store.Operator, "PUT", "/benches/rehearsal/seating", body)
		if got.status != http.StatusOK {
			t.Fatalf("%d %s", got.status, got.body)
		}
		var b apiBench
		must(t, json.Unmarshal(got.body, &b))
		return b
	}
	first := put(map[string]any{"ambient": 40.5})
	if s := first.Seated; *s.BenchSeed != 1 || s.World.Ambient != 40.5 || s.Insertion != 1 {
		t.Errorf("%+v", s)
	}
	w := rehearsal.RealWorld()
	w.Distribution = bench.Arcsine
	second := put(map[string]any{"benchSeed": 12, "world": w, "insertion": 9})
	if s := second.Seated; *s.BenchSeed != 12 || *s.World != w || s.Insertion != 9 {
		t.Errorf("%+v", s)
	}
	for field, body := range map[string]map[string]any{
		"world.ambient":      {"model": "check-load", "ambient": 1000},
		"world.distribution": {"model": "check-load", "world": map[string]any{"distribution": "bell"}},
	} {
		got := a.ask(store.Operator, "PUT", "/benches/rehearsal/seating", body)
		if got.status != http.StatusUnprocessableEntity || !strings.Contains(string(got.body), field) {
			t.Errorf("%s: %d %s", field, got.status, got.body)
		}
	}
}
