package people_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// as is somebody with a role, signed in.
func (r *rig) as(role store.Role, name string) store.Access {
	r.t.Helper()
	return r.access(r.session(role, name))
}

// token is what a token of somebody's gives.
func (r *rig) token(who store.Access, role store.Role) store.Access {
	r.t.Helper()
	key, err := r.MakeToken(r.t.Context(), who, people.Token{Role: role, Name: "script"})
	must(r.t, err)
	_, leave, a, err := r.TokenOf(r.t.Context(), key.Secret)
	must(r.t, err)
	leave()
	return a
}

// refused fails the test where an error is not of that code; "": none at all.
func refused(t *testing.T, what string, err error, want problem.Code) {
	t.Helper()
	if want == "" && err != nil || want != "" && problem.CodeOf(err) != want {
		t.Errorf("%s: %v", what, err)
	}
}

// TestWhoMayDoWhat asks for everything as an operator, by tokens and as an owner: what
// an owner does alone is refused to the rest, and changes nothing.
func TestWhoMayDoWhat(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	ada, boole := r.as(store.Operator, "Ada"), r.as(store.Viewer, "Boole")
	small := r.token(ada, store.Viewer)
	owners := r.token(r.owner, store.Owner)
	identity := store.Identity{Issuer: "https://id.lab", Subject: "7", Label: "ada"}
	for name, act := range map[string]func(who store.Access) error{
		"invite": func(who store.Access) error {
			_, err := r.Invite(t.Context(), who, people.Invitation{Role: store.Viewer, Age: time.Hour, Uses: 1})
			return err
		},
		"take a link back": func(who store.Access) error { return r.RevokeInvitation(t.Context(), who, 99) },
		"change a role":    func(who store.Access) error { return r.SetRole(t.Context(), who, boole.Person, store.Viewer) },
		"suspend":          func(who store.Access) error { return r.Suspend(t.Context(), who, 99) },
		"resume":           func(who store.Access) error { return r.Resume(t.Context(), who, 99) },
		"remove":           func(who store.Access) error { return r.Remove(t.Context(), who, 99) },
		"unbind another's": func(who store.Access) error { return r.Unbind(t.Context(), who, boole.Person) },
	} {
		for who, a := range map[string]store.Access{"an operator": ada, "a viewer": boole, "a token": small} {
			if err := act(a); problem.CodeOf(err) != problem.Forbidden && (who != "a viewer" || name != "unbind another's") {
				t.Errorf("%s may %s: %v", who, name, err)
			}
		}
		for _, a := range []store.Access{r.owner, owners} {
			if err := act(a); problem.CodeOf(err) == problem.Forbidden {
				t.Errorf("an owner may not %s: %v", name, err)
			}
		}
	}
	for name, act := range map[string]func(who store.Access) error{
		"become its person's browser": func(who store.Access) error { _, err := r.AddBrowser(t.Context(), who); return err },
		"become its person":           func(who store.Access) error { return r.Bind(t.Context(), who, identity) },
	} {
		for _, a := range []store.Access{small, owners} {
			refused(t, "a token may "+name, act(a), problem.Forbidden)
		}
	}
	for name, act := range map[string]func() error{
		"sign its person out":  func() error { return r.EndBrowsers(t.Context(), small) },
		"sign one browser out": func() error { return r.EndBrowser(t.Context(), small, ada.ID) },
		"name a browser":       func() error { return r.NameBrowser(t.Context(), small, ada.ID, "mine") },
		"make another token": func() error {
			_, err := r.MakeToken(t.Context(), small, people.Token{Role: store.Viewer, Name: "more"})
			return err
		},
		"take a token back":      func() error { return r.RevokeToken(t.Context(), small, small.ID) },
		"take its sign-in off":   func() error { return r.Unbind(t.Context(), small, ada.Person) },
		"take a share link back": func() error { return r.RevokeShare(t.Context(), small, 1) },
	} {
		refused(t, "a token that gives less may "+name, act(), problem.Forbidden)
	}
	if _, err := r.Store.Session(t.Context(), r.session(store.Operator, "Ada's second")); err != nil {
		t.Fatal(err)
	}
	if a, err := r.Store.AccessByID(t.Context(), ada.Kind, ada.ID); err != nil || a.Role != store.Operator {
		t.Errorf("after all that was refused: %+v, %v", a, err)
	}
}

