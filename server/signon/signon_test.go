package signon_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/rsa"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/problem"
	"ohmkeep/server/signon"
	"ohmkeep/server/signon/provider"
	"ohmkeep/store"
)

const back = "http://127.0.0.1:8480/sign-in/return"

// ada is a user of the provider.
var ada = provider.User{ID: "sub-1", Username: "ada", First: "Ada", Last: "Bell", Email: "ada@lab.example", Groups: []string{"bench", "coffee"}}

type rig struct {
	*testing.T
	at  *provider.Server
	p   *signon.Provider
	log bytes.Buffer
}

// newRig starts a provider that knows ada, and a client of it.
func newRig(t *testing.T, change func(*signon.Config)) *rig {
	return clientOf(t, provider.Start(t, back), change)
}

// clientOf is a client of a provider that knows ada: a provider costs two keys.
func clientOf(t *testing.T, at *provider.Server, change func(*signon.Config)) *rig {
	r := &rig{T: t, at: at}
	r.at.Add(ada)
	cfg := signon.Config{Issuer: r.at.URL, ClientID: provider.ClientID, Secret: provider.Secret, Log: slog.New(slog.NewTextHandler(&r.log, nil))}
	if change != nil {
		change(&cfg)
	}
	var err error
	if r.p, err = signon.New(cfg); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *rig) begin() signon.Started {
	r.Helper()
	s, err := r.p.Begin(r.Context(), back, "/runs", "")
	if err != nil {
		r.Fatal(err)
	}
	return s
}

// comesBack begins a sign-in, and has ada sign in at the provider.
func (r *rig) comesBack() (keep string, answer url.Values) {
	r.Helper()
	s := r.begin()
	return s.Keep, r.at.SignIn(r, s.Address, "ada").Query()
}

func (r *rig) finish(keep string, answer url.Values) (signon.Finished, error) {
	return r.p.Finish(r.Context(), back, keep, answer)
}

func (r *rig) signIn() (signon.Finished, error) {
	r.Helper()
	keep, answer := r.comesBack()
	return r.finish(keep, answer)
}

// refused holds an error against its code, and its words.
func (r *rig) refused(err error, code problem.Code, words string) {
	r.Helper()
	if problem.CodeOf(err) != code || !strings.Contains(err.Error(), words) {
		r.Errorf("%v (%v), want %v with %q", err, problem.CodeOf(err), code, words)
	}
}

