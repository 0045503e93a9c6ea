package store_test

import (
	"testing"
	"time"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestNamesThatReadAlikeAreTaken: nobody comes in beside somebody whose name reads
// the same; two who were let in before stay two.
func TestNamesThatReadAlikeAreTaken(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	for _, name := range []string{"Eva", "Eva B", "Eva-B"} {
		if _, err := s.NewSession(ctx, store.Operator, name, time.Hour); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"Eva  B", "Eva\u00a0B", "\U0001d5a4\U0001d5cf\U0001d5ba", "\uff25\uff56\uff41", "Eva\u2011B"} {
		key, _, err := s.Invite(ctx, store.InvitationRequest{Kind: store.OpenInvitation, Role: store.Viewer, By: "x", Age: time.Hour, Uses: 1})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.UseInvitation(ctx, key, name, "", time.Hour); store.CodeOf(err) != store.Conflict {
			t.Errorf("%+q: %v", name, err)
		}
	}
	storetest.Exec(t, s, "UPDATE persons SET name = '\uff25\uff56\uff41' WHERE name = 'Eva B'; UPDATE persons SET seal = "+store.SealSQL("persons"))
	for _, name := range []string{"Eva", "\uff25\uff56\uff41"} {
		secret, err := s.NewSession(ctx, store.Operator, name, time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		if a, err := s.Session(ctx, secret); err != nil || a.Name != name {
			t.Errorf("%+q signs in as %+q: %v", name, a.Name, err)
		}
	}
}

// TestNamesThatLookAlikeAreOne: a person is found however their name is composed,
// one from before names were composed too.
func TestNamesThatLookAlikeAreOne(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	const composed, apart = "Ren\u00e9", "Rene\u0301"
	persons := func() []store.Person {
		all, err := s.ListPersons(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	for _, name := range []string{apart, composed} {
		if _, err := s.NewSession(ctx, store.Operator, name, time.Hour); err != nil {
			t.Fatal(err)
		}
	}
	if all := persons(); len(all) != 1 || all[0].Name != composed || all[0].Browsers != 2 {
		t.Fatalf("%+v", all)
	}
	storetest.Exec(t, s, "UPDATE persons SET name = '"+apart+"'; UPDATE persons SET seal = "+store.SealSQL("persons")) // as an earlier program kept it
	if _, err := s.NewSession(ctx, store.Operator, composed, time.Hour); err != nil {
		t.Fatal(err)
	}
	if there, err := s.PersonCalled(ctx, composed); !there || err != nil {
		t.Errorf("%v, %v", there, err)
	}
	if there, err := s.PersonCalled(ctx, "Rene"); there || err != nil {
		t.Errorf("%v, %v", there, err)
	}
	key, err := s.NewStartKey(ctx, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.UseInvitation(ctx, key, composed, "", time.Hour); store.CodeOf(err) != store.Conflict {
		t.Errorf("an owner of the name of an operator: %v", err)
	}
	if all := persons(); len(all) != 1 || all[0].Name != apart || all[0].Browsers != 3 {
		t.Errorf("%+v", all)
	}
}
