package main

import (
	"strings"
	"testing"
)

// A person is invited by a link, signs in on a phone, and is sent away by the
// owner: what is open on the phone ends by itself.
func TestBrowserPeople(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", false)
	b := newTab(t)
	b.Open(p.link())
	b.Fill("#sign-in-name", "Olga")
	b.Fill("#sign-in-browser", "desk")
	b.Submit("#sign-in")
	looks := func(b *tab, name string) {
		t.Helper()
		for _, width := range []int64{390, 1280} {
			b.Size(width, 900)
			b.Fits(name)
			b.Shot("people-" + name + map[int64]string{390: "-390", 1280: ""}[width])
		}
	}
	b.Open(p.base + "/people")
	b.Fill("#invite-days", "2")
	b.Submit("#invite-make")
	looks(b, "key")
	link := b.Text("#new-key")
	if !strings.HasPrefix(link, p.base+"/sign-in?key=") {
		t.Fatalf("the link is %q", link)
	}

	phone := newTab(t)
	phone.Size(390, 800)
	phone.Open(link)
	looks(phone, "sign-in")
	phone.Fill("#sign-in-name", "Nora")
	phone.Submit("#sign-in")
	phone.Until(`document.body.dataset.ready === "live"`)
	phone.Open(p.base + "/access")
	looks(phone, "access")
	if got := phone.Text("#browsers"); !strings.Contains(got, "this one") {
		t.Errorf("her browsers: %q", got)
	}
	phone.Open(p.base + "/")
	phone.Until(`document.body.dataset.ready === "live"`)

	b.Open(p.base + "/people")
	if got := b.Text("#persons"); !strings.Contains(got, "Nora") || !strings.Contains(got, "viewer") {
		t.Errorf("the persons: %q", got)
	}
	b.Click("#change-2 summary")
	looks(b, "people")
	phone.Allow("401") // the page that asks to sign in
	b.Submit(`form[action="/people/2/suspend"] button`)
	phone.Until(`document.querySelector("h1").textContent.includes("Sign in")`)
	if got := b.Text("#person-2"); !strings.Contains(got, "suspended") {
		t.Errorf("her line: %q", got)
	}
	b.Open(p.base + "/access")
	b.Fill("#token-name", "nightly script")
	b.Submit("#token-make")
	if token := b.Text("#new-key"); len(token) != 43 {
		t.Errorf("the token is %q", token)
	}
	b.Open(p.base + "/access")
	b.Submit("#end-all")
	if !strings.Contains(b.Address(), "/sign-in") {
		t.Errorf("signed out everywhere, and on %s", b.Address())
	}
}
