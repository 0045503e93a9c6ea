package health

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"
)

var noon = time.Date(2030, 6, 1, 12, 0, 0, 0, time.UTC)

// sound is a sample in which nothing is wrong.
func sound() Sample {
	return Sample{At: noon, FreeBytes: 50e9, DiskBytes: 100e9, MostOpen: 64}
}

// TestJudge: each thing that can be wrong is told, at its level, with what to do.
func TestJudge(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Sample)
		key    string
		level  Level
		says   string
	}{
		{"all is well", func(*Sample) {}, "disk", Good, "50 GB free"},
		{"the disk is small", func(s *Sample) { s.FreeBytes = 900e6 }, "disk", Attention, "900 MB free"},
		{"the disk is nearly full", func(s *Sample) { s.FreeBytes = 200e6 }, "disk", Trouble, "200 MB free"},
		{"a day is not left", func(s *Sample) { s.PerHour = 10e9 }, "disk", Attention, "room for 5 hours"},
		{"an hour is not left", func(s *Sample) { s.FreeBytes, s.PerHour = 5e9, 10e9 }, "disk", Trouble, "room for 28 minutes"},
		{"days are left", func(s *Sample) { s.PerHour = 1e9 }, "disk", Good, "room for 50 hours of measuring at the present rate of 1 GB an hour"},
		{"the disk does not tell", func(s *Sample) { s.DiskBytes, s.DiskError = 0, "no such device" }, "disk", Attention, "no such device"},
		{"damage", func(s *Sample) { s.Damage = "3 found" }, "damage", Trouble, "3 found"},
		{"checked", func(s *Sample) { s.Checked = noon }, "damage", Good, "2030-06-01 12:00 UTC: sound"},
		{"reports are full", func(s *Sample) { s.Reports = 64 }, "reports", Attention, "64 open of 64"},
		{"the link is lost", func(s *Sample) { s.Link, s.Remedy = "The cable is out.", "Put it in." }, "link", Trouble, "cable"},
		{"the clock was set back", func(s *Sample) { s.Back = time.Hour }, "clock", Attention, "1h0m0s behind"},
		{"a clock that is adjusted", func(s *Sample) { s.Back = time.Second }, "clock", Good, "not been set back"},
		{"a certificate", func(s *Sample) { s.CertEnds = noon.Add(90 * 24 * time.Hour) }, "certificate", Good, "2030-08-30"},
		{"a certificate that ends", func(s *Sample) { s.CertEnds = noon.Add(10 * 24 * time.Hour) }, "certificate", Attention, "2030-06-11"},
		{"a certificate that has ended", func(s *Sample) { s.CertEnds = noon }, "certificate", Trouble, "browsers refuse"},
		{"a certificate that cannot be renewed", func(s *Sample) { s.CertEnds, s.CertTrouble = noon.Add(90*24*time.Hour), "no key" }, "certificate", Attention, "no key"},
		{"a backup that failed", func(s *Sample) { s.BackupEvery, s.BackupFailed = time.Hour, "disk full" }, "backup", Attention, "disk full"},
		{"a backup that is overdue", func(s *Sample) { s.BackupEvery, s.BackupAt = time.Hour, noon.Add(-3*time.Hour) }, "backup", Attention, "09:00"},
		{"backups", func(s *Sample) { s.BackupEvery, s.BackupAt = time.Hour, noon.Add(-time.Hour) }, "backup", Good, "11:00"},
		{"the database is gone", func(s *Sample) { s.Database = "disk I/O error" }, "database", Trouble, "disk I/O error"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := sound()
			c.change(&s)
			r := Judge(s)
			f := r.Fact(c.key)
			if f.Level != c.level || !strings.Contains(f.Words, c.says) || r.Level != c.level {
				t.Errorf("%+v, overall %v", f, r.Level)
			}
			if (f.Level > Good) != (f.Remedy != "") && c.name != "the disk does not tell" {
				t.Errorf("level %v with the remedy %q", f.Level, f.Remedy)
			}
		})
	}
}