func TestSignsIn(t *testing.T) {
	r := newRig(t, func(c *signon.Config) {
		c.Roles = []signon.GroupRole{{Group: "bench", Role: store.Operator}, {Group: "heads", Role: store.Owner}}
	})
	s := r.begin()
	u, err := url.Parse(s.Address)
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"response_type": "code", "client_id": provider.ClientID, "redirect_uri": back, "code_challenge_method": "S256", "scope": "openid profile email"} {
		if got := u.Query().Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	for _, name := range []string{"state", "nonce", "code_challenge"} {
		if len(u.Query().Get(name)) < 20 {
			t.Errorf("%s: %q", name, u.Query().Get(name))
		}
	}
	if strings.Contains(s.Address, "secret") {
		t.Errorf("the secret is in %s", s.Address)
	}
	got, err := r.finish(s.Keep, r.at.SignIn(t, s.Address, "ada").Query())
	if err != nil {
		t.Fatal(err)
	}
	want := signon.Finished{Identity: signon.Identity{Issuer: r.at.URL, Subject: "sub-1", Name: "Ada Bell", Label: "ada@lab.example", New: true, Role: store.Operator, Follows: true}, To: "/runs"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// TestLiesAreRefused spoils the ID token of a real provider in each way that would
// make somebody somebody else.
func TestLiesAreRefused(t *testing.T) {
	foreign, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, nil)
	for name, spoil := range map[string]func(*provider.Token){
		"another sign-in's nonce": func(k *provider.Token) { k.Claims["nonce"] = rand.Text() },
		"no nonce":                func(k *provider.Token) { delete(k.Claims, "nonce") },
		"another program":         func(k *provider.Token) { k.Claims["aud"] = []string{"another"} },
		"made for another, read by": func(k *provider.Token) {
			k.Claims["aud"] = []string{provider.ClientID, "another"}
			k.Claims["azp"] = "another"
		},
		"two audiences, no party":   func(k *provider.Token) { k.Claims["aud"] = []string{provider.ClientID, "x"}; delete(k.Claims, "azp") },
		"expired":                   func(k *provider.Token) { k.Claims["exp"] = time.Now().Add(-time.Minute).Unix() },
		"never ends":                func(k *provider.Token) { delete(k.Claims, "exp") },
		"another issuer":            func(k *provider.Token) { k.Claims["iss"] = "https://other.example" },
		"nobody":                    func(k *provider.Token) { k.Claims["sub"] = "" },
		"a subject without end":     func(k *provider.Token) { k.Claims["sub"] = strings.Repeat("x", 300) },
		"a subject that is a list":  func(k *provider.Token) { k.Claims["sub"] = []string{"sub-1"} },
		"another access token":      func(k *provider.Token) { k.Claims["at_hash"] = "AAAAAAAAAAAAAAAAAAAAAA" },
		"signed by another key":     func(k *provider.Token) { k.Key = foreign },
		"an unknown key":            func(k *provider.Token) { k.Key, k.Header["kid"] = foreign, "mine" },
		"alg none":                  func(k *provider.Token) { k.Key = nil },
		"alg HS256 of a public key": func(k *provider.Token) { k.Alg = "HS256" },
	} {
		r.at.Spoil(spoil)
		_, err := r.signIn()
		if problem.CodeOf(err) != problem.Denied {
			t.Errorf("%s: %v", name, err)
		}
	}
	r.at.Spoil(func(*provider.Token) {}) // the way there and back alone spoils nothing
	if who, err := r.signIn(); err != nil || who.Subject != "sub-1" {
		t.Errorf("unspoiled: %v, %v", who, err)
	}
	if strings.Contains(r.log.String(), provider.Secret) || strings.Contains(r.log.String(), "eyJ") {
		t.Errorf("a secret or a token is in the log: %s", r.log.String())
	}
}

// TestAnswersBelongToTheirBeginning: state, code and what the browser keeps are
// good together, in one browser, once, and not for ever.
func TestAnswersBelongToTheirBeginning(t *testing.T) {
	now := time.Now()
	r := newRig(t, func(c *signon.Config) { c.Now = func() time.Time { return now } })
	keep, answer := r.comesBack()
	otherKeep, otherAnswer := r.comesBack()
	without := func(name string) url.Values {
		v := url.Values{}
		for k := range answer {
			if k != name {
				v.Set(k, answer.Get(k))
			}
		}
		return v
	}
	mixed := without("code")
	mixed.Set("code", otherAnswer.Get("code"))
	for name, try := range map[string]struct {
		keep   string
		answer url.Values
	}{
		"nothing kept":            {"", answer},
		"kept by another browser": {otherKeep, answer},
		"no state":                {keep, without("state")},
		"no code":                 {keep, without("code")},
		"not sealed here":         {keep[:len(keep)-2] + "AA", answer},
		"another's code":          {keep, mixed}, // PKCE: the verifier is of another beginning
		"another provider":        {keep, url.Values{"state": answer["state"], "code": answer["code"], "iss": {"https://other.example"}}},
		"refused there":           {keep, url.Values{"state": answer["state"], "error": {"access_denied"}}},
	} {
		if _, err := r.finish(try.keep, try.answer); problem.CodeOf(err) != problem.Denied {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := r.finish(keep, answer); err != nil {
		t.Fatalf("the right one, after all these: %v", err)
	}
	before := r.at.Asked("/oauth/token")
	_, err := r.finish(keep, answer)
	r.refused(err, problem.Denied, "used already")
	if r.at.Asked("/oauth/token") != before {
		t.Error("a sign-in that was used was tried at the provider again")
	}
	keep, answer = r.comesBack()
	now = now.Add(signon.FlowAge)
	_, err = r.finish(keep, answer)
	r.refused(err, problem.Denied, "too long ago")
	restarted, err := signon.New(r.p.Config)
	if err != nil {
		t.Fatal(err)
	}
	keep, answer = r.comesBack()
	_, err = restarted.Finish(t.Context(), back, keep, answer)
	r.refused(err, problem.Denied, "begin again")
}

func TestSealedForOnePurpose(t *testing.T) {
	r := newRig(t, nil)
	text, err := r.p.Seal("bind", "a", time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	var v string
	if err := r.p.Unseal("bind", text, &v); err != nil || v != "a" {
		t.Errorf("%q, %v", v, err)
	}
	if r.p.Unseal("newcomer", text, &v) == nil {
		t.Error("what was sealed for one purpose is good for another")
	}
}

// TestRules: who comes in, and as what.
func TestRules(t *testing.T) {
	at := provider.Start(t, back)
	mapping := []signon.GroupRole{{Group: "bench", Role: store.Operator}, {Group: "heads", Role: store.Owner}}
	for name, c := range map[string]struct {
		change func(*signon.Config)
		user   func(*provider.User)
		role   store.Role // Nobody: refused
		new    bool
	}{
		"viewer, where nobody says otherwise": {role: store.Viewer, new: true},
		"another role for all":                {change: func(c *signon.Config) { c.NewRole = store.Operator }, role: store.Operator, new: true},
		"known alone":                         {change: func(c *signon.Config) { c.KnownOnly = true }, role: store.Viewer},
		"by group":                            {change: func(c *signon.Config) { c.Roles = mapping }, role: store.Operator, new: true},
		"the highest":                         {change: func(c *signon.Config) { c.Roles = mapping }, user: func(u *provider.User) { u.Groups = []string{"heads", "bench"} }, role: store.Owner, new: true},
		"no group":                            {change: func(c *signon.Config) { c.Roles = mapping }, user: func(u *provider.User) { u.Groups = nil }, role: store.Viewer, new: true},
		"in a group that comes in":            {change: func(c *signon.Config) { c.Groups = []string{"x", "coffee"} }, role: store.Viewer, new: true},
		"in none":                             {change: func(c *signon.Config) { c.Groups = []string{"x"} }},
		"of a domain":                         {change: func(c *signon.Config) { c.Domains = []string{"LAB.example"} }, role: store.Viewer, new: true},
		"of another":                          {change: func(c *signon.Config) { c.Domains = []string{"b.example"} }},
		"a domain within another":             {change: func(c *signon.Config) { c.Domains = []string{"lab.example"} }, user: func(u *provider.User) { u.Email = "a@evil.lab.example" }},
		"not verified":                        {change: func(c *signon.Config) { c.Domains = []string{"lab.example"} }, user: func(u *provider.User) { u.Unverified = true }},
	} {
		t.Run(name, func(t *testing.T) {
			r := clientOf(t, at, c.change)
			u := ada
			if c.user != nil {
				c.user(&u)
			}
			r.at.Add(u)
			who, err := r.signIn()
			if c.role == store.Nobody {
				r.refused(err, problem.Denied, "come in here")
				return
			}
			if err != nil || who.Role != c.role || who.New != c.new {
				t.Errorf("%v new %v, %v; want %v new %v", who.Role, who.New, err, c.role, c.new)
			}
		})
	}
}

func TestKeysRotate(t *testing.T) {
	r := newRig(t, nil)
	for range 2 {
		if _, err := r.signIn(); err != nil {
			t.Fatal(err)
		}
	}
	if n := r.at.Asked("/keys"); n != 1 {
		t.Errorf("keys were asked for %d times, want once: they are kept", n)
	}
	r.at.Rotate()
	if _, err := r.signIn(); err != nil {
		t.Fatalf("after the provider took another key: %v", err)
	}
	if n := r.at.Asked("/keys"); n != 2 {
		t.Errorf("keys were asked for %d times, want twice", n)
	}
}

// TestUserInfoOfAnother: what the provider says beside the ID token counts only
// where it is of the same person.
func TestUserInfoOfAnother(t *testing.T) {
	r := newRig(t, nil)
	r.at.Instead("/userinfo", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write([]byte(`{"sub":"sub-2","name":"Bob"}`))
	})
	_, err := r.signIn()
	r.refused(err, problem.Denied, "two different things")
}

// TestProviderMisbehaves: a provider that is slow, huge, no provider or another one
// ends in words, and is tried again.
func TestProviderMisbehaves(t *testing.T) {
	at := provider.Start(t, back)
	var hang http.HandlerFunc // made for each case, since it ends with it
	huge := func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		for range 3 << 10 {
			if _, err := w.Write(bytes.Repeat([]byte(" "), 1<<10)); err != nil {
				return
			}
		}
	}
	html := func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		_, _ = w.Write([]byte("<html>Welcome to the hotel's network</html>"))
	}
	elsewhere := func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "http://127.0.0.1:1/", http.StatusFound)
	}
	broken := func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "the hotel is closed", http.StatusInternalServerError)
	}
	const discovery = "/.well-known/openid-configuration"
	for name, c := range map[string]struct {
		path   string
		answer http.HandlerFunc
		words  string
	}{
		"slow at discovery": {discovery, hang, "in time"}, "slow at the code": {"/oauth/token", hang, "in time"}, "slow at the keys": {"/keys", hang, "does not work"},
		"huge at discovery": {discovery, huge, "does not work"}, "huge at the code": {"/oauth/token", huge, "does not work"}, "huge at the keys": {"/keys", huge, "keys of the provider"},
		"a page at discovery": {discovery, html, "makes no sense"}, "a page at the code": {"/oauth/token", html, "does not work"}, "a page at the keys": {"/keys", html, "keys of the provider"}, "a page of user info": {"/userinfo", html, "does not work"},
		"broken at discovery": {discovery, broken, "the provider answered 500."}, "broken at the code": {"/oauth/token", broken, "the provider answered 500"}, "broken user info": {"/userinfo", broken, "the provider answered 500."},
		"sent elsewhere at discovery": {discovery, elsewhere, "does not work"}, "sent elsewhere at the code": {"/oauth/token", elsewhere, "does not work"},
	} {
		t.Run(name, func(t *testing.T) {
			r := clientOf(t, at, func(c *signon.Config) {
				if strings.HasPrefix(name, "slow") {
					c.Patience = 30 * time.Millisecond // what never comes is late on any machine
				}
			})
			answer := c.answer
			if answer == nil {
				ended := make(chan struct{})
				t.Cleanup(func() { close(ended) }) // before the provider is closed
				answer = func(http.ResponseWriter, *http.Request) { <-ended }
			}
			r.at.Instead(c.path, answer)
			t.Cleanup(func() { r.at.Instead(c.path, nil) })
			s, err := r.p.Begin(t.Context(), back, "/", "")
			if err == nil {
				_, err = r.finish(s.Keep, r.at.SignIn(t, s.Address, "ada").Query())
			}
			if err == nil || !strings.Contains(err.Error(), c.words) {
				t.Errorf("%v, want %q", err, c.words)
			}
			if strings.Contains(r.log.String()+err.Error(), "hotel") {
				t.Errorf("what the provider answered is repeated: %v, %s", err, r.log.String())
			}
		})
	}
}

