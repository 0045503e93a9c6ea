package main

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestRestoreSaysWhoGetsAccess: going back to a backup names those who would be
// let in again, and whose access would end, and is refused unasked.
func TestRestoreSaysWhoGetsAccess(t *testing.T) {
	t.Parallel()
	dir := storetest.Dir(t)
	startProgram(t, dir, false).stop()
	keepRun(t, dir, "first")
	s, err := store.Open(t.Context(), databasePath(dir), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	persons := map[string]int64{}
	for name, role := range map[string]store.Role{"Ada": store.Owner, "Bob": store.Operator, "Cyd": store.Owner, "Dan": store.Viewer} {
		_, err = s.NewSession(t.Context(), role, name, time.Hour)
		if err != nil {
			t.Fatal(err)
		}
	}
	list, err := s.ListPersons(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range list {
		persons[p.Name] = p.ID
	}
	_, token, err := s.MakeToken(t.Context(), store.TokenRequest{Person: persons["Dan"], Role: store.Viewer, Name: "script", By: "Dan"})
	if err != nil {
		t.Fatal(err)
	}
	_, share, err := s.NewShare(t.Context(), "first", "Ada", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(storetest.Dir(t), "lab.db")
	if _, err := s.BackupTo(t.Context(), file, nil); err != nil {
		t.Fatal(err)
	}
	err = errors.Join(s.Suspend(t.Context(), persons["Bob"], "Ada"), s.SetRole(t.Context(), persons["Cyd"], store.Viewer, "Ada"),
		s.RevokeToken(t.Context(), token, persons["Dan"], "Dan"), s.RevokeShare(t.Context(), share, "Ada"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.NewSession(t.Context(), store.Viewer, "Eve", time.Hour); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	startProgram(t, dir, false).stop() // the link that it prints is no change
	out, err := said(t, "restore", "-data", dir, "-from", file)
	if err == nil || strings.Contains(out, "Restored") {
		t.Errorf("restored unasked: %v", err)
	}
	wants(t, out, "person Bob: gives access again (operator)", "browser of Bob: gives access again (operator)", "person Cyd: owner again, viewer now",
		"token script of Dan: gives access again (viewer)", "share link to run first, made by Ada: gives access again (reading)",
		"person Eve: access ends (viewer)", "browser of Eve: access ends (viewer)")
	if strings.Contains(out, "person Ada") || strings.Contains(out, "person Dan") || strings.Contains(out, "invitation") || strings.Contains(out, "log:") {
		t.Errorf("%s", out)
	}
}