// TestOnesOwnAndOthers: browsers, tokens and sign-ins are one's own to change, and
// everybody's for an owner.
func TestOnesOwnAndOthers(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	ada, boole := r.as(store.Operator, "Ada"), r.as(store.Operator, "Boole")
	token := r.token(ada, store.Operator)
	refused(t, "another's browser is named", r.NameBrowser(t.Context(), boole, ada.ID, "hers"), problem.NotFound)
	refused(t, "another's browser is signed out", r.EndBrowser(t.Context(), boole, ada.ID), problem.NotFound)
	refused(t, "another's token is revoked", r.RevokeToken(t.Context(), boole, token.ID), problem.NotFound)
	refused(t, "her own is named", r.NameBrowser(t.Context(), ada, ada.ID, "  the bench PC "), "")
	browsers, err := r.Store.ListBrowsers(t.Context(), ada.Person)
	must(t, err)
	if len(browsers) != 1 || browsers[0].Name != "the bench PC" {
		t.Errorf("%+v", browsers)
	}
	for _, name := range []string{"", "  ", "a\u202eb", strings.Repeat("x", 61)} {
		refused(t, "a browser is called "+name, r.NameBrowser(t.Context(), ada, ada.ID, name), problem.Invalid)
	}
	refused(t, "an owner names it", r.NameBrowser(t.Context(), r.owner, ada.ID, "bench 1"), "")
	refused(t, "an owner revokes the token", r.RevokeToken(t.Context(), r.owner, token.ID), "")
	refused(t, "it is revoked again", r.RevokeToken(t.Context(), r.owner, token.ID), problem.NotFound)
	refused(t, "an owner signs her out", r.EndBrowser(t.Context(), r.owner, ada.ID), "")
	refused(t, "she is signed out again", r.EndBrowser(t.Context(), r.owner, ada.ID), problem.NotFound)
}

// TestTokensGiveNoMore than whoever makes them has, and their names can be read.
func TestTokensGiveNoMore(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, c := range []struct {
		has, asks store.Role
		name      string
		field     string // that is at fault; "": none
	}{
		{store.Viewer, store.Viewer, "script", ""}, {store.Operator, store.Viewer, "script", ""}, {store.Owner, store.Owner, "script", ""},
		{store.Viewer, store.Operator, "script", "scope"}, {store.Operator, store.Owner, "script", "scope"},
		{store.Owner, store.Viewer, "", "name"}, {store.Owner, store.Viewer, "a\u200bb", "name"}, {store.Owner, store.Viewer, "\u0410da", "name"},
	} {
		who := r.as(c.has, "Person of "+c.name+c.has.String()+c.asks.String())
		key, err := r.MakeToken(t.Context(), who, people.Token{Role: c.asks, Name: c.name})
		if (err == nil) != (c.field == "") || c.field != "" && !strings.Contains(strings.Join(fieldsOf(err), " "), c.field) {
			t.Errorf("%+v: %v of %v", c, err, fieldsOf(err))
		}
		if err != nil {
			continue
		}
		_, leave, a, err := r.TokenOf(t.Context(), key.Secret)
		must(t, err)
		leave()
		if a.Role != c.asks || a.ID != key.ID {
			t.Errorf("%+v gives %+v", c, a)
		}
		must(t, r.SetRole(t.Context(), r.owner, who.Person, store.Viewer))
		if _, leave, a, err := r.TokenOf(t.Context(), key.Secret); err != nil || a.Role > store.Viewer {
			t.Errorf("%+v, of somebody who is a viewer by now, gives %v, %v", c, a.Role, err)
		} else {
			leave()
		}
	}
}

