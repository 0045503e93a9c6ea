package store_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// accessRig is a lab with one of each thing that gives access, twice.
type accessRig struct {
	*testing.T
	s                          *store.Store
	session, token, share, key string // of Ann, the owner
	identity                   store.Identity
}

func newAccess(t *testing.T) *accessRig {
	r := &accessRig{T: t, s: storetest.New(t), identity: store.Identity{Issuer: "https://login.lab.example", Subject: "ann", Label: "ann"}}
	ctx := t.Context()
	storetest.Exec(t, r.s, "INSERT INTO lots (lot, newest, units, passed) VALUES ('L1', 1, 0, 0)") // only to be shared
	for _, who := range []string{"Bob", "Ann"} {
		session, err := r.s.NewSession(ctx, store.Owner, who, time.Hour)
		must(t, err)
		a, err := r.s.Session(ctx, session)
		must(t, err)
		token, _, err := r.s.MakeToken(ctx, store.TokenRequest{Person: a.Person, Role: store.Viewer, Name: "script of " + who, By: who})
		must(t, err)
		key, _, err := r.s.Invite(ctx, store.InvitationRequest{Kind: store.OpenInvitation, Role: store.Viewer, Maker: a.Person, By: who, Age: time.Hour, Uses: 2})
		must(t, err)
		share, _, err := r.s.MakeShare(ctx, &store.Share{Kind: store.LotShare, Subject: "L1", By: who})
		must(t, err)
		r.session, r.token, r.key, r.share = session, token, key, share
		if who == "Ann" {
			must(t, r.s.BindIdentity(ctx, a.Person, r.identity, who))
		}
	}
	storetest.Exec(t, r.s, "DELETE FROM lots")
	return r
}

// opens says for each way in of Ann's whether it is open.
func (r *accessRig) opens() map[string]bool {
	ctx, out := r.Context(), map[string]bool{}
	_, err := r.s.Session(ctx, r.session)
	out["sessions"] = err == nil
	_, err = r.s.TokenAccess(ctx, r.token)
	out["tokens"] = err == nil
	_, err = r.s.InvitationOf(ctx, r.key)
	out["invitations"] = err == nil
	_, err = r.s.Shared(ctx, r.share)
	out["shares"] = err == nil
	return out
}

// names says what a check finds, as one text.
func (r *accessRig) names() string {
	found, err := r.s.Check(r.Context(), nil)
	must(r.T, err)
	var out []string
	for _, f := range found.Findings {
		out = append(out, f.Subject+": "+f.What)
	}
	return strings.Join(out, "\n")
}

// TestDamagedAccessGivesNothing changes each thing that gives access past the
// store, as a disk might: it gives nothing, the check names it, the others are
// listed and good, and it can be taken back.
func TestDamagedAccessGivesNothing(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		table, change string
		closed        []string // of Ann's ways in
	}{
		{"persons", "name = 'Eve'", []string{"sessions", "tokens", "invitations"}},
		{"persons", "created = created + 1", []string{"sessions", "tokens", "invitations"}},
		{"persons", "seal = NULL", []string{"sessions", "tokens", "invitations"}},
		{"sessions", "expires = expires + 1000000000000000", []string{"sessions"}},
		{"sessions", "person = 1", []string{"sessions"}},
		{"tokens", "role = 'owner'", []string{"tokens"}},
		{"tokens", "expires = 9000000000000000000", []string{"tokens"}},
		{"tokens", "person = 1", []string{"tokens"}},
		{"invitations", "role = 'owner'", []string{"invitations"}},
		{"invitations", "uses = 100", []string{"invitations"}},
		{"shares", "subject = 'L2'", []string{"shares"}},
		{"shares", "kind = 'device'", []string{"shares"}},
	} {
		t.Run(c.table+" "+c.change, func(t *testing.T) {
			t.Parallel()
			r := newAccess(t)
			for way, open := range r.opens() {
				if !open {
					t.Fatalf("%s do not open before", way)
				}
			}
			storetest.Exec(t, r.s, fmt.Sprintf("UPDATE %[1]s SET %[2]s WHERE id = (SELECT max(id) FROM %[1]s)", c.table, c.change))
			for way, open := range r.opens() {
				if open == slices.Contains(c.closed, way) {
					t.Errorf("%s: open %v", way, open)
				}
			}
			if met := r.s.MetDamage(); c.table != "invitations" && len(met) == 0 {
				t.Error("health is told nothing of it")
			}
			single := map[string]string{"persons": "person ", "sessions": "browser ", "tokens": "token ", "invitations": "invitation ", "shares": "share link "}[c.table]
			if names := r.names(); !strings.Contains(names, single) || strings.Count(names, "what the disk has is not what was stored") != 1 {
				t.Errorf("the check says %q", names)
			}
			r.listed(c.table)
		})
	}
}

