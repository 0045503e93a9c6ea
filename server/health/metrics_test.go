package health

import (
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"
)

// TestMetrics: a monitor is told the counts in the format of Prometheus, and its own
// linter finds nothing.
func TestMetrics(t *testing.T) {
	w := &world{now: noon, free: 50e9, newest: noon}
	m := NewMonitor(t.Context(), w.sources())
	r := NewRegistry(m, func() Counts {
		return Counts{Readings: 1000, Commits: 7, DatabaseBytes: 4096, Ended: map[string]int64{"done": 3, "failed": 1}, AtWork: true, Viewers: 2, Reports: 1, LinkErrors: 5}
	})
	problems, err := testutil.GatherAndLint(r)
	if err != nil || len(problems) > 0 {
		t.Errorf("%v, %v", problems, err)
	}
	want := `# HELP ohmkeep_readings_stored_total Readings stored since the start.
# TYPE ohmkeep_readings_stored_total counter
ohmkeep_readings_stored_total 1000
# HELP ohmkeep_runs_ended_total Runs that have ended since the start.
# TYPE ohmkeep_runs_ended_total counter
ohmkeep_runs_ended_total{status="done"} 3
ohmkeep_runs_ended_total{status="failed"} 1
# HELP ohmkeep_disk_left_seconds Seconds of measuring that the disk has room for at the present rate.
# TYPE ohmkeep_disk_left_seconds gauge
ohmkeep_disk_left_seconds +Inf
`
	if err := testutil.GatherAndCompare(r, strings.NewReader(want), "ohmkeep_readings_stored_total", "ohmkeep_runs_ended_total", "ohmkeep_disk_left_seconds"); err != nil {
		t.Error(err)
	}
}
