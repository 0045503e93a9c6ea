package store_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestRowPutBackGivesNothing: the row of what was taken back, put back whole as it
// was before with the seal that it had, gives no access, since the log says that it
// was taken back; the check names it, the list shows it as damaged.
func TestRowPutBackGivesNothing(t *testing.T) {
	t.Parallel()
	const by = "Bob"
	for _, c := range []struct {
		table, called string
		take          func(r *accessRig, id int64) error
		closed        []string // of Ann's ways in
	}{
		{"tokens", "token ", func(r *accessRig, id int64) error { return r.s.RevokeToken(r.Context(), id, 0, by) }, []string{"tokens"}},
		{"shares", "share link ", func(r *accessRig, id int64) error { return r.s.RevokeShare(r.Context(), id, by) }, []string{"shares"}},
		{"invitations", "invitation ", func(r *accessRig, id int64) error { return r.s.RevokeInvitation(r.Context(), id, by) }, []string{"invitations"}},
		{"sessions", "browser ", func(r *accessRig, id int64) error { return r.s.EndBrowser(r.Context(), id, 0, by) }, []string{"sessions"}},
		{"sessions", "browser ", func(r *accessRig, id int64) error { return r.s.EndBrowsers(r.Context(), id, by) }, []string{"sessions"}},
		{"sessions", "browser ", func(r *accessRig, id int64) error { return r.s.EndSession(r.Context(), r.session) }, []string{"sessions"}},
		{"persons", "person ", func(r *accessRig, id int64) error { return r.s.Suspend(r.Context(), id, by) }, []string{"sessions", "tokens", "invitations"}},
		{"persons", "person ", func(r *accessRig, id int64) error { return r.s.SetRole(r.Context(), id, store.Viewer, by) }, []string{"sessions", "tokens", "invitations"}},
		{"persons", "person ", func(r *accessRig, id int64) error { return r.s.RemovePerson(r.Context(), id, by) }, []string{"sessions", "tokens", "invitations"}},
	} {
		t.Run(c.table, func(t *testing.T) {
			t.Parallel()
			r := newAccess(t)
			tables := []string{c.table}
			if c.table == "persons" { // with everything that went with the person
				tables = []string{"persons", "sessions", "tokens", "invitations"}
			}
			const id = 2 // Ann's
			for _, table := range tables {
				storetest.Exec(t, r.s, fmt.Sprintf("CREATE TABLE before_%[1]s AS SELECT * FROM %[1]s", table))
			}
			must(t, c.take(r, id))
			for _, table := range tables {
				storetest.Exec(t, r.s, fmt.Sprintf("INSERT OR REPLACE INTO %[1]s SELECT * FROM before_%[1]s", table))
			}
			for way, open := range r.opens() {
				if open == slices.Contains(c.closed, way) {
					t.Errorf("%s: open %v", way, open)
				}
			}
			if names := r.names(); !strings.Contains(names, c.called) || !strings.Contains(names, "the log says that it was taken back") {
				t.Errorf("the check says %q", names)
			}
			r.listed(c.table)
		})
	}
}