// TestProviderIsAnother: a provider that calls itself otherwise than it is set here
// is none, from the beginning or from one look to the next.
func TestProviderIsAnother(t *testing.T) {
	r := newRig(t, nil)
	if err := r.p.Look(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.at.Instead("/.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write([]byte(`{"issuer":"https://other.example","authorization_endpoint":"https://other.example/a","token_endpoint":"https://other.example/t","jwks_uri":"https://other.example/k"}`))
	})
	if err := r.p.Look(t.Context()); err == nil {
		t.Error("another provider was taken for the lab's")
	}
	_, err := r.p.Begin(t.Context(), back, "/", "")
	r.refused(err, problem.Unavailable, "calls itself https://other.example")
}

func TestProviderDownAndUp(t *testing.T) {
	now := time.Now()
	r := newRig(t, func(c *signon.Config) { c.Now = func() time.Time { return now } })
	const discovery = "/.well-known/openid-configuration"
	r.at.Instead(discovery, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusBadGateway) })
	for range 3 {
		_, err := r.p.Begin(t.Context(), back, "/", "")
		r.refused(err, problem.Unavailable, "does not work at present")
	}
	if n := r.at.Asked(discovery); n != 1 {
		t.Errorf("a provider that is down was asked %d times for three people, want once", n)
	}
	if r.p.Trouble() == "" {
		t.Error("nothing is said of it")
	}
	r.at.Instead(discovery, nil)
	now = now.Add(6 * time.Second)
	if _, err := r.signIn(); err != nil || r.p.Trouble() != "" {
		t.Errorf("when it is back: %v, %q", err, r.p.Trouble())
	}
	keep, answer := r.comesBack()
	r.at.Down()
	_, err := r.finish(keep, answer)
	r.refused(err, problem.Unavailable, "cannot be reached")
	now = now.Add(2 * time.Minute)
	_, err = r.p.Begin(t.Context(), back, "/", "")
	r.refused(err, problem.Unavailable, "cannot be reached")
	if !strings.Contains(r.log.String(), "works again") {
		t.Errorf("log: %s", r.log.String())
	}
}

