package people_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
	"unicode/utf8"

	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// rig is a lab's people on a database of the test's own, with a clock that the
// test moves.
type rig struct {
	*people.People
	t     *testing.T
	path  string
	ahead atomic.Int64 // of the real clock, ns
	owner store.Access
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{t: t, path: storetest.Path(t)}
	now := func() time.Time { return time.Now().Add(time.Duration(r.ahead.Load())) }
	s := storetest.Open(t, r.path, store.Options{Now: now})
	r.People = people.New(people.Config{Store: s, Now: now})
	r.owner = r.access(r.session(store.Owner, "Olga"))
	return r
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// session signs a browser of somebody in.
func (r *rig) session(role store.Role, name string) string {
	r.t.Helper()
	secret, err := r.Store.NewSession(r.t.Context(), role, name, time.Hour)
	must(r.t, err)
	return secret
}

func (r *rig) access(secret string) store.Access {
	r.t.Helper()
	a, err := r.Store.Session(r.t.Context(), secret)
	must(r.t, err)
	return a
}

// open opens something with a session, which asks for a role.
func (r *rig) open(secret string, needs store.Role) (context.Context, store.Access) {
	r.t.Helper()
	ctx, leave, a, err := r.SessionOf(r.t.Context(), secret)
	must(r.t, err)
	r.t.Cleanup(leave)
	must(r.t, people.Need(ctx, needs))
	return ctx, a
}

func ended(ctx context.Context) bool { return errors.Is(context.Cause(ctx), people.ErrTakenBack) }

// TestTakenBackEndsWhatIsOpen: whatever takes access back ends what is open with
// it before it returns, and leaves the rest open.
func TestTakenBackEndsWhatIsOpen(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		needs store.Role
		act   func(r *rig, a store.Access) error
	}{
		"the browser is signed out": {store.Viewer, func(r *rig, a store.Access) error { return r.EndBrowser(t.Context(), r.owner, a.ID) }},
		"signed out everywhere":     {store.Viewer, func(r *rig, a store.Access) error { return r.EndBrowsers(t.Context(), a) }},
		"the person is suspended":   {store.Viewer, func(r *rig, a store.Access) error { return r.Suspend(t.Context(), r.owner, a.Person) }},
		"the person is removed":     {store.Viewer, func(r *rig, a store.Access) error { return r.Remove(t.Context(), r.owner, a.Person) }},
		"the role is lowered": {store.Operator, func(r *rig, a store.Access) error {
			return r.SetRole(t.Context(), r.owner, a.Person, store.Viewer)
		}},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			own := r.session(store.Operator, "Ada")
			ctx, a := r.open(own, c.needs)
			other, _ := r.open(r.session(store.Operator, "Boole"), store.Operator)
			must(t, c.act(r, a))
			if !ended(ctx) {
				t.Error("what was open goes on")
			}
			if other.Err() != nil {
				t.Error("what somebody else has open has ended")
			}
			_, leave, b, err := r.SessionOf(t.Context(), own)
			leave()
			if c.needs == store.Viewer && problem.CodeOf(err) != problem.Denied || c.needs == store.Operator && b.Role != store.Viewer {
				t.Errorf("afterwards it opens with %v, %v", b.Role, err)
			}
		})
	}
}

// TestLoweredRoleLeavesTheRest: what a lower role may have open, too, goes on.
func TestLoweredRoleLeavesTheRest(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	ctx, a := r.open(r.session(store.Operator, "Ada"), store.Viewer)
	must(t, r.SetRole(t.Context(), r.owner, a.Person, store.Viewer))
	if ctx.Err() != nil {
		t.Error("what a viewer may look at has ended")
	}
	if err := people.Need(ctx, store.Operator); !errors.Is(err, people.ErrTakenBack) {
		t.Errorf("it may become what an operator needs: %v", err)
	}
}

// TestTokensAreTakenBack as browsers are.
func TestTokensAreTakenBack(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	key, err := r.MakeToken(t.Context(), r.owner, people.Token{Role: store.Operator, Name: "script"})
	must(t, err)
	ctx, leave, a, err := r.TokenOf(t.Context(), key.Secret)
	must(t, err)
	defer leave()
	if a.Role != store.Operator || a.Name != "Olga" || a.Label != "script" {
		t.Errorf("%+v", a)
	}
	must(t, r.RevokeToken(t.Context(), r.owner, key.ID))
	if !ended(ctx) {
		t.Error("a revoked token's work goes on")
	}
}

// TestAnotherProcessTakesBack: what another process takes back, and what runs
// out, ends what is open here.
func TestAnotherProcessTakesBack(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	ctx, a := r.open(r.session(store.Operator, "Ada"), store.Viewer)
	lowered, b := r.open(r.session(store.Operator, "Boole"), store.Operator)
	lasting, _ := r.open(r.session(store.Viewer, "Curie"), store.Viewer)
	host := storetest.Open(t, r.path, store.Options{}) // as a second process has it
	must(t, host.EndBrowser(t.Context(), a.ID, 0, "the host"))
	<-ctx.Done()
	must(t, host.SetRole(t.Context(), b.Person, store.Viewer, "the host"))
	<-lowered.Done()
	if !ended(ctx) || !ended(lowered) || lasting.Err() != nil {
		t.Errorf("%v, %v, %v", context.Cause(ctx), context.Cause(lowered), lasting.Err())
	}
	r.ahead.Store(int64(time.Hour))
	<-lasting.Done()
	if !ended(lasting) {
		t.Errorf("what has run out: %v", context.Cause(lasting))
	}
}