// listed holds the list of a table, which has two rows: one damaged, one good.
func (r *accessRig) listed(table string) {
	r.Helper()
	ctx := r.Context()
	var damaged []bool
	switch table {
	case "persons":
		all, err := r.s.ListPersons(ctx)
		must(r.T, err)
		for _, p := range all {
			damaged = append(damaged, p.Damaged != "")
			if p.Damaged != "" && p.Role != store.Nobody {
				r.Errorf("a role of a damaged row is shown: %v", p.Role)
			}
		}
	case "sessions":
		all, err := r.s.ListBrowsers(ctx, 0)
		must(r.T, err)
		for _, b := range all {
			damaged = append(damaged, b.Damaged != "")
		}
	case "tokens":
		all, err := r.s.ListTokens(ctx)
		must(r.T, err)
		for _, x := range all {
			damaged = append(damaged, x.Damaged != "")
		}
	case "invitations":
		all, err := r.s.ListInvitations(ctx)
		must(r.T, err)
		for _, x := range all {
			damaged = append(damaged, x.Damaged != "")
		}
	case "shares":
		all, err := r.s.ListShares(ctx, "", "")
		must(r.T, err)
		for _, x := range all {
			damaged = append(damaged, x.Damaged != "")
		}
	}
	slices.SortFunc(damaged, func(a, b bool) int { return strings.Compare(fmt.Sprint(a), fmt.Sprint(b)) })
	if !slices.Equal(damaged, []bool{false, true}) {
		r.Errorf("the list of %s: damaged %v", table, damaged)
	}
}

// TestResurrectedAccessGivesNothing: what was taken back and is good again in the
// file gives nothing.
func TestResurrectedAccessGivesNothing(t *testing.T) {
	t.Parallel()
	r := newAccess(t)
	ctx := t.Context()
	must(t, r.s.RevokeToken(ctx, 2, 0, "Bob"))
	must(t, r.s.RevokeInvitation(ctx, 2, "Bob"))
	must(t, r.s.RevokeShare(ctx, 2, "Bob"))
	if names := r.names(); names != "" {
		t.Errorf("after all that, a check says %q", names)
	}
	for _, table := range []string{"tokens", "invitations", "shares"} {
		storetest.Exec(t, r.s, "UPDATE "+table+" SET revoked = NULL WHERE id = 2")
	}
	opens := r.opens()
	if opens["tokens"] || opens["invitations"] || opens["shares"] {
		t.Errorf("%v", opens)
	}
	must(t, r.s.RevokeToken(ctx, 2, 0, "Bob"))
	must(t, r.s.RevokeInvitation(ctx, 2, "Bob"))
	must(t, r.s.RevokeShare(ctx, 2, "Bob"))
	if names := r.names(); names != "" {
		t.Errorf("taken back again, a check says %q", names)
	}
	// Suspended, and let in by a disk.
	must(t, r.s.Suspend(ctx, 2, "Bob"))
	storetest.Exec(t, r.s, "UPDATE persons SET suspended = NULL WHERE id = 2")
	if r.opens()["sessions"] {
		t.Error("somebody who is suspended is let in by damage")
	}
	must(t, r.s.Resume(ctx, 2, "Bob"))
	if r.opens()["sessions"] {
		t.Error("a change has made damage good")
	}
}