// TestInvitations: a link lets in as many as it says, under names that nobody can be
// taken for somebody else by, and nobody once it is void.
func TestInvitations(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	key, err := r.Invite(t.Context(), r.owner, people.Invitation{Role: store.Operator, Age: time.Hour, Uses: 2})
	must(t, err)
	for _, c := range []struct {
		name, browser string
		want          problem.Code
	}{
		{"", "", problem.Invalid}, {"the host", "", problem.Invalid}, {"Ada (script)", "", problem.Invalid}, {"\u0410da", "", problem.Invalid},
		{"Ada", "a\u202eb", problem.Invalid}, {"Olga", "", problem.Conflict},
		{" Ada ", " bench PC ", ""}, {"Boole", "", ""}, {"Curie", "", problem.Denied},
	} {
		secret, err := r.SignIn(t.Context(), key.Secret, c.name, c.browser)
		refused(t, "signed in as "+c.name, err, c.want)
		if err == nil {
			if a := r.access(secret); a.Name != strings.TrimSpace(c.name) || a.Role != store.Operator || c.browser != "" && a.Label != "bench PC" {
				t.Errorf("%+v came in by %+v", a, c)
			}
		}
	}
	_, err = r.SignIn(t.Context(), "no such key", "Curie", "")
	refused(t, "an unknown key", err, problem.Denied)

	void, err := r.Invite(t.Context(), r.owner, people.Invitation{Role: store.Viewer, Age: time.Hour, Uses: 5})
	must(t, err)
	must(t, r.RevokeInvitation(t.Context(), r.owner, void.ID))
	_, err = r.SignIn(t.Context(), void.Secret, "Curie", "")
	refused(t, "a link that was taken back", err, problem.Denied)
	old, err := r.Invite(t.Context(), r.owner, people.Invitation{Role: store.Viewer, Age: time.Hour, Uses: 5})
	must(t, err)
	r.ahead.Store(int64(2 * time.Hour))
	_, err = r.SignIn(t.Context(), old.Secret, "Curie", "")
	refused(t, "a link that has run out", err, problem.Denied)
}

// TestOneMoreBrowser: a link for a browser signs in as its person, whatever name is
// given, once.
func TestOneMoreBrowser(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	ada := r.as(store.Operator, "Ada")
	own, err := r.AddBrowser(t.Context(), ada)
	must(t, err)
	lost, err := r.Invite(t.Context(), r.owner, people.Invitation{Person: ada.Person, Role: store.Owner, Age: time.Hour, Uses: 50})
	must(t, err)
	for _, key := range []people.Key{own, lost} {
		secret, err := r.SignIn(t.Context(), key.Secret, "Olga", "phone")
		must(t, err)
		if a := r.access(secret); a.Person != ada.Person || a.Name != "Ada" || a.Role != store.Operator || a.Label != "phone" {
			t.Errorf("%+v", a)
		}
		_, err = r.SignIn(t.Context(), key.Secret, "", "")
		refused(t, "used twice", err, problem.Denied)
	}
	_, err = r.Invite(t.Context(), r.owner, people.Invitation{Person: 4711, Age: time.Hour})
	refused(t, "a browser of nobody", err, problem.NotFound)
}

