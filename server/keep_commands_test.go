package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// keepRun stores an ended run.
func keepRun(t *testing.T, dir, id string) {
	t.Helper()
	s, err := store.Open(t.Context(), databasePath(dir), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	low := 1.0
	r := &procedure.Record{ID: id, Device: dut.Device{Key: "part", Name: "Part"}, Unit: dut.Unit{Serial: "unit of " + id}, Started: time.Now()}
	err = errors.Join(s.Begin(t.Context(), r),
		s.Append(t.Context(), id, procedure.Batch{Results: []procedure.Result{{Key: "r", Name: "Resistance", Value: 4.7, U: 0.1, K: 2, From: 4.6, To: 4.8, Low: &low, Outcome: "pass"}}}),
		s.Finish(t.Context(), id, procedure.Ending{Status: procedure.Done, Outcome: "pass", Ended: time.Now()}),
		s.Log(t.Context(), store.Event{By: "ann", Action: "start run", Subject: id}), s.Close())
	if err != nil {
		t.Fatal(err)
	}
}

// said runs a subcommand and returns what it printed.
func said(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	err := command(t.Context(), args, &out, &errs)
	return out.String() + errs.String(), err
}

func wants(t *testing.T, text string, parts ...string) {
	t.Helper()
	for _, part := range parts {
		if !strings.Contains(text, part) {
			t.Errorf("%q is not in\n%s", part, text)
		}
	}
}

// TestBackupAndRestore: a backup is made while the server runs; going back says
// what would be lost and loses nothing unasked; what was replaced is kept.
func TestBackupAndRestore(t *testing.T) {
	t.Parallel()
	dir := storetest.Dir(t)
	p := startProgram(t, dir, false)
	keepRun(t, dir, "first")
	file := filepath.Join(storetest.Dir(t), "lab.db")
	out, err := said(t, "backup", "-data", dir, "-to", file)
	if err != nil {
		t.Fatal(err)
	}
	wants(t, out, file, "1 runs, 1 results")
	if out, err := said(t, "check", "-file", file); err != nil || !strings.Contains(out, "Nothing is damaged") {
		t.Errorf("%s %v", out, err)
	}
	if _, err := said(t, "restore", "-data", dir, "-from", file); err == nil || !strings.Contains(err.Error(), "another server") {
		t.Errorf("restored under a server at work: %v", err)
	}
	keepRun(t, dir, "second")
	p.stop()
	out, err = said(t, "restore", "-data", dir, "-from", file)
	if err == nil {
		t.Fatal("it was restored although a run would be lost")
	}
	wants(t, out, "would lose 1 runs", "second", "unit of second", "1 lines")
	if out, err = said(t, "check", "-data", dir); err != nil || !strings.Contains(out, "2 runs") {
		t.Errorf("after the refusal: %s %v", out, err)
	}
	out, err = said(t, "restore", "-data", dir, "-from", file, "-replace")
	if err != nil {
		t.Fatal(err)
	}
	wants(t, out, "Restored", ".replaced-")
	if out, err = said(t, "check", "-data", dir); err != nil || !strings.Contains(out, "1 runs") {
		t.Errorf("%s %v", out, err)
	}
	kept, _ := filepath.Glob(databasePath(dir) + ".replaced-*")
	if len(kept) != 1 {
		t.Fatalf("kept: %q", kept)
	}
	if out, err = said(t, "check", "-file", kept[0]); err != nil || !strings.Contains(out, "2 runs") {
		t.Errorf("the replaced one: %s %v", out, err)
	}
	p = startProgram(t, dir, false)
	if notices, err := p.app.store.Notices(t.Context()); err != nil || len(notices) > 0 {
		t.Errorf("after a restore: %v %v", notices, err)
	}
}

// TestDamageOnTheCommandLine: the check names damage and fails; a damaged backup
// is not restored unasked; what can be read is salvaged.
func TestDamageOnTheCommandLine(t *testing.T) {
	t.Parallel()
	dir := storetest.Dir(t)
	startProgram(t, dir, false).stop()
	keepRun(t, dir, "good")
	keepRun(t, dir, "bad")
	execSQL(t, databasePath(dir), "UPDATE results SET value = 470 WHERE run = 2")
	out, err := said(t, "check", "-data", dir)
	if !errors.Is(err, errDamage) {
		t.Errorf("%v", err)
	}
	wants(t, out, "damaged: run bad")
	if strings.Contains(out, "run good") {
		t.Errorf("%s", out)
	}
	file := filepath.Join(storetest.Dir(t), "lab.db")
	if _, err := said(t, "backup", "-data", dir, "-to", file); err == nil || !strings.Contains(err.Error(), file+".damaged") {
		t.Errorf("a backup of what is damaged: %v", err)
	}
	if _, err := os.Stat(file); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("it has the name of a good one: %v", err)
	}
	for _, flags := range [][]string{nil, {"-replace"}} {
		out, err := said(t, append([]string{"restore", "-data", dir, "-from", file + ".damaged"}, flags...)...)
		if err == nil || !strings.Contains(err.Error(), "-damaged restores it") || strings.Contains(out, "Restored") {
			t.Errorf("%q: %s %v", flags, out, err)
		}
	}
	salvaged := filepath.Join(storetest.Dir(t), "salvaged.db")
	if out, err := said(t, "check", "-data", dir, "-salvage", salvaged); err != nil || !strings.Contains(out, "2 runs") {
		t.Errorf("%s %v", out, err)
	}
	keepRun(t, dir, "later")
	if out, err := said(t, "restore", "-data", dir, "-from", file+".damaged", "-damaged"); err == nil || strings.Contains(out, "Restored") {
		t.Errorf("a run was lost unasked: %s %v", out, err)
	}
	out, err = said(t, "restore", "-data", dir, "-from", file+".damaged", "-damaged", "-replace")
	if err != nil {
		t.Error(err)
	}
	wants(t, out, "damaged: run bad", "Restored, with all that is damaged")
}