// TestDamagedPersonIsMended: the role that an owner sets is the decision that a
// damaged person is who they are; where the last owner is damaged, the host lets
// another in.
func TestDamagedPersonIsMended(t *testing.T) {
	t.Parallel()
	r := newAccess(t)
	ctx := t.Context()
	storetest.Exec(t, r.s, "UPDATE persons SET created = created + 1 WHERE id = 2")
	if err := r.s.SetRole(ctx, 1, store.Viewer, "Bob"); store.CodeOf(err) != store.Conflict {
		t.Errorf("a damaged owner counts as one who may act: %v", err)
	}
	must(t, r.s.SetRole(ctx, 2, store.Owner, "Bob"))
	for way, open := range r.opens() {
		if !open {
			t.Errorf("mended, %s do not open", way)
		}
	}
	if names := r.names(); names != "" {
		t.Errorf("a check says %q", names)
	}
	storetest.Exec(t, r.s, "UPDATE persons SET created = created + 1")
	host := func() string {
		key, _, err := r.s.Invite(ctx, store.InvitationRequest{Kind: store.HostInvitation, Role: store.Owner, By: "the host", Age: time.Hour, Uses: 1})
		must(t, err)
		return key
	}
	if _, err := r.s.UseInvitation(ctx, host(), "Ann", "", time.Hour); store.CodeOf(err) != store.Conflict {
		t.Errorf("signed in as somebody who is damaged: %v", err)
	}
	_, err := r.s.UseInvitation(ctx, host(), "Cay", "", time.Hour)
	must(t, err)
	must(t, r.s.SetRole(ctx, 2, store.Owner, "Cay"))
	if !r.opens()["sessions"] {
		t.Error("Ann is mended and does not come in")
	}
	must(t, r.s.RemovePerson(ctx, 1, "Cay"))
	if names := r.names(); names != "" {
		t.Errorf("a check says %q", names)
	}
}

// TestDamagedIdentityIsNobodys: a single sign-on whose row was changed lets nobody
// in as another, nor anew; taken off, it can be bound again.
func TestDamagedIdentityIsNobodys(t *testing.T) {
	t.Parallel()
	r := newAccess(t)
	ctx := t.Context()
	as := store.SignOn{Identity: r.identity, New: true, Name: "Ann 2", Role: store.Viewer}
	_, err := r.s.SignOn(ctx, as, time.Hour)
	must(t, err)
	storetest.Exec(t, r.s, "UPDATE identities SET person = 1")
	if _, err := r.s.SignOn(ctx, as, time.Hour); store.CodeOf(err) != store.Denied {
		t.Errorf("%v", err)
	}
	if names := r.names(); !strings.Contains(names, "single sign-on of person 1") {
		t.Errorf("a check says %q", names)
	}
	must(t, r.s.UnbindIdentity(ctx, 1, "Bob"))
	must(t, r.s.BindIdentity(ctx, 2, r.identity, "Ann"))
	_, err = r.s.SignOn(ctx, as, time.Hour)
	must(t, err)
}

// TestOldRowsPutBackAreFound: a row of before it was taken back fits its seal, and a
// check holds it against the log.
func TestOldRowsPutBackAreFound(t *testing.T) {
	t.Parallel()
	for table, x := range map[string]struct {
		column string
		take   func(s *store.Store) error
	}{
		"tokens":  {"revoked", func(s *store.Store) error { return s.RevokeToken(t.Context(), 2, 0, "Bob") }},
		"shares":  {"revoked", func(s *store.Store) error { return s.RevokeShare(t.Context(), 2, "Bob") }},
		"persons": {"removed", func(s *store.Store) error { return s.RemovePerson(t.Context(), 2, "Bob") }},
	} {
		r := newAccess(t)
		storetest.Exec(t, r.s, "CREATE TABLE kept AS SELECT seal FROM "+table+" WHERE id = 2")
		must(t, x.take(r.s))
		findings := func() int {
			c, err := r.s.Check(t.Context(), nil)
			must(t, err)
			return len(c.Findings)
		}
		if n := findings(); n != 0 {
			t.Errorf("%s: %d findings before", table, n)
		}
		storetest.Exec(t, r.s, "UPDATE "+table+" SET "+x.column+" = NULL, seal = (SELECT seal FROM kept) WHERE id = 2; DROP TABLE kept")
		if n := findings(); n != 1 {
			t.Errorf("%s: %d findings, want one", table, n)
		}
	}
}
