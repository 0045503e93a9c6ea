package health

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// TestLevelsAsText come back as they were written, and nothing else is one.
func TestLevelsAsText(t *testing.T) {
	t.Parallel()
	for _, l := range []Level{Good, Attention, Trouble} {
		text, err := json.Marshal(l)
		var back Level
		if err != nil || json.Unmarshal(text, &back) != nil || back != l {
			t.Errorf("%v: %s, %v, back as %v", l, text, err, back)
		}
	}
	for _, text := range []string{`""`, `"Good"`, `"fine"`, `3`} {
		l := Trouble
		if json.Unmarshal([]byte(text), &l) == nil || l != Trouble {
			t.Errorf("%s is read as %v", text, l)
		}
	}
}

// TestFactsInDepth: what two things together mean, and what is not told where nothing
// is known of it.
func TestFactsInDepth(t *testing.T) {
	t.Parallel()
	at := func(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }
	for name, c := range map[string]struct {
		change func(*Sample)
		key    string
		level  Level
		words  string // all of them
	}{
		"no certificate":               {func(*Sample) {}, "certificate", Good, ""},
		"no single sign-on":            {func(s *Sample) { s.SignOn = "it does not answer" }, "sign-on", Good, ""},
		"single sign-on":               {func(s *Sample) { s.SignOnName = "the lab" }, "sign-on", Good, "Its provider answers."},
		"single sign-on that is away":  {func(s *Sample) { s.SignOnName, s.SignOn = "the lab", "it does not answer" }, "sign-on", Attention, "Nobody can come in by the lab: it does not answer."},
		"no timetable":                 {func(s *Sample) { s.BackupAt = at(-900) }, "backup", Good, ""},
		"a timetable that has not run": {func(s *Sample) { s.BackupEvery = time.Hour }, "backup", Good, "None has been made yet."},
		"the first backup failed":      {func(s *Sample) { s.BackupEvery, s.BackupFailed = time.Hour, "no such directory" }, "backup", Attention, "None has been made yet: no such directory."},
		"a later one failed":           {func(s *Sample) { s.BackupEvery, s.BackupAt, s.BackupFailed = time.Hour, at(-2), "disk full" }, "backup", Attention, "The last was made 2030-06-01 10:00 UTC. The one after it failed: disk full."},
		"by hand, and it failed":       {func(s *Sample) { s.BackupAt, s.BackupFailed = at(-2), "disk full" }, "backup", Attention, "The last was made 2030-06-01 10:00 UTC. The one after it failed: disk full."},
		"just not overdue":             {func(s *Sample) { s.BackupEvery, s.BackupAt = time.Hour, at(-2) }, "backup", Good, "The last was made 2030-06-01 10:00 UTC."},
		"a certificate that has ended and cannot be read": {func(s *Sample) { s.CertEnds, s.CertTrouble = at(-1), "no key" }, "certificate", Trouble,
			"Ended 2030-06-01 11:00 UTC: browsers refuse it."},
		"one that ends soon and cannot be read": {func(s *Sample) { s.CertEnds, s.CertTrouble = at(24), "no key" }, "certificate", Attention,
			"Ends 2030-06-02 12:00 UTC. The files have changed and cannot be used: no key."},
		"a fortnight is left":        {func(s *Sample) { s.CertEnds = at(14 * 24) }, "certificate", Good, "Ends 2030-06-15 12:00 UTC."},
		"a system that says no more": {func(s *Sample) { s.DiskBytes = 0 }, "disk", Attention, "How much room there is cannot be found out: this system does not tell."},
		"nothing may be open":        {func(s *Sample) { s.MostOpen, s.Reports = 0, 3 }, "reports", Good, "3 open of 0 that may be."},
		"memory that is not told":    {func(*Sample) {}, "memory", Good, "How much is left is not known: this system does not tell."},
	} {
		s := sound()
		c.change(&s)
		r := Judge(s)
		if f := r.Fact(c.key); f.Level != c.level || f.Words != c.words {
			t.Errorf("%s: %v: %s", name, f.Level, f.Words)
		}
	}
}

// TestWorstDecides: the report is as bad as the worst of its facts, each has one, and
// a key that there is none of has the zero fact.
func TestWorstDecides(t *testing.T) {
	t.Parallel()
	s := sound()
	s.Back, s.Link, s.CertEnds, s.SignOnName, s.BackupEvery = time.Hour, "The cable is out.", noon.Add(time.Hour), "the lab", time.Hour
	r := Judge(s)
	var keys []string
	for _, f := range r.Facts {
		keys = append(keys, f.Key)
		if f.Title == "" || f.Words == "" {
			t.Errorf("%+v", f)
		}
	}
	want := []string{"database", "disk", "memory", "damage", "link", "reports", "clock", "certificate", "sign-on", "backup"}
	if r.Level != Trouble || !slices.Equal(keys, want) {
		t.Errorf("%v of %q", r.Level, keys)
	}
	if r.Fact("weather") != (Fact{}) {
		t.Errorf("%+v", r.Fact("weather"))
	}
}

// TestHoursLeft: what is reserved is not measured into, and a rate of nothing fills
// nothing.
func TestHoursLeft(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		free    uint64
		perHour float64
		want    float64
	}{
		{10 << 30, 0, math.Inf(1)}, {10 << 30, -5, math.Inf(1)}, {DiskReserve, 1e9, 0}, {1, 1e9, 0},
		{DiskReserve + 5e9, 1e9, 5}, {DiskReserve + 5e8, 1e9, 0.5},
	} {
		s := Sample{FreeBytes: c.free, PerHour: c.perHour}
		if got := s.HoursLeft(); got != c.want {
			t.Errorf("%d B at %g B/h: %g h, not %g h", c.free, c.perHour, got, c.want)
		}
	}
}