// TestStartSaysWhatIsMissing: a start on a database that is not the one that was
// here says so until somebody has taken note.
func TestStartSaysWhatIsMissing(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		harm func(t *testing.T, dir, older string)
		says string
	}{
		"as it was": {func(*testing.T, string, string) {}, ""},
		"empty file": {func(t *testing.T, dir, _ string) {
			if err := os.WriteFile(databasePath(dir), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}, "0 bytes"},
		"gone": {func(t *testing.T, dir, _ string) {
			if err := os.Remove(databasePath(dir)); err != nil {
				t.Fatal(err)
			}
		}, "is gone"},
		"older": {func(t *testing.T, dir, older string) {
			if err := os.Rename(older, databasePath(dir)); err != nil {
				t.Fatal(err)
			}
		}, "older than its last known state"},
		"of another lab": {func(t *testing.T, dir, _ string) {
			other := storetest.Dir(t)
			startProgram(t, other, false).stop()
			for _, id := range []string{"one", "two", "three", "four"} {
				keepRun(t, other, id)
			}
			if err := os.Rename(databasePath(other), databasePath(dir)); err != nil {
				t.Fatal(err)
			}
		}, "not the one that was here"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := storetest.Dir(t)
			startProgram(t, dir, false).stop()
			keepRun(t, dir, "first")
			older := filepath.Join(dir, "older")
			if err := store.CopyFile(databasePath(dir), older); err != nil {
				t.Fatal(err)
			}
			keepRun(t, dir, "second")
			startProgram(t, dir, false).stop() // keeps the state
			c.harm(t, dir, older)
			for start := range 2 {
				p := startProgram(t, dir, false)
				notices, err := p.app.store.Notices(t.Context())
				switch {
				case err != nil:
					t.Error(err)
				case c.says == "" && len(notices) > 0:
					t.Errorf("start %d: %+v", start, notices)
				case c.says != "" && (len(notices) != 1 || !strings.Contains(notices[0].Text, c.says)):
					t.Errorf("start %d: %+v", start, notices)
				case c.says != "" && start == 1:
					if err := p.app.store.AcknowledgeNotice(t.Context(), notices[0].ID, "ann"); err != nil {
						t.Error(err)
					}
					if notices, err := p.app.store.Notices(t.Context()); err != nil || len(notices) > 0 {
						t.Errorf("taken note of: %v %v", notices, err)
					}
				}
				p.stop()
			}
		})
	}
}