// TestWatchEnds: the watch looks at once, and ends with its context.
func TestWatchEnds(t *testing.T) {
	r := newRig(t, nil)
	ctx, cancel := context.WithCancel(t.Context())
	over := make(chan struct{})
	looked := make(chan struct{}, 1)
	r.at.Instead("/.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusTeapot)
		looked <- struct{}{}
	})
	go func() {
		defer close(over)
		r.p.Watch(ctx)
	}()
	<-looked
	cancel()
	<-over
}

func TestConfigurations(t *testing.T) {
	for issuer, ok := range map[string]bool{
		"https://login.lab.example": true, "https://login.lab.example/realms/lab": true, "http://127.0.0.1:9000": true, "http://localhost:9000": true,
		"http://login.lab.example": false, "login.lab.example": false, "": false, "https://a:b@login.lab.example": false, "https://login.lab.example?x=1": false, "ftp://127.0.0.1": false,
	} {
		if _, err := signon.New(signon.Config{Issuer: issuer, ClientID: "a"}); (err == nil) != ok {
			t.Errorf("%q: %v", issuer, err)
		}
	}
	if _, err := signon.New(signon.Config{Issuer: "https://a.example"}); err == nil {
		t.Error("a client without an id was taken")
	}
	roles, err := signon.ParseRoles(" bench = operator, a=b=owner ,")
	if d := cmp.Diff([]signon.GroupRole{{Group: "bench", Role: store.Operator}, {Group: "a=b", Role: store.Owner}}, roles); d != "" || err != nil {
		t.Error(d, err)
	}
	for _, wrong := range []string{"bench", "=owner", "bench=admin", "bench=nobody"} {
		if _, err := signon.ParseRoles(wrong); err == nil {
			t.Errorf("%q was taken", wrong)
		}
	}
	if d := cmp.Diff([]string{"a", "b"}, signon.ParseList(" a, b,,a")); d != "" {
		t.Error(d)
	}
}

