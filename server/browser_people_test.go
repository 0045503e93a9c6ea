package main

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// The pages that share links show, narrow and wide.
func TestBrowserSharedPages(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	for name, from := range map[string]string{"lot": "/compare", "device": "/devices/tarnel-6"} {
		b.Open(p.base + from)
		b.Submit("#share-make")
		guest := newTab(t)
		guest.Open(b.Text("#new-key"))
		for _, width := range []int64{390, 1280} {
			guest.Size(width, 900)
			guest.Fits("shared " + name)
			guest.Shot("shared-" + name + map[int64]string{390: "-390", 1280: ""}[width])
		}
		if n := evaluate[int](guest, `document.querySelectorAll("form").length`); n != 0 {
			t.Errorf("the shared %s has %d forms", name, n)
		}
	}
}

// On a phone what stands beside a value in a list stays in the column of values.
func TestBrowserListsKeepTheirColumns(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", false)
	b := signedIn(t, p)
	ctx := t.Context()
	if _, err := p.app.store.NewSession(ctx, store.Viewer, "Boole", time.Hour); err != nil {
		t.Fatal(err)
	}
	storetest.Exec(t, p.app.store, "UPDATE persons SET suspended = 1 WHERE name = 'Boole'; UPDATE persons SET seal = "+store.SealSQL("persons"))
	b.Size(390, 900)
	for path, what := range map[string]string{"/people": ".people td .doubt", "/events": "#events td .quiet"} {
		b.Open(p.base + path)
		b.Fits(path)
		b.Shot("columns-" + strings.TrimPrefix(path, "/") + "-390")
		left := evaluate[float64](b, `(e => e.getBoundingClientRect().left - e.closest("td").getBoundingClientRect().left)(document.querySelector("`+what+`"))`)
		if left < 80 {
			t.Errorf("%s: %s stands %v px from the left, in the column of labels", path, what, left)
		}
	}
}

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
	// Another operator asks for control: the owner sees it on whatever page is
	// open, and hands it over there.
	b.Open(p.base + "/people")
	b.Fill("#invite-days", "2")
	b.Do(chromedp.SetValue("#invite-role", "operator"))
	b.Submit("#invite-make")
	other := newTab(t)
	other.Open(b.Text("#new-key"))
	other.Fill("#sign-in-name", "Boole")
	other.Submit("#sign-in")
	b.Open(p.base + "/bench")
	b.Submit(`form[action="/bench/control"] button`)
	b.Open(p.base + "/devices")
	other.Open(p.base + "/bench")
	other.Submit("#ask-control")
	b.Until(`document.querySelector("#hand-over") && !document.querySelector("#hand-over").form.hidden`)
	looks(b, "asked")
	if !evaluate[bool](other, `document.querySelector("#hand-over").form.hidden`) {
		t.Error("whoever asks sees the holder's buttons")
	}
	b.Submit("#hand-over")
	other.Until(`!document.querySelector(".strip-control")`)
	other.Open(p.base + "/bench")
	if got := other.Text("#state, .facts"); !strings.Contains(got, "yours") {
		t.Errorf("control was handed over, and the page says %q", got)
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
