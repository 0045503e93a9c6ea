package store_test

import (
	"bytes"
	"encoding/base64"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// withClock returns a store whose clock the test moves.
func withClock(t *testing.T) (*store.Store, *time.Time, string) {
	now, path := start, storetest.Path(t)
	return storetest.Open(t, path, store.Options{Now: func() time.Time { return now }}), &now, path
}

func TestStartKeyWorksOnce(t *testing.T) {
	t.Parallel()
	s, now, _ := withClock(t)
	ctx := t.Context()
	old, err := s.NewStartKey(ctx, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	key, err := s.NewStartKey(ctx, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.UseInvitation(ctx, old, "ann", "", time.Hour)
	wantCode(t, err, store.Denied) // the newer one replaced it
	session, err := s.UseInvitation(ctx, key, "ann", "", time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.UseInvitation(ctx, key, "bob", "", time.Hour)
	wantCode(t, err, store.Denied)
	_, err = s.UseInvitation(ctx, "", "bob", "", time.Hour)
	wantCode(t, err, store.Denied)

	a, err := s.Session(ctx, session)
	if err != nil || a.Role != store.Owner || a.Name != "ann" || !a.Expires.Equal(now.Add(time.Hour)) {
		t.Errorf("%+v %v", a, err)
	}
	*now = now.Add(time.Hour)
	_, err = s.Session(ctx, session)
	wantCode(t, err, store.Denied)
}

func TestSessionsEnd(t *testing.T) {
	t.Parallel()
	s, _, _ := withClock(t)
	ctx := t.Context()
	session, err := s.NewSession(ctx, store.Viewer, "bob", time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	if a, err := s.Session(ctx, session); err != nil || a.Role != store.Viewer {
		t.Errorf("%+v %v", a, err)
	}
	for range 2 {
		if err := s.EndSession(ctx, session); err != nil {
			t.Error(err)
		}
	}
	_, err = s.Session(ctx, session)
	wantCode(t, err, store.Denied)
	_, err = s.NewSession(ctx, store.Nobody, "x", time.Hour)
	wantCode(t, err, store.Invalid)
}

func TestTokens(t *testing.T) {
	t.Parallel()
	s, _, _ := withClock(t)
	ctx := t.Context()
	secret, err := s.NewToken(ctx, store.Operator, "script")
	if err != nil {
		t.Fatal(err)
	}
	a, err := s.TokenAccess(ctx, secret)
	if err != nil || a.Role != store.Operator || a.Name != "script" || !a.Expires.IsZero() {
		t.Errorf("%+v %v", a, err)
	}
	list, err := s.ListTokens(ctx)
	if err != nil || len(list) != 1 || list[0].Role != store.Operator || !list[0].Revoked.IsZero() {
		t.Fatalf("%+v %v", list, err)
	}
	if err := s.RevokeToken(ctx, list[0].ID, 0, "ann"); err != nil {
		t.Fatal(err)
	}
	wantCode(t, s.RevokeToken(ctx, list[0].ID, 0, "ann"), store.NotFound)
	_, err = s.TokenAccess(ctx, secret)
	wantCode(t, err, store.Denied)
	_, err = s.NewToken(ctx, 9, "x")
	wantCode(t, err, store.Invalid)
	_, err = s.NewToken(ctx, store.Viewer, "")
	wantCode(t, err, store.Invalid)
}

func TestShares(t *testing.T) {
	t.Parallel()
	s, now, _ := withClock(t)
	ctx := t.Context()
	begin(t, s, record("run", ""))
	always, _, err := s.NewShare(ctx, "run", "ann", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	hour, _, err := s.NewShare(ctx, "run", "ann", now.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	for _, secret := range []string{always, hour} {
		if x, err := s.Shared(ctx, secret); x.Subject != "run" || err != nil {
			t.Errorf("%+v %v", x, err)
		}
	}
	*now = now.Add(time.Hour)
	_, err = s.Shared(ctx, hour)
	wantCode(t, err, store.Denied)
	list, err := s.ListShares(ctx, store.RunShare, "run")
	if err != nil || len(list) != 2 || list[0].Expires.IsZero() || !list[1].Expires.IsZero() {
		t.Fatalf("%+v %v", list, err)
	}
	if err := s.RevokeShare(ctx, list[1].ID, "ann"); err != nil {
		t.Fatal(err)
	}
	_, err = s.Shared(ctx, always)
	wantCode(t, err, store.Denied)
	_, _, err = s.NewShare(ctx, "nobody", "ann", time.Time{})
	wantCode(t, err, store.NotFound)
	_, _, err = s.NewShare(ctx, "run", "ann", start.Add(-time.Hour))
	wantCode(t, err, store.Invalid)
}

// Whoever reads the file must not be able to sign in with what is there.
func TestNoSecretIsStored(t *testing.T) {
	t.Parallel()
	s, _, path := withClock(t)
	ctx := t.Context()
	begin(t, s, record("run", ""))
	key, _ := s.NewStartKey(ctx, time.Hour)
	session, _ := s.NewSession(ctx, store.Owner, "ann", time.Hour)
	token, _ := s.NewToken(ctx, store.Owner, "script")
	share, _, _ := s.NewShare(ctx, "run", "ann", time.Time{})
	copied := filepath.Join(filepath.Dir(path), "copy.db")
	if err := s.Backup(ctx, copied); err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(copied)
	if err != nil || !bytes.Contains(file, []byte("script")) {
		t.Fatalf("%d bytes without what must be there: %v", len(file), err)
	}
	seen := map[string]bool{}
	for _, secret := range []string{key, session, token, share} {
		raw, err := base64.RawURLEncoding.DecodeString(secret)
		if err != nil || len(raw) != 32 || seen[secret] {
			t.Errorf("secret %q: %d bytes, %v", secret, len(raw), err)
		}
		seen[secret] = true
		if bytes.Contains(file, []byte(secret)) || bytes.Contains(file, raw) {
			t.Errorf("a secret is in the file")
		}
	}
}

func TestRoles(t *testing.T) {
	t.Parallel()
	if !(store.Viewer < store.Operator && store.Operator < store.Owner && store.Nobody < store.Viewer) {
		t.Error("roles are out of order")
	}
	for _, r := range []store.Role{store.Viewer, store.Operator, store.Owner} {
		var back store.Role
		if err := back.UnmarshalText([]byte(r.String())); err != nil || back != r {
			t.Errorf("%v comes back as %v: %v", r, back, err)
		}
	}
	for _, name := range []string{"", "root", "Owner"} {
		_, err := store.ParseRole(name)
		wantCode(t, err, store.Invalid)
	}
	if !strings.Contains(store.Role(9).String(), "9") {
		t.Error(store.Role(9))
	}
}
