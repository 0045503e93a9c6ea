package keeping

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/server/turn"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

func keeper(t *testing.T, cfg Config) *Keeper {
	t.Helper()
	cfg.Store, cfg.Reports, cfg.Log = storetest.New(t), turn.NewQueue(turn.Limits{}), slog.New(slog.DiscardHandler)
	if cfg.Dir == "" {
		cfg.Dir = filepath.Join(storetest.Dir(t), "backups")
	}
	k := New(cfg)
	t.Cleanup(k.Close)
	return k
}

// done waits until a job has ended.
func done(k *Keeper, j *job) {
	k.mu.Lock()
	ended := j.done
	k.mu.Unlock()
	<-ended
}

// TestCheckTells: a check says what it found, and stands in the log.
func TestCheckTells(t *testing.T) {
	t.Parallel()
	k := keeper(t, Config{})
	if err := k.CancelCheck(); problem.CodeOf(err) != problem.Conflict {
		t.Errorf("called off without a check: %v", err)
	}
	if err := k.StartCheck("ann"); err != nil {
		t.Fatal(err)
	}
	done(k, &k.check)
	if s := k.CheckState(); s.Running || s.Failed != "" || s.Last == nil || len(s.Last.Findings) > 0 {
		t.Errorf("%+v", s)
	}
	lines, err := k.Store.Events(t.Context(), "database", 0, 9)
	if err != nil || len(lines) != 1 || lines[0].By != "ann" || lines[0].Detail != "nothing is damaged" {
		t.Errorf("%+v %v", lines, err)
	}
}