// TestGrowth: the rate is that of the time in which something was measured, of the
// last ten minutes, and what was made smaller has not grown.
func TestGrowth(t *testing.T) {
	var g growth
	at, size := time.Duration(0), int64(1e9)
	step := func(n int, grows int64, measured bool) {
		for range n {
			at, size = at+10*time.Second, size+grows
			g.add(at, size, measured)
		}
	}
	step(6, 0, false)
	if got := g.perHour(); got != 0 {
		t.Errorf("nothing is measured: %g B/h", got)
	}
	step(30, 1e6, true)
	// One step more than those with a run: it began in between.
	if got, want := g.perHour(), 30e6/(300.0/3600); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("%g B/h, want %g", got, want)
	}
	step(1, -5e8, true)
	if got := g.perHour(); got <= 0 {
		t.Errorf("after a deletion: %g B/h", got)
	}
	step(70, 0, false)
	if got := g.perHour(); got != 0 {
		t.Errorf("ten minutes later: %g B/h", got)
	}
	if len(g.looks) > 70 {
		t.Errorf("%d looks are kept", len(g.looks))
	}
}

// world is what a monitor looks at, as a test sets it.
type world struct {
	now     time.Time
	passed  time.Duration
	free    uint64
	diskErr error
	size    int64
	newest  time.Time
	broken  error
	memory  Memory
	said    []string // of the facts whose level has changed
}

func (w *world) sources() Sources {
	return Sources{
		Now:      func() time.Time { return w.now },
		Elapsed:  func() time.Duration { return w.passed },
		Disk:     func() (uint64, uint64, error) { return w.free, 100e9, w.diskErr },
		Size:     func() int64 { return w.size },
		Running:  func() bool { return true },
		Database: func(context.Context) error { return w.broken },
		Newest:   func(context.Context) (time.Time, error) { return w.newest, nil },
		Memory:   func() Memory { return w.memory },
		Changed:  func(f Fact) { w.said = append(w.said, f.Key+": "+f.Level.String()) },
		Fill:     func(_ context.Context, s *Sample) { s.MostOpen = 64 },
	}
}

// pass lets both clocks go on.
func (w *world) pass(d time.Duration) { w.now, w.passed = w.now.Add(d), w.passed+d }

// TestMonitorSeesTheDiskFill: a run fills the disk, and the hours that are left are
// told before it ends.
func TestMonitorSeesTheDiskFill(t *testing.T) {
	w := &world{now: noon, free: 20e9, newest: noon.Add(-time.Hour)}
	m := NewMonitor(t.Context(), w.sources())
	seen := map[Level]float64{}
	for m.Latest().Level < Trouble {
		w.pass(10 * time.Second)
		w.size, w.free = w.size+5e6, w.free-5e6 // 1.8 GB an hour
		r := m.Look(t.Context())
		if _, ok := seen[r.Level]; !ok {
			seen[r.Level] = r.HoursLeft()
		}
	}
	if h := seen[Trouble]; !(h > 0.99 && h < 1) {
		t.Errorf("trouble is told with %g hours left, want 1", h)
	}
	if h := seen[Attention]; h < 1 || h > 24 {
		t.Errorf("attention is asked for with %g hours left", h)
	}
	w.broken, w.diskErr = errors.New("disk I/O error"), errors.New("no such device")
	r := m.Look(t.Context())
	if r.Fact("database").Level != Trouble || r.Fact("disk").Level != Attention {
		t.Errorf("%+v", r.Facts)
	}
}

// TestClockSetBack: a clock that is behind what is stored is told until it has
// caught up, and one that is set back while the program runs is too.
func TestClockSetBack(t *testing.T) {
	fresh := &world{now: noon, free: 50e9}
	if got := NewMonitor(t.Context(), fresh.sources()).Latest(); got.Back != 0 || got.Fact("clock").Level != Good {
		t.Errorf("nothing is stored yet: %v, %+v", got.Back, got.Fact("clock"))
	}
	w := &world{now: noon, free: 50e9, newest: noon.Add(time.Minute)}
	m := NewMonitor(t.Context(), w.sources())
	if got := m.Latest().Back; got != time.Minute {
		t.Errorf("a minute behind what is stored: %v", got)
	}
	w.pass(2 * time.Minute)
	if got := m.Look(t.Context()).Back; got != 0 {
		t.Errorf("after it has caught up: %v", got)
	}
	w.pass(time.Hour)
	w.now = w.now.Add(-10 * time.Minute)
	if got := m.Look(t.Context()); got.Back != 10*time.Minute || got.Fact("clock").Level != Attention {
		t.Errorf("set back by ten minutes: %v, %+v", got.Back, got.Fact("clock"))
	}
}

// TestTexts: a time has the unit that fits.
func TestTexts(t *testing.T) {
	for h, want := range map[float64]string{0.5: "30 minutes", 5: "5 hours", 96: "4 days", 1e5: "more than a year"} {
		if got := hoursText(h); got != want {
			t.Errorf("%g: %s, want %s", h, got, want)
		}
	}
}