// TestNothingSlipsThrough: whoever opens something at the very moment at which
// their access is taken back has it ended or refused, however the two fall.
func TestNothingSlipsThrough(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for range 60 {
		secret := r.session(store.Viewer, "Ada")
		a := r.access(secret)
		var mu sync.Mutex
		var opened []context.Context
		var work sync.WaitGroup
		for range 6 {
			work.Go(func() {
				for range 20 {
					ctx, _, _, err := r.SessionOf(t.Context(), secret)
					if err != nil {
						return
					}
					mu.Lock()
					opened = append(opened, ctx)
					mu.Unlock()
				}
			})
		}
		must(t, r.EndBrowser(t.Context(), r.owner, a.ID))
		work.Wait()
		for _, ctx := range opened {
			if !ended(ctx) {
				t.Fatal("something that was opened while the browser was signed out goes on")
			}
		}
	}
}

// TestWhoTakesTheirOwnBackIsAnswered: the request that signs its own browser
// out ends by itself, and everything else that browser has open ends.
func TestWhoTakesTheirOwnBackIsAnswered(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	secret := r.session(store.Viewer, "Ada")
	page, a := r.open(secret, store.Viewer)
	request, leave, _, err := r.SessionOf(t.Context(), secret)
	must(t, err)
	defer leave()
	must(t, r.EndBrowsers(request, a))
	if request.Err() != nil || !ended(page) {
		t.Errorf("the request: %v; the page: %v", request.Err(), context.Cause(page))
	}
}

// TestUseIsWrittenRarely: a browser's last use is known to a minute, and its
// requests cost no commit each.
func TestUseIsWrittenRarely(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	secret := r.session(store.Viewer, "Ada")
	first := r.access(secret).Used
	for range 100 {
		_, leave, _, err := r.SessionOf(t.Context(), secret)
		must(t, err)
		leave()
	}
	if got := r.access(secret).Used; !got.Equal(first) {
		t.Errorf("used at %v, signed in at %v: written within a minute", got, first)
	}
	r.ahead.Store(int64(5 * time.Minute))
	_, leave, _, err := r.SessionOf(t.Context(), secret)
	must(t, err)
	leave()
	for r.access(secret).Used.Equal(first) { // written beside the request
	}
	if got := r.access(secret).Used; got.Sub(first) < 4*time.Minute {
		t.Errorf("used at %v, signed in at %v", got, first)
	}
	for r.Grants.Open() > 0 {
		t.Fatal("something is still registered as open")
	}
}

func TestNames(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]bool{"Ada": true, "Żaneta 王": true, "R. O’Neill-3": true, "Ольга": true, "Олga": false, "\u0410da": false, "Ελένη": true, "": false, " ": false, "a\u202eb": false, "a\u200bb": false, "a\tb": false, "a\u2029b": false, "\xff": false} {
		if got := people.CheckName(name) == ""; got != want {
			t.Errorf("%q: %q", name, people.CheckName(name))
		}
	}
}

// TestNobodyPosesAsTheServer: a person's name cannot be taken for the server or for
// somebody's token in the log of who did what.
func TestNobodyPosesAsTheServer(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]bool{"Ada": true, "the host": false, "The Server’s Start": false, "SYSTEM": false, "Olga (own)": false, "Olga (own": true, "": false, "a\u3164": false,
		"the\u00a0host": false, "the  host": false, "\uff53ystem": false, "single sign\u2011on": false, "x (y\uff09": false} {
		if got := people.CheckPerson(name) == ""; got != want {
			t.Errorf("%q: %q", name, people.CheckPerson(name))
		}
	}
}

// FuzzCheckName: a name that passes is one line that shows all it holds.
func FuzzCheckName(f *testing.F) {
	f.Add("Ada")
	f.Add("a\u202eb")
	f.Fuzz(func(t *testing.T, name string) {
		if people.CheckName(name) != "" {
			return
		}
		if shown := strings.TrimSpace(name); strings.ContainsAny(shown, "\n\r\t\u202a\u202b\u202c\u202d\u202e\u200b\u2066\u2028") || !utf8.ValidString(shown) {
			t.Errorf("%q passes", name)
		}
	})
}

// BenchmarkEnter is what a request costs more: its place in the register,
// beside the look-up of who asks.
func BenchmarkEnter(b *testing.B) {
	s := storetest.New(b)
	secret, err := s.NewSession(b.Context(), store.Viewer, "Ada", time.Hour)
	if err != nil {
		b.Fatal(err)
	}
	p := people.New(people.Config{Store: s})
	b.Run("registered", func(b *testing.B) {
		for b.Loop() {
			_, leave, _, err := p.SessionOf(b.Context(), secret)
			if err != nil {
				b.Fatal(err)
			}
			leave()
		}
	})
	b.Run("lookedUp", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.Session(b.Context(), secret); err != nil {
				b.Fatal(err)
			}
		}
	})
}