// TestCheckIsCalledOff: a check that waits for its turn ends at once, and a
// second one is refused meanwhile.
func TestCheckIsCalledOff(t *testing.T) {
	t.Parallel()
	k := keeper(t, Config{})
	k.Reports = turn.NewQueue(turn.Limits{Computing: 1, Open: 4, Each: 4})
	other, err := k.Reports.Open("other")
	if err == nil {
		err = other.Take(t.Context()) // it never passes
	}
	if err == nil {
		err = k.StartCheck("ann")
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := k.StartCheck("bob"); problem.CodeOf(err) != problem.Conflict {
		t.Errorf("a second check: %v", err)
	}
	if err := k.CancelCheck(); err != nil {
		t.Error(err)
	}
	done(k, &k.check)
	if s := k.CheckState(); s.Last != nil || s.Failed != "It was called off." {
		t.Errorf("%+v", s)
	}
	other.Close()
	k.Close()
	if err := k.StartCheck("ann"); problem.CodeOf(err) != problem.Unavailable {
		t.Errorf("after the end: %v", err)
	}
}

// TestBackupsAreThinned: the newest backups are kept, other files are left alone,
// and what failed is kept in words.
func TestBackupsAreThinned(t *testing.T) {
	t.Parallel()
	now := time.Date(2031, 4, 5, 6, 7, 8, 0, time.UTC)
	k := keeper(t, Config{Keep: 2, Now: func() time.Time { now = now.Add(time.Second); return now }})
	if err := os.MkdirAll(k.Dir, 0o700); err != nil {
		t.Fatal(err)
	}
	mine := filepath.Join(k.Dir, "ohmkeep-mine.db")
	if err := os.WriteFile(mine, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 4 {
		if err := k.StartBackup("ann"); err != nil {
			t.Fatal(err)
		}
		done(k, &k.backup)
	}
	names, _ := filepath.Glob(filepath.Join(k.Dir, "*"))
	state, err := k.BackupState(t.Context())
	if err != nil || len(state.Made) != 4 || state.Running {
		t.Fatalf("%+v %v", state, err)
	}
	want := []string{mine, state.Made[0].Path, state.Made[1].Path}
	slices.Sort(want)
	if !slices.Equal(names, want) || state.Made[0].Error != "" || state.Made[0].Size == 0 || state.Made[0].By != "ann" {
		t.Errorf("%q of %+v", names, state.Made)
	}
	if checked, err := store.CheckFile(t.Context(), state.Made[0].Path, nil); err != nil || len(checked.Findings) > 0 {
		t.Errorf("%+v %v", checked, err)
	}
	k.Dir = filepath.Join(mine, "no-directory")
	if err := k.StartBackup("ann"); err != nil {
		t.Fatal(err)
	}
	done(k, &k.backup)
	state, err = k.BackupState(t.Context())
	if err != nil || !strings.Contains(state.Made[0].Error, "not a directory") {
		t.Errorf("%+v %v", state.Made[0], err)
	}
}

// TestTimetable: a backup is due at once where there is none, after one when it
// is too old, and after a failure sooner.
func TestTimetable(t *testing.T) {
	t.Parallel()
	now := time.Date(2031, 4, 5, 6, 7, 8, 0, time.UTC)
	k := keeper(t, Config{Every: 10 * time.Hour, Now: func() time.Time { return now }})
	for _, c := range []struct {
		made store.MadeBackup
		due  time.Duration
	}{
		{store.MadeBackup{}, 0},
		{store.MadeBackup{At: now.Add(-3 * time.Hour)}, 7 * time.Hour},
		{store.MadeBackup{At: now.Add(-20 * time.Hour)}, 0},
		{store.MadeBackup{At: now.Add(-20 * time.Minute), Error: "the disk is full"}, 40 * time.Minute},
	} {
		if !c.made.At.IsZero() {
			if err := k.Store.RecordBackup(t.Context(), c.made); err != nil {
				t.Fatal(err)
			}
		}
		if due := k.untilDue(); due != c.due {
			t.Errorf("after %+v in %v, want %v", c.made, due, c.due)
		}
	}
	if err := k.Store.RecordBackup(t.Context(), store.MadeBackup{At: now.Add(-11 * time.Hour)}); err != nil {
		t.Fatal(err)
	}
	k.Start()
	var made []store.MadeBackup
	for made == nil || made[0].At != now { // until the timetable has made one
		var err error
		if made, err = k.Store.MadeBackups(t.Context(), 1); err != nil {
			t.Fatal(err)
		}
	}
	if made[0].Error != "" || made[0].By != "timetable" {
		t.Errorf("%+v", made)
	}
}

// TestEndedBackupIsListed: whoever is told that no backup is at work any more is
// told of the one that was, in the same answer.
func TestEndedBackupIsListed(t *testing.T) {
	t.Parallel()
	k := keeper(t, Config{Keep: 1})
	for n := range 6 {
		if err := k.StartBackup("ann"); err != nil {
			t.Fatal(err)
		}
		var state BackupState
		for state.Running = true; state.Running; {
			var err error
			if state, err = k.BackupState(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if len(state.Made) < n+1 {
			t.Fatalf("after %d backups: %+v", n+1, state)
		}
	}
}

// TestStopOfTheServerIsNoFault: a check that a stop of the server ends is called
// off, and nothing is logged as an error.
func TestStopOfTheServerIsNoFault(t *testing.T) {
	t.Parallel()
	k := keeper(t, Config{})
	var said bytes.Buffer
	k.Log = slog.New(slog.NewTextHandler(&said, nil))
	k.Reports = turn.NewQueue(turn.Limits{Computing: 1, Open: 4, Each: 4})
	other, err := k.Reports.Open("other")
	if err == nil {
		err = other.Take(t.Context()) // it never passes: the check waits
	}
	if err == nil {
		err = k.StartCheck("ann")
	}
	if err != nil {
		t.Fatal(err)
	}
	k.Reports.Close()
	done(k, &k.check)
	if s := k.CheckState(); s.Failed != "The server was stopped." || said.Len() > 0 {
		t.Errorf("%+v\n%s", s, &said)
	}
	other.Close()
}

// TestStateOfBackupsIsKnown: how backups stand is known without asking the
// database again, where none was made since.
func TestStateOfBackupsIsKnown(t *testing.T) {
	t.Parallel()
	k := keeper(t, Config{})
	for n := range 2 {
		state, err := k.BackupState(t.Context())
		if err != nil || len(state.Made) != n {
			t.Fatalf("%+v, %v", state, err)
		}
		if err := k.StartBackup("ann"); err != nil {
			t.Fatal(err)
		}
		done(k, &k.backup)
	}
	if state, err := k.BackupState(t.Context()); err != nil || len(state.Made) != 2 {
		t.Fatalf("%+v, %v", state, err)
	}
	ended, stop := context.WithCancel(t.Context())
	stop() // whatever asks the database with it fails
	if state, err := k.BackupState(ended); err != nil || len(state.Made) != 2 {
		t.Errorf("the second time it asks the database: %+v, %v", state, err)
	}
}