// TestDiskOf asks the system of this test: what is free is no more than all, and a
// directory that there is none of is an error.
func TestDiskOf(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	free, total, err := DiskOf(dir)
	if err != nil || total == 0 || free > total {
		t.Errorf("%d of %d B, %v", free, total, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "file"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, same, err := DiskOf(filepath.Join(dir, "file")); err != nil || same != total {
		t.Errorf("of a file: %d B, %v", same, err)
	}
	if _, _, err := DiskOf(filepath.Join(dir, "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("of what is not there: %v", err)
	}
}

// TestSpoiltFilesOfTheSystem: what cannot be read as a limit is none, and nothing is
// made up of it.
func TestSpoiltFilesOfTheSystem(t *testing.T) {
	t.Parallel()
	for name, of := range map[string]map[string]string{
		"lines without a group":     {"proc/self/cgroup": "0\n:\nmemory\n\n"},
		"a limit of words":          {"proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "plenty\n", "sys/fs/cgroup/memory.current": "5\n"},
		"a negative limit":          {"proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "-1\n", "sys/fs/cgroup/memory.current": "5\n"},
		"a limit and no use":        {"proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "1000\n"},
		"an empty limit":            {"proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "", "sys/fs/cgroup/memory.current": "5\n"},
		"a machine without numbers": {"proc/meminfo": "MemTotal: much kB\nMemAvailable:\n\nx"},
	} {
		if got := systemMemory(files(of)); len(got) > 0 {
			t.Errorf("%s: %+v", name, got)
		}
	}
	// A path that leaves the root, as a container that was moved has it, and a use
	// beyond the limit.
	got := systemMemory(files(map[string]string{"proc/self/cgroup": "0::/../../lab\n", "sys/fs/cgroup/lab/memory.max": "1000\n", "sys/fs/cgroup/lab/memory.current": "5000\n"}))
	if len(got) != 1 || got[0].Limit != 1000 || got[0].Left != 0 {
		t.Errorf("%+v", got)
	}
}

// TestScarcer: limits are held against each other by their reserves, and one that is
// not known is never the nearest.
func TestScarcer(t *testing.T) {
	t.Parallel()
	small, large := Memory{Limit: 64 << 20, Left: 40 << 20}, Memory{Limit: 8 << 30, Left: 200 << 20}
	for name, c := range map[string]struct {
		a, b Memory
		want bool
	}{
		"less in reserves, more in bytes": {large, small, true}, "the other way round": {small, large, false},
		"nothing is known of the other": {small, Memory{}, true}, "nothing is known of it": {Memory{}, small, false},
		"both alike": {small, small, false},
	} {
		if got := c.a.scarcer(&c.b); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// TestMonitorAsksTheStoreAgain: the newest time that is stored is asked for until it
// is told, and a look whose context has ended calls no database broken.
func TestMonitorAsksTheStoreAgain(t *testing.T) {
	t.Parallel()
	w := &world{now: noon, free: 50e9}
	from := w.sources()
	asked := 0
	from.Newest = func(context.Context) (time.Time, error) {
		if asked++; asked < 3 {
			return time.Time{}, errors.New("busy")
		}
		return noon.Add(time.Hour), nil
	}
	from.Database = func(ctx context.Context) error { return ctx.Err() }
	from.Changed = nil // nobody is told
	m := NewMonitor(t.Context(), from)
	for range 4 {
		m.Look(t.Context())
	}
	if got := m.Latest(); asked != 3 || got.Back != time.Hour {
		t.Errorf("asked %d times, %v behind", asked, got.Back)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if f := m.Look(ended).Fact("database"); f.Level != Good {
		t.Errorf("%+v", f)
	}
	m.Close() // it was never started
}

// TestChangesAreToldOnce: each fact is told when its level changes, and what is good
// at the start is not.
func TestChangesAreToldOnce(t *testing.T) {
	t.Parallel()
	w := &world{now: noon, free: 100e6, newest: noon}
	m := NewMonitor(t.Context(), w.sources())
	m.Look(t.Context())
	w.free = 900e6
	m.Look(t.Context())
	w.broken = errors.New("gone")
	m.Look(t.Context())
	m.Look(t.Context())
	w.free, w.broken = 50e9, nil
	m.Look(t.Context())
	if got, want := strings.Join(w.said, "; "), "disk: trouble; disk: attention; database: trouble; database: good; disk: good"; got != want {
		t.Errorf("told: %s", got)
	}
}

// TestMetricsOfAQuietServer: what is not known is left out, and a run that is not at
// work is 0.
func TestMetricsOfAQuietServer(t *testing.T) {
	t.Parallel()
	w := &world{now: noon, free: 50e9, memory: Memory{Limit: 1 << 30, Left: 1 << 29}}
	m := NewMonitor(t.Context(), w.sources())
	value := func(name string) (float64, bool) {
		t.Helper()
		r := prometheus.NewPedanticRegistry() // it refuses what Describe does not name
		r.MustRegister(&collector{m, func() Counts { return Counts{} }})
		all, err := r.Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range all {
			if f.GetName() == "ohmkeep_"+name {
				return f.GetMetric()[0].GetGauge().GetValue(), true
			}
		}
		return 0, false
	}
	if v, ok := value("run_at_work"); !ok || v != 0 {
		t.Errorf("at work: %g, %v", v, ok)
	}
	if v, ok := value("memory_left_bytes"); !ok || v != 1<<29 {
		t.Errorf("memory: %g, %v", v, ok)
	}
	w.memory = Memory{}
	m.Look(t.Context())
	if _, ok := value("memory_left_bytes"); ok {
		t.Error("memory that is not known is told")
	}
	if _, ok := value("runs_ended_total"); ok {
		t.Error("runs are counted that there were none of")
	}
}