// TestPlainEndpointIsRefused: a provider over TLS that would have secrets sent over
// plain HTTP is none.
func TestPlainEndpointIsRefused(t *testing.T) {
	var at *httptest.Server
	at = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write([]byte(`{"issuer":"` + at.URL + `","authorization_endpoint":"https://a.example/a","token_endpoint":"http://a.example/t","jwks_uri":"https://a.example/k"}`))
	}))
	t.Cleanup(at.Close)
	p, err := signon.New(signon.Config{Issuer: at.URL, ClientID: "a"})
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Look(t.Context()); err == nil || !strings.Contains(err.Error(), "token_endpoint") {
		t.Errorf("%v", err)
	}
}

// FuzzUnseal: what a browser sends in place of what it was given is refused, and
// breaks nothing.
func FuzzUnseal(f *testing.F) {
	p, err := signon.New(signon.Config{Issuer: "https://a.example", ClientID: "a"})
	if err != nil {
		f.Fatal(err)
	}
	good, err := p.Seal("x", "y", time.Hour)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good[:10])
	f.Add("")
	f.Add("AAAA" + good)
	f.Fuzz(func(t *testing.T, text string) {
		var v string
		if text != good && p.Unseal("x", text, &v) == nil {
			t.Errorf("%q is taken for %q", text, v)
		}
	})
}
