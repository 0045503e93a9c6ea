package main

import (
	"errors"
	"strings"
	"testing"

	"ohmkeep/server/rehearsal"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestStartWithADamagedBench: a damaged definition of a bench keeps no server
// from starting; owners are told.
func TestStartWithADamagedBench(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ harm, says string }{
		"body of the rehearsal bench": {"UPDATE bench_revisions SET body = replace(body, 'Rehearsal', 'Rehearsbl') WHERE key = 'rehearsal'", "its revision 2 now"},
		"no JSON":                     {"UPDATE bench_revisions SET body = 'x' WHERE key = 'rehearsal'", "its revision 2 now"},
		"head of the rehearsal bench": {"UPDATE benches SET name = 'x' WHERE key = 'rehearsal'", "its revision 2 now"},
		"the bench in use":            {"UPDATE bench_revisions SET body = replace(body, 'Rehearsal', 'Rehearsbl') WHERE key = 'other'", "(other) is damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := storetest.Dir(t)
			startProgram(t, dir, false).stop()
			s, err := store.Open(t.Context(), databasePath(dir), store.Options{})
			if err != nil {
				t.Fatal(err)
			}
			other := rehearsal.DefaultBench()
			other.Key = "other"
			_, err = s.SaveBench(t.Context(), other, 0, "ann")
			err = errors.Join(err, s.Log(t.Context(), store.Event{By: "ohmkeep", Action: useAction, Subject: useSubject, Detail: "other"}), s.Close())
			if err != nil {
				t.Fatal(err)
			}
			execSQL(t, databasePath(dir), c.harm)
			for start := range 2 {
				p := startProgram(t, dir, false)
				if b := p.app.benches.inUse; b.Definition.Key != "rehearsal" || b.Definition.Name != rehearsal.DefaultBench().Name {
					t.Errorf("start %d: the bench in use is %s, %q", start, b.Definition.Key, b.Definition.Name)
				}
				if kept, err := p.app.store.GetBench(t.Context(), "rehearsal", 0); err != nil || kept.Body.Name != rehearsal.DefaultBench().Name {
					t.Errorf("start %d: stored: %+v %v", start, kept, err)
				}
				notices, err := p.app.store.Notices(t.Context())
				if err != nil || len(notices) != 1 || !strings.Contains(notices[0].Text, c.says) {
					t.Errorf("start %d: %+v %v", start, notices, err)
				}
				p.stop()
			}
			if out, err := said(t, "check", "-data", dir); strings.HasPrefix(c.harm, "UPDATE bench_revisions") && !errors.Is(err, errDamage) {
				t.Errorf("the damaged revision is no finding any more: %s %v", out, err)
			}
		})
	}
}
