package main

import (
	"net/http"
	"strings"
	"testing"

	"ohmkeep/server/demo"
	"ohmkeep/server/health"
	"ohmkeep/store/storetest"
)

// TestProcessShortOfMemory: a program that has hardly any memory says so at its
// start, in its log and to a monitor, and refuses what takes much of it; a run goes
// to its end.
func TestProcessShortOfMemory(t *testing.T) {
	t.Parallel()
	// The reserve is 16 MiB: by a limit of 20 less is left, however little a program
	// that has just started holds.
	p := startProcessIn(t, []string{"GOMEMLIMIT=20MiB"}, storetest.Dir(t), "-demo=false")
	c := p.token("operator")
	furnish(c)
	var state struct {
		Status          string
		MemoryLeftBytes *float64
		Facts           []health.Fact
	}
	c.do("GET", "/health", nil, &state)
	if state.Status != "trouble" || state.MemoryLeftBytes == nil || *state.MemoryLeftBytes > 16<<20 {
		t.Errorf("a monitor is told %+v", state)
	}
	if log := p.errors(); !strings.Contains(log, `level=ERROR msg="health: Memory"`) || !strings.Contains(log, "GOMEMLIMIT") {
		t.Errorf("the log says\n%s", log)
	}
	quick := crashing()
	quick.Key, quick.Measurements = "quick", quick.Measurements[:watched]
	c.do("PUT", "/procedures/quick", quick, nil)
	id := c.start(demo.TarnelKey, quick.Key)
	for _, path := range []string{"/export", "/runs.csv", "/runs/" + id + "/readings.csv?measurement=0"} {
		if status, text, err := c.try("GET", path, nil); err != nil || status != http.StatusServiceUnavailable || !strings.Contains(string(text), "short of memory") {
			t.Errorf("%s: %d %v %.200q", path, status, err, text)
		}
	}
	var rec struct{ Status string }
	until(func() bool {
		c.do("GET", "/runs/"+id, nil, &rec)
		return rec.Status != "running"
	})
	if rec.Status != "done" {
		t.Errorf("the run is %q", rec.Status)
	}
}
