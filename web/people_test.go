package web

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/a-h/templ"
	"rsc.io/qr"
)

// peopleSamples are the pages of persons and access.
func peopleSamples() map[string]templ.Component {
	day := time.Date(2030, 1, 2, 3, 4, 5, 0, time.UTC)
	nasty := `"><script>alert(1)</script>`
	people := PeopleProps{Page: samplePage("/people", "People"), CanChange: true, Invite: Form{ID: "invite"},
		Persons: []PersonRow{{ID: "1", Name: "R. Okonjo", Role: "owner", By: "the server’s start", Since: day, Browsers: 2, Used: day, Me: true},
			{ID: "2", Name: nasty, Role: "viewer", By: nasty, Since: day, Suspended: day, Tokens: 1}},
		Invitations: []InvitationRow{{ID: "4", What: "a browser of " + nasty, By: "R. Okonjo", Created: day, Expires: day, Uses: 3, Used: 1}}}
	viewed := people
	viewed.CanChange = false
	access := AccessProps{Page: samplePage("/access", "Your access"), CanShare: true, IsBrowser: true, Everybodys: true, Token: Form{ID: "token"}, Browser: Form{ID: "browser"},
		Browsers: []BrowserRow{{ID: "1", Name: "desk", This: true, Created: day, Expires: day, Used: day}, {ID: "2", Created: day, Expires: day, Used: day}},
		Tokens:   []TokenRow{{ID: "3", Name: nasty, Person: nasty, Scope: "read", Now: "read", Created: day}},
		Shares:   []ShareRow{{ID: "5", What: "lot " + nasty, Href: "/compare?lot=x", By: nasty, Created: day, Expires: day, Used: day}}}
	return map[string]templ.Component{
		"people": People(people), "people-viewer": People(viewed), "access": Access(access),
		"access-none": Access(AccessProps{Page: samplePage("/access", "Your access"), Token: Form{ID: "token"}, Browser: Form{ID: "browser"}}),
		"key":         NewKey(KeyProps{Page: samplePage("/people", "An invitation"), Title: "An invitation", What: "It lets somebody in.", Link: "https://lab.example/sign-in?key=abc", Expires: day, Back: "/people", BackTo: "People"}),
		"token":       NewKey(KeyProps{Page: samplePage("/access", "A token"), Title: "A token", What: nasty, Token: "abc", Back: "/access", BackTo: "Your access"}),
		"invited":     SignIn(SignInProps{Page: Page{Title: "Sign in", Public: true}, Key: "abc", Role: "operator", By: nasty, Expires: day, Form: Form{ID: "sign-in"}}),
	}
}

// TestRemovingSaysThatShareLinksStay, and how many there are.
func TestRemovingSaysThatShareLinksStay(t *testing.T) {
	for n, want := range map[int]string{0: "No share link of theirs is good at present", 1: "The share link that they made stays good", 3: "The 3 share links that they made stay good"} {
		var page strings.Builder
		p := PeopleProps{Page: samplePage("/people", "People"), CanChange: true, Persons: []PersonRow{{ID: "2", Name: "Boole", Role: "operator", Shares: n}}}
		if err := People(p).Render(t.Context(), &page); err != nil {
			t.Fatal(err)
		}
		_, form, _ := strings.Cut(page.String(), `class="person-remove"`)
		form, _, _ = strings.Cut(form, "</form>")
		if !strings.Contains(form, want) || !strings.Contains(form, `href="/access#links"`) {
			t.Errorf("%d links: %s", n, form)
		}
	}
}

// TestQRDrawsEveryModule: the drawing has the dark modules of the code where
// they belong, with a margin of four, and no others.
func TestQRDrawsEveryModule(t *testing.T) {
	const text = "https://lab.example/sign-in?key=0123456789abcdefghijklmnopqrstuvwxyzABCDEFG"
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		t.Fatal(err)
	}
	drawn := qrSVG(text, `a "title"`)
	if !strings.Contains(drawn, `aria-label="a &#34;title&#34;"`) {
		t.Errorf("no title in %.200s", drawn)
	}
	dark := map[[2]int]bool{}
	_, path, _ := strings.Cut(drawn, ` d="`)
	path, _, _ = strings.Cut(path, `"`)
	for _, piece := range strings.Split(strings.TrimPrefix(path, "M"), "M") {
		x, y, n := runOf(t, piece)
		for i := range n {
			dark[[2]int{x + i - quietZone, y - quietZone}] = true
		}
	}
	for y := range code.Size {
		for x := range code.Size {
			if code.Black(x, y) != dark[[2]int{x, y}] {
				t.Fatalf("module %d, %d is drawn as %v", x, y, dark[[2]int{x, y}])
			}
			delete(dark, [2]int{x, y})
		}
	}
	if len(dark) > 0 {
		t.Errorf("%d modules are outside of the code", len(dark))
	}
	if got := qrSVG(strings.Repeat("x", 5000), ""); got != "" {
		t.Errorf("a text that is too long is drawn as %.100s", got)
	}
}

// runOf reads one row of dark modules of the drawing's path.
func runOf(t *testing.T, piece string) (x, y, n int) {
	t.Helper()
	var back int
	if _, err := fmt.Sscanf(piece, "%d %dh%dv1h-%dz", &x, &y, &n, &back); err != nil || back != n {
		t.Fatalf("%q: %v", piece, err)
	}
	return x, y, n
}