// TestSingleSignOn: whom the provider names comes in as whoever that is here.
func TestSingleSignOn(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	ada := r.as(store.Operator, "Ada")
	id := func(subject string) store.Identity {
		return store.Identity{Issuer: "https://id.lab", Subject: subject, Label: subject}
	}
	come := func(q store.SignOn) (store.Access, error) {
		secret, err := r.SignOn(t.Context(), q)
		if err != nil {
			return store.Access{}, err
		}
		return r.access(secret), nil
	}
	_, err := come(store.SignOn{Identity: id("ada")})
	refused(t, "somebody whom nobody knows", err, problem.Denied)
	must(t, r.Bind(t.Context(), ada, id("ada")))
	if a, err := come(store.SignOn{Identity: id("ada"), Name: "the host"}); err != nil || a.Person != ada.Person || a.Role != store.Operator {
		t.Errorf("bound: %+v, %v", a, err) // the name of somebody who is known does not matter
	}
	for name, want := range map[string]problem.Code{"the host": problem.Invalid, "": problem.Invalid, "Olga": problem.Conflict, "  Curie ": ""} {
		a, err := come(store.SignOn{Identity: id("curie"), New: true, Name: name, Role: store.Viewer})
		refused(t, "a newcomer as "+name, err, want)
		if want == problem.Invalid && !strings.Contains(strings.Join(fieldsOf(err), " "), "name") {
			t.Errorf("a newcomer as %q: %v", name, err)
		}
		if err == nil && (a.Name != "Curie" || a.Role != store.Viewer) {
			t.Errorf("%+v", a)
		}
		if want == "" { // known from now on, so that no name is asked for: let the next be new
			must(t, r.Unbind(t.Context(), r.owner, a.Person))
			must(t, r.Remove(t.Context(), r.owner, a.Person))
		}
	}
	refused(t, "another's sign-in", r.Bind(t.Context(), r.owner, id("ada")), problem.Conflict)
	must(t, r.Unbind(t.Context(), ada, ada.Person))
	_, err = come(store.SignOn{Identity: id("ada")})
	refused(t, "taken off", err, problem.Denied)
	refused(t, "taken off again", r.Unbind(t.Context(), ada, ada.Person), problem.NotFound)
}

// TestARoleTakenByTheProvider ends what is open with it, at the next sign-in.
func TestARoleTakenByTheProvider(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	who := store.SignOn{Identity: store.Identity{Issuer: "https://id.lab", Subject: "9"}, New: true, Name: "Noether", Role: store.Operator, Follows: true}
	secret, err := r.SignOn(t.Context(), who)
	must(t, err)
	ctx, _ := r.open(secret, store.Operator)
	who.Role = store.Viewer
	again, err := r.SignOn(t.Context(), who)
	must(t, err)
	if a := r.access(again); a.Role != store.Viewer || !ended(ctx) {
		t.Errorf("%v now, and what an operator had open: %v", a.Role, ctx.Err())
	}
}

// TestSuspended: nothing of somebody who is suspended gives access until they are
// resumed, and a holder of the bench stands or falls with it.
func TestSuspended(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	secret := r.session(store.Operator, "Ada")
	ada := r.access(secret)
	holder := people.HolderKey(ada.Kind, ada.ID)
	stands := func(role store.Role, want bool) {
		t.Helper()
		if got := r.Stands(t.Context(), holder, role); got != want {
			t.Errorf("%s stands as %v: %v", holder, role, got)
		}
	}
	stands(store.Operator, true)
	stands(store.Owner, false)
	must(t, r.Suspend(t.Context(), r.owner, ada.Person))
	stands(store.Viewer, false)
	_, leave, _, err := r.SessionOf(t.Context(), secret)
	leave()
	refused(t, "while suspended", err, problem.Denied)
	must(t, r.Resume(t.Context(), r.owner, ada.Person))
	_, leave, _, err = r.SessionOf(t.Context(), secret)
	leave()
	refused(t, "after it", err, "")
	stands(store.Operator, true)
	must(t, r.EndBrowser(t.Context(), ada, ada.ID))
	stands(store.Viewer, false)
	for _, nobody := range []string{"", "session", "session x", "token 4711"} {
		if r.Stands(t.Context(), nobody, store.Viewer) {
			t.Errorf("%q stands", nobody)
		}
	}
	refused(t, "the last owner is suspended", r.Suspend(t.Context(), r.owner, r.owner.Person), problem.Conflict)
	refused(t, "the last owner becomes a viewer", r.SetRole(t.Context(), r.owner, r.owner.Person, store.Viewer), problem.Conflict)
	refused(t, "the last owner is removed", r.Remove(t.Context(), r.owner, r.owner.Person), problem.Conflict)
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if !r.Stands(gone, holder, store.Operator) {
		t.Error("a database that does not answer takes control away")
	}
}

func fieldsOf(err error) (out []string) {
	if e := problem.Of(err); e != nil {
		for _, f := range e.Fields {
			out = append(out, f.Field)
		}
	}
	return out
}