// TestMissingLogIsSaid: after a kill the write-ahead log belongs to the database;
// a start without it says so.
func TestMissingLogIsSaid(t *testing.T) {
	t.Parallel()
	dir := storetest.Dir(t)
	p := startProcess(t, dir, "-demo=false")
	p.token("operator")
	p.kill()
	startProgram(t, dir, false).stop() // the log is there: nothing is said
	p = startProcess(t, dir, "-demo=false")
	p.token("operator")
	p.kill()
	if err := os.Remove(databasePath(dir) + "-wal"); err != nil {
		t.Fatal(err)
	}
	notices, err := startProgram(t, dir, false).app.store.Notices(t.Context())
	if err != nil || len(notices) != 1 || !strings.Contains(notices[0].Text, "-wal) is missing") {
		t.Errorf("%+v %v", notices, err)
	}
}

// TestSubcommandsKeepTheEvidence: a subcommand that opens the database does not
// take away what the next start says of it, and the check says the same, every time.
func TestSubcommandsKeepTheEvidence(t *testing.T) {
	t.Parallel()
	dir := storetest.Dir(t)
	p := startProcess(t, dir, "-demo=false")
	p.token("operator")
	p.kill()
	if out, err := said(t, "check", "-data", dir); err != nil { // it moves the log into the database
		t.Errorf("with its log: %s %v", out, err)
	}
	if out, err := said(t, "check", "-data", dir); err != nil {
		t.Errorf("after its log was moved into it: %s %v", out, err)
	}
	p = startProcess(t, dir, "-demo=false")
	p.token("operator")
	p.kill()
	if err := os.Remove(databasePath(dir) + "-wal"); err != nil {
		t.Fatal(err)
	}
	if out, err := said(t, "backup", "-data", dir, "-to", filepath.Join(storetest.Dir(t), "lab.db")); err != nil {
		t.Errorf("%s %v", out, err)
	}
	for range 2 {
		out, err := said(t, "check", "-data", dir)
		if !errors.Is(err, errDamage) || strings.Contains(out, "Nothing is damaged") {
			t.Errorf("%s %v", out, err)
		}
		wants(t, out, "-wal) is missing")
	}
	running := startProgram(t, dir, false)
	notices, err := running.app.store.Notices(t.Context())
	if err != nil || len(notices) != 1 || !strings.Contains(notices[0].Text, "-wal) is missing") {
		t.Errorf("%+v %v", notices, err)
	}
	running.stop()
	if out, err := said(t, "check", "-data", dir); err != nil {
		t.Errorf("although the notice is kept: %s %v", out, err)
	}
}

// TestCheckSaysWhatAStartWouldSay: the check holds the database against its last
// known state.
func TestCheckSaysWhatAStartWouldSay(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		harm func(t *testing.T, path, older string)
		says string
	}{
		"as it was": {func(*testing.T, string, string) {}, ""},
		"emptied": {func(t *testing.T, path, _ string) {
			if err := os.WriteFile(path, nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}, "0 bytes"},
		"gone": {func(t *testing.T, path, _ string) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}, "is gone"},
		"older": {func(t *testing.T, path, older string) {
			if err := os.Rename(older, path); err != nil {
				t.Fatal(err)
			}
		}, "older than its last known state"},
		"its log cut off": {func(t *testing.T, path, _ string) {
			execSQL(t, path, "DROP TRIGGER events_stay; DELETE FROM events WHERE id = (SELECT max(id) FROM events)")
			execSQL(t, path, "UPDATE sqlite_sequence SET seq = seq - 1 WHERE name = 'events'")
		}, "older than its last known state"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := storetest.Dir(t)
			startProgram(t, dir, false).stop()
			older := filepath.Join(dir, "older")
			if err := store.CopyFile(databasePath(dir), older); err != nil {
				t.Fatal(err)
			}
			keepRun(t, dir, "first")
			startProgram(t, dir, false).stop() // keeps the state
			c.harm(t, databasePath(dir), older)
			for range 2 {
				out, err := said(t, "check", "-data", dir)
				if c.says == "" {
					if err != nil {
						t.Errorf("%s %v", out, err)
					}
					continue
				}
				if err == nil || strings.Contains(out, "Nothing is damaged") {
					t.Fatalf("%s %v", out, err)
				}
				wants(t, out+err.Error(), c.says)
			}
		})
	}
}
