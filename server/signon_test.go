package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ohmkeep/server/signon"
	"ohmkeep/server/signon/provider"
	"ohmkeep/store"
)

// withSignOn starts the program beside a provider that knows ada.
func withSignOn(t *testing.T) (*program, *provider.Server) {
	at := provider.Start(t, "to be said")
	at.Add(provider.User{ID: "sub-ada", Username: "ada", First: "Ada", Last: "Bell", Email: "ada@lab.example"})
	single, err := signon.New(signon.Config{Issuer: at.URL, ClientID: provider.ClientID, Secret: provider.Secret, Name: "the lab’s account"})
	if err != nil {
		t.Fatal(err)
	}
	p := startProgramWith(t, "", options{Listen: "127.0.0.1:0", SignOn: single})
	at.SendBackTo(p.base + "/sign-in/return")
	return p, at
}

// Somebody new comes in by the single sign-on, and an owner binds theirs.
func TestBrowserSignOn(t *testing.T) {
	t.Parallel()
	p, _ := withSignOn(t)
	looks := func(b *tab, name string) {
		t.Helper()
		for _, width := range []int64{390, 1280} {
			b.Size(width, 900)
			for _, dark := range []bool{false, true} {
				b.Dark(dark)
				b.Fits(name)
				b.Shot("sign-on-" + name + map[int64]string{390: "-390", 1280: ""}[width] + map[bool]string{true: "-dark"}[dark])
			}
		}
	}
	atProvider := func(b *tab) {
		b.Fill("#username", "ada")
		b.Fill("#password", provider.Password)
		b.Submit("#login")
	}
	owner := newTab(t)
	owner.Open(p.link())
	owner.Fill("#sign-in-name", "Ada Bell")
	owner.Submit("#sign-in")

	b := newTab(t)
	b.Allow("401") // the page that asks to sign in
	b.Open(p.base + "/runs")
	b.Open(p.base + "/sign-in?to=/runs")
	looks(b, "button")
	b.Submit("#sign-on")
	b.Allow("409") // the owner has that name
	atProvider(b)
	looks(b, "name")
	b.Fill("#newcomer-name", "Ada the second")
	b.Submit("#newcomer")
	if !strings.HasSuffix(b.Address(), "/runs") {
		t.Errorf("signed in, the page is %s", b.Address())
	}
	if who := b.Text(".who"); !strings.Contains(who, "Ada the second") || !strings.Contains(who, "viewer") {
		t.Errorf("signed in as %q", who)
	}
	b.Open(p.base + "/access")
	looks(b, "bound")
	b.Submit("#unbind")

	owner.Open(p.base + "/access")
	looks(owner, "to-bind")
	owner.Submit("#bind-begin")
	atProvider(owner)
	looks(owner, "question")
	owner.Submit("#bind")
	if text := owner.Text("#sign-on"); !strings.Contains(text, "ada@lab.example") {
		t.Errorf("bound: %q", text)
	}
	owner.Open(p.base + "/people")
	evaluate[bool](owner, `document.querySelectorAll("details").forEach(d => d.open = true) ?? true`)
	looks(owner, "people")
}

// TestSignOnProviderIsDown: the program starts, says in health and on the page that
// nobody comes in so, and keys let people in.
func TestSignOnProviderIsDown(t *testing.T) {
	t.Parallel()
	at := provider.Start(t, "nowhere")
	at.Down()
	single, err := signon.New(signon.Config{Issuer: at.URL, ClientID: provider.ClientID})
	if err != nil {
		t.Fatal(err)
	}
	p := startProgramWith(t, "", options{Listen: "127.0.0.1:0", SignOn: single})
	if _, err := single.Begin(t.Context(), p.base+"/sign-in/return", "/", ""); err == nil {
		t.Fatal("a sign-in was begun at a provider that is down")
	}
	found := p.app.health.Look(t.Context())
	if f := found.Fact("sign-on"); !strings.Contains(f.Words, "cannot be reached") || f.Level.String() != "attention" {
		t.Errorf("%+v", f)
	}
	resp, err := http.Get(p.base + "/sign-in")
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(resp.Body)
	_ = resp.Body.Close()
	if err != nil || !strings.Contains(string(body), "does not work at present") {
		t.Errorf("%v %s", err, body)
	}
	if _, err := p.app.store.UseInvitation(context.Background(), p.key, "Olga", "", 1<<40); err != nil {
		t.Errorf("the key: %v", err)
	}
	p.stop()
}

func TestSignOnFlags(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return path
	}
	closed, open := file("closed", "s3cret\n", 0o600), file("open", "s3cret", 0o644)
	const issuer, client = "-oidc-issuer=https://login.lab.example", "-oidc-client=ohmkeep"
	for name, c := range map[string]struct {
		args  []string
		env   string
		wrong string // "": good
		check func(*signon.Provider) bool
		said  string
	}{
		"none":             {check: func(p *signon.Provider) bool { return p == nil }},
		"from a file":      {args: []string{issuer, client, "-oidc-secret-file", closed}, check: func(p *signon.Provider) bool { return p.Secret == "s3cret" && p.NewRole == store.Viewer }, said: "whoever has an account"},
		"that others read": {args: []string{issuer, client, "-oidc-secret-file", open}, said: "chmod 600"},
		"from outside":     {args: []string{issuer, client}, env: "s3cret", check: func(p *signon.Provider) bool { return p.Secret == "s3cret" }},
		"rules": {args: []string{issuer, client, "-oidc-new=known", "-oidc-groups=a, b", "-oidc-domains=lab.example", "-oidc-roles=a=owner", "-oidc-scopes=groups", "-oidc-name=X"}, check: func(p *signon.Provider) bool {
			return p.KnownOnly && len(p.Groups) == 2 && len(p.Domains) == 1 && p.Roles[0].Role == store.Owner && p.Scopes[0] == "groups" && p.Name == "X"
		}},
		"no scope at all":    {args: []string{issuer, client, "-oidc-scopes="}, check: func(p *signon.Provider) bool { return len(p.Scopes) == 0 }},
		"no such file":       {args: []string{issuer, client, "-oidc-secret-file", filepath.Join(dir, "none")}, wrong: "no such file"},
		"an empty file":      {args: []string{issuer, client, "-oidc-secret-file", file("empty", " \n", 0o600)}, wrong: "holds none"},
		"a file without end": {args: []string{issuer, client, "-oidc-secret-file", "/dev/zero"}, wrong: "holds none"},
		"without an issuer":  {args: []string{client}, wrong: "need -oidc-issuer"},
		"without a client":   {args: []string{issuer}, wrong: "client id"},
		"over plain HTTP":    {args: []string{"-oidc-issuer=http://login.lab.example", client}, wrong: "https"},
		"no role":            {args: []string{issuer, client, "-oidc-new=boss"}, wrong: "known"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Setenv(secretVariable, c.env)
			var said bytes.Buffer
			var f signOnFlags
			fs := newFlags("test", io.Discard)
			f.add(fs)
			if err := fs.Parse(c.args); err != nil {
				t.Fatal(err)
			}
			p, err := f.provider(slog.New(slog.NewTextHandler(&said, nil)))
			if c.wrong != "" {
				if err == nil || !strings.Contains(err.Error(), c.wrong) {
					t.Errorf("%v, want %q", err, c.wrong)
				}
				return
			}
			if err != nil || c.check != nil && !c.check(p) || !strings.Contains(said.String(), c.said) || strings.Contains(said.String(), "s3cret") {
				t.Errorf("%v %+v; log: %s", err, p, said.String())
			}
		})
	}
}
