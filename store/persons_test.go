package store_test

import (
	"context"
	"database/sql"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// people is a store with an owner.
type people struct {
	*store.Store
	t     *testing.T
	now   *time.Time
	owner int64
}

func newPeople(t *testing.T) *people {
	t.Helper()
	s, now, _ := withClock(t)
	p := &people{Store: s, t: t, now: now}
	_, err := s.NewSession(t.Context(), store.Owner, "Olga", 1000*time.Hour)
	must(t, err)
	p.owner = p.named("Olga").ID
	return p
}

// named is a person by name; without one its ID is 0.
func (p *people) named(name string) store.Person {
	p.t.Helper()
	all, err := p.ListPersons(p.t.Context())
	must(p.t, err)
	for _, q := range all {
		if q.Name == name {
			return q
		}
	}
	return store.Person{}
}

// invited is an invitation of the owner's.
func (p *people) invited(q store.InvitationRequest) string {
	p.t.Helper()
	if q.Kind == "" {
		q.Kind = store.OpenInvitation
	}
	q.Maker, q.By, q.Age = p.owner, "Olga", time.Hour
	secret, _, err := p.Invite(p.t.Context(), q)
	must(p.t, err)
	return secret
}

// use signs somebody in and returns their session.
func (p *people) use(secret, name string) (string, error) {
	return p.UseInvitation(p.t.Context(), secret, name, "desk", time.Hour)
}

func TestInvitations(t *testing.T) {
	t.Parallel()
	p := newPeople(t)
	secret := p.invited(store.InvitationRequest{Role: store.Operator, Uses: 2})
	v, err := p.InvitationOf(t.Context(), secret)
	if err != nil || v.Role != store.Operator || v.By != "Olga" || v.Uses != 2 || v.Used != 0 {
		t.Errorf("%+v, %v", v, err)
	}
	session, err := p.use(secret, "Ada")
	must(t, err)
	if a, err := p.Session(t.Context(), session); err != nil || a.Role != store.Operator || a.Name != "Ada" || a.Label != "desk" {
		t.Errorf("%+v, %v", a, err)
	}
	_, err = p.use(secret, "Ada") // the name is hers
	wantCode(t, err, store.Conflict)
	_, err = p.use(secret, "Olga") // nobody becomes the owner by an operator's link
	wantCode(t, err, store.Conflict)
	if _, err := p.use(secret, "Boole"); err != nil { // what was refused has used nothing up
		t.Error(err)
	}
	_, err = p.use(secret, "Curie")
	wantCode(t, err, store.Denied)

	late := p.invited(store.InvitationRequest{Role: store.Viewer, Uses: 1})
	*p.now = p.now.Add(time.Hour)
	_, err = p.use(late, "Late")
	wantCode(t, err, store.Denied)
	for _, q := range []store.InvitationRequest{{Role: store.Viewer}, {Role: store.Viewer, Uses: 101}, {Role: store.Nobody, Uses: 1}, {Role: 9, Uses: 1}} {
		q.Kind, q.Age = store.OpenInvitation, time.Hour
		_, _, err := p.Invite(t.Context(), q)
		wantCode(t, err, store.Invalid)
	}
	_, _, err = p.Invite(t.Context(), store.InvitationRequest{Kind: store.OpenInvitation, Role: store.Viewer, Uses: 1, Age: time.Millisecond})
	wantCode(t, err, store.Invalid)
}

// TestInvitationEndsWithItsMaker: what somebody has made who may not make it any
// more lets nobody in, or a removed owner would come back by an own link.
func TestInvitationEndsWithItsMaker(t *testing.T) {
	t.Parallel()
	for name, act := range map[string]func(p *people) error{
		"revoked":   func(p *people) error { return p.RevokeInvitation(t.Context(), 1, "Ada") },
		"suspended": func(p *people) error { return p.Suspend(t.Context(), p.owner, "Ada") },
		"removed":   func(p *people) error { return p.RemovePerson(t.Context(), p.owner, "Ada") },
		"demoted":   func(p *people) error { return p.SetRole(t.Context(), p.owner, store.Operator, "Ada") },
	} {
		p := newPeople(t)
		_, err := p.NewSession(t.Context(), store.Owner, "Ada", time.Hour)
		must(t, err)
		secret := p.invited(store.InvitationRequest{Role: store.Owner, Uses: 5})
		must(t, act(p))
		if _, err := p.use(secret, "Back"); store.CodeOf(err) != store.Denied {
			t.Errorf("%s: %v", name, err)
		}
		if list, err := p.ListInvitations(t.Context()); err != nil || len(list) != 0 {
			t.Errorf("%s: listed as good: %+v, %v", name, list, err)
		}
	}
}

// TestBrowserLink signs a browser in as its person, whatever name is given, and
// ends with them.
func TestBrowserLink(t *testing.T) {
	t.Parallel()
	p := newPeople(t)
	secret := p.invited(store.InvitationRequest{Kind: store.BrowserLink, Person: p.owner, Uses: 1})
	session, err := p.use(secret, "Somebody else")
	must(t, err)
	if a, err := p.Session(t.Context(), session); err != nil || a.Person != p.owner || a.Name != "Olga" {
		t.Errorf("%+v, %v", a, err)
	}
	if n := p.named("Olga").Browsers; n != 2 {
		t.Errorf("%d browsers", n)
	}
	_, _, err = p.Invite(t.Context(), store.InvitationRequest{Kind: store.BrowserLink, Person: 99, Uses: 1, Age: time.Hour})
	wantCode(t, err, store.NotFound)
}

// TestStartKeyOfAnOwner: the key of a start signs an owner of that name in, and
// raises nobody.
func TestStartKeyOfAnOwner(t *testing.T) {
	t.Parallel()
	p := newPeople(t)
	_, err := p.NewSession(t.Context(), store.Viewer, "Vera", time.Hour)
	must(t, err)
	key, err := p.NewStartKey(t.Context(), time.Hour)
	must(t, err)
	_, err = p.use(key, "Vera")
	wantCode(t, err, store.Conflict)
	session, err := p.use(key, "Olga")
	must(t, err)
	if a, _ := p.Session(t.Context(), session); a.Person != p.owner {
		t.Errorf("%+v", a)
	}
	old, err := p.NewStartKey(t.Context(), time.Hour)
	must(t, err)
	*p.now = p.now.Add(time.Hour)
	_, err = p.use(old, "Late")
	wantCode(t, err, store.Denied)
}

func TestLastOwner(t *testing.T) {
	t.Parallel()
	p := newPeople(t)
	ctx := t.Context()
	wantCode(t, p.SetRole(ctx, p.owner, store.Viewer, "x"), store.Conflict)
	wantCode(t, p.Suspend(ctx, p.owner, "x"), store.Conflict)
	wantCode(t, p.RemovePerson(ctx, p.owner, "x"), store.Conflict)
	if q := p.named("Olga"); q.Role != store.Owner || !q.Suspended.IsZero() {
		t.Errorf("a refused change was made: %+v", q)
	}
	_, err := p.NewSession(ctx, store.Owner, "Ada", time.Hour)
	must(t, err)
	ada := p.named("Ada").ID
	must(t, p.Suspend(ctx, ada, "Olga"))
	wantCode(t, p.RemovePerson(ctx, p.owner, "x"), store.Conflict) // the other one may not act
	must(t, p.Resume(ctx, ada, "Olga"))
	must(t, p.RemovePerson(ctx, p.owner, "Ada"))
	wantCode(t, p.SetRole(ctx, p.owner, store.Viewer, "x"), store.NotFound)
	wantCode(t, p.SetRole(ctx, ada, 9, "x"), store.Invalid)
}

// TestDamagedRole: somebody whose stored role is none is listed as damaged beside
// the others, and may do nothing.
func TestDamagedRole(t *testing.T) {
	s, _, _ := withClock(t)
	ctx := t.Context()
	_, err := s.NewSession(ctx, store.Owner, "Olga", time.Hour)
	must(t, err)
	session, err := s.NewSession(ctx, store.Viewer, "Boole", time.Hour)
	must(t, err)
	storetest.Exec(t, s, "PRAGMA ignore_check_constraints = 1; UPDATE persons SET role = 'viewes' WHERE name = 'Boole'")
	all, err := s.ListPersons(ctx)
	must(t, err)
	if len(all) != 2 || all[0].Name != "Boole" || all[0].Role != store.Nobody || all[0].Damaged == "" || all[1].Role != store.Owner || all[1].Damaged != "" {
		t.Errorf("%+v", all)
	}
	_, err = s.Session(ctx, session)
	wantCode(t, err, store.Denied)
	must(t, s.SetRole(ctx, all[0].ID, store.Operator, "Olga"))
	if a, err := s.Session(ctx, session); err != nil || a.Role != store.Operator {
		t.Errorf("a role was set: %+v, %v", a, err)
	}
}

// TestShareLinksOutlastTheirMaker, and are counted with them while they are good.
func TestShareLinksOutlastTheirMaker(t *testing.T) {
	p := newPeople(t)
	ctx := t.Context()
	_, err := p.NewSession(ctx, store.Operator, "Boole", 1000*time.Hour)
	must(t, err)
	must(t, p.Begin(ctx, record("r1", "r1")))
	link := func(by string, age time.Duration) (string, int64) {
		secret, id, err := p.NewShare(ctx, "r1", by, p.now.Add(age))
		must(t, err)
		return secret, id
	}
	secret, _ := link("Boole", 10*time.Hour)
	link("Boole", time.Minute)
	_, revoked := link("Boole", 10*time.Hour)
	link("Olga", 10*time.Hour)
	must(t, p.RevokeShare(ctx, revoked, "Olga"))
	*p.now = p.now.Add(time.Hour)
	boole := p.named("Boole")
	if boole.Shares != 1 || p.named("Olga").Shares != 1 {
		t.Errorf("%+v, %+v", boole, p.named("Olga"))
	}
	must(t, p.Suspend(ctx, boole.ID, "Olga"))
	must(t, p.RemovePerson(ctx, boole.ID, "Olga"))
	if x, err := p.Shared(ctx, secret); err != nil || x.By != "Boole" {
		t.Errorf("the link of somebody who was removed: %+v, %v", x, err)
	}
}

// TestSuspended: what gave access gives none until the person is let in again.
func TestSuspended(t *testing.T) {
	t.Parallel()
	p := newPeople(t)
	ctx := t.Context()
	session, err := p.NewSession(ctx, store.Operator, "Ada", time.Hour)
	must(t, err)
	ada := p.named("Ada").ID
	token, id, err := p.MakeToken(ctx, store.TokenRequest{Person: ada, Role: store.Operator, Name: "script", By: "Ada"})
	must(t, err)
	must(t, p.Suspend(ctx, ada, "Olga"))
	_, err = p.Session(ctx, session)
	wantCode(t, err, store.Denied)
	_, err = p.TokenAccess(ctx, token)
	wantCode(t, err, store.Denied)
	_, err = p.AccessByID(ctx, store.TokenKey, id)
	wantCode(t, err, store.Denied)
	_, _, err = p.MakeToken(ctx, store.TokenRequest{Person: ada, Role: store.Viewer, Name: "x", By: "Ada"})
	wantCode(t, err, store.Conflict)
	must(t, p.Resume(ctx, ada, "Olga"))
	if a, err := p.TokenAccess(ctx, token); err != nil || a.Role != store.Operator {
		t.Errorf("%+v, %v", a, err)
	}
	must(t, p.SetRole(ctx, ada, store.Viewer, "Olga"))
	if a, err := p.TokenAccess(ctx, token); err != nil || a.Role != store.Viewer {
		t.Errorf("a token gives more than its person has: %+v, %v", a, err)
	}
	_, _, err = p.MakeToken(ctx, store.TokenRequest{Person: ada, Role: store.Operator, Name: "x", By: "Ada"})
	wantCode(t, err, "forbidden")
	must(t, p.RemovePerson(ctx, ada, "Olga"))
	_, err = p.TokenAccess(ctx, token)
	wantCode(t, err, store.Denied)
	if _, err := p.NewSession(ctx, store.Viewer, "Ada", time.Hour); err != nil || p.named("Ada").ID == ada {
		t.Errorf("another person of that name: %v", err)
	}
	_, err = p.Session(ctx, session) // not the new one's
	wantCode(t, err, store.Denied)
}

func TestBrowsers(t *testing.T) {
	t.Parallel()
	p := newPeople(t)
	ctx := t.Context()
	session, err := p.NewSession(ctx, store.Viewer, "Ada", 100*time.Hour)
	must(t, err)
	a, err := p.Session(ctx, session)
	must(t, err)
	wantCode(t, p.NameBrowser(ctx, a.ID, p.owner, "x", "Olga"), store.NotFound) // not hers
	wantCode(t, p.EndBrowser(ctx, a.ID, p.owner, "Olga"), store.NotFound)
	must(t, p.NameBrowser(ctx, a.ID, a.Person, "phone", "Ada"))
	later := p.now.Add(time.Minute)
	must(t, p.Used(ctx, []store.Use{{Kind: store.SessionKey, ID: a.ID, At: later}}))
	list, err := p.ListBrowsers(ctx, 0)
	if err != nil || len(list) != 2 || list[0].Name != "phone" || !list[0].Used.Equal(later) || !list[0].Expires.Equal(p.now.Add(100*time.Hour)) {
		t.Errorf("%+v, %v", list, err)
	}
	if q := p.named("Ada"); !q.Used.Equal(later) || q.Browsers != 1 {
		t.Errorf("%+v", q)
	}
	must(t, p.EndBrowsers(ctx, a.Person, "Ada"))
	if list, err := p.ListBrowsers(ctx, a.Person); err != nil || len(list) != 0 {
		t.Errorf("%+v, %v", list, err)
	}
}

// TestAccessChangesAreCounted: every change that takes something back has a
// number that other processes see; a new session or a use has none.
func TestAccessChangesAreCounted(t *testing.T) {
	t.Parallel()
	p := newPeople(t)
	ctx := t.Context()
	begin(t, p.Store, record("run", ""))
	count := func() int64 {
		n, err := p.AccessChanges(ctx)
		must(t, err)
		return n
	}
	session, err := p.NewSession(ctx, store.Operator, "Ada", time.Hour)
	must(t, err)
	a, err := p.Session(ctx, session)
	must(t, err)
	_, token, err := p.MakeToken(ctx, store.TokenRequest{Person: a.Person, Role: store.Viewer, Name: "x", By: "Ada"})
	must(t, err)
	_, share, err := p.NewShare(ctx, "run", "Ada", time.Time{})
	must(t, err)
	_, _, err = p.NewShare(ctx, "run", "Ada", time.Time{})
	must(t, err)
	before := count()
	must(t, p.Used(ctx, []store.Use{{Kind: store.SessionKey, ID: a.ID, At: *p.now}, {Kind: store.TokenKey, ID: token, At: *p.now}, {Kind: store.ShareKey, ID: share, At: *p.now}}))
	if count() != before {
		t.Error("a use is a change")
	}
	for _, c := range []struct { // in order: what a run is gone with cannot be taken back
		name string
		act  func() error
	}{
		{"role", func() error { return p.SetRole(ctx, a.Person, store.Viewer, "x") }},
		{"token", func() error { return p.RevokeToken(ctx, token, 0, "x") }},
		{"share", func() error { return p.RevokeShare(ctx, share, "x") }},
		{"session", func() error { return p.EndBrowser(ctx, a.ID, 0, "x") }},
		{"suspend", func() error { return p.Suspend(ctx, a.Person, "x") }},
		{"run", func() error { return p.DeleteRun(ctx, "run") }},
	} {
		before := count()
		if c.name == "run" {
			must(t, p.Finish(ctx, "run", procedure.Ending{Status: procedure.Done, Ended: start.Add(time.Hour)}))
		}
		must(t, c.act())
		if count() == before {
			t.Errorf("%s: no change is counted", c.name)
		}
	}
}

// TestWhoDidIt: each change of access has its line in the log, by whoever did it.
func TestWhoDidIt(t *testing.T) {
	t.Parallel()
	p := newPeople(t)
	ctx := t.Context()
	_, err := p.use(p.invited(store.InvitationRequest{Role: store.Viewer, Uses: 1}), "Ada")
	must(t, err)
	ada := p.named("Ada").ID
	must(t, p.SetRole(ctx, ada, store.Operator, "Olga"))
	must(t, p.RemovePerson(ctx, ada, "Olga"))
	list, err := p.Events(ctx, "", 0, 50)
	must(t, err)
	var got []string
	for _, e := range list {
		got = append(got, e.By+": "+e.Action)
	}
	want := []string{"Olga: remove person", "Olga: change role", "Ada: sign in", "Olga: add person", "Olga: invite"}
	if len(got) < len(want) || !slices.Equal(got[:len(want)], want) {
		t.Errorf("%q", got)
	}
}

// TestOldAccessBecomesPersons: sessions and tokens of an earlier version go on
// working, each as its name's person.
func TestOldAccessBecomesPersons(t *testing.T) {
	t.Parallel()
	path := oldPath(t)
	db, err := sql.Open("sqlite", "file:"+path)
	must(t, err)
	for _, q := range []string{
		`DELETE FROM sessions`, `DELETE FROM tokens`,
		`INSERT INTO sessions (hash, role, name, created, expires) VALUES (x'01', 'owner', 'Olga', 5, 9000000000000000000), (x'02', 'owner', 'Olga', 6, 9000000000000000000)`,
		`INSERT INTO tokens (hash, role, name, created, revoked) VALUES (x'03', 'viewer', 'Olga', 7, NULL), (x'04', 'operator', 'script', 8, NULL), (x'05', 'owner', 'gone', 9, 10), (x'06', 'owner', 'script', 9, 10)`,
	} {
		if _, err := db.ExecContext(t.Context(), q); err != nil {
			t.Fatal(err)
		}
	}
	must(t, db.Close())
	s := storetest.Open(t, path, store.Options{})
	ctx := context.Background()
	all, err := s.ListPersons(ctx)
	must(t, err)
	if len(all) != 2 || all[0].Name != "Olga" || all[0].Role != store.Owner || all[0].Browsers != 2 || all[0].Tokens != 1 ||
		all[1].Name != "script" || all[1].Role != store.Operator || all[1].Tokens != 1 || all[1].Browsers != 0 {
		t.Errorf("%+v", all)
	}
	tokens, err := s.ListTokens(ctx)
	if err != nil || len(tokens) != 4 {
		t.Fatalf("%+v, %v", tokens, err)
	}
	if a, err := s.AccessByID(ctx, store.TokenKey, tokens[3].ID); err != nil || a.Role != store.Viewer || a.Name != "Olga" {
		t.Errorf("her token: %+v, %v", a, err)
	}
	if err := s.Integrity(ctx); err != nil {
		t.Error(err)
	}
}
