package routes

import (
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"ohmkeep/server/signon"
	"ohmkeep/server/signon/provider"
	"ohmkeep/store"
)

// signOnRig is the program on a port beside a provider on another.
type signOnRig struct {
	*apiRig
	base string
	at   *provider.Server
}

// newSignOn starts both. Users of the provider are ada and bob.
func newSignOn(t *testing.T) *signOnRig {
	r := &signOnRig{apiRig: newAPI(t)}
	r.base = r.served().URL
	r.at = provider.Start(t, r.base+"/sign-in/return")
	r.at.Add(provider.User{ID: "sub-ada", Username: "ada", First: "Ada", Last: "Bell", Email: "ada@lab.example"})
	r.at.Add(provider.User{ID: "sub-bob", Username: "bob", First: "Bob", Last: "Cole", Email: "bob@lab.example"})
	r.server.Public = r.base
	r.rules(func(*signon.Config) {})
	return r
}

// rules has other rules from now on.
func (r *signOnRig) rules(change func(*signon.Config)) {
	r.t.Helper()
	cfg := signon.Config{Issuer: r.at.URL, ClientID: provider.ClientID, Secret: provider.Secret, Name: "the lab’s account"}
	change(&cfg)
	p, err := signon.New(cfg)
	must(r.t, err)
	r.server.SignOn = p
}

// guest is a browser with cookies of its own.
type guest struct {
	*signOnRig
	http *http.Client
}

func (r *signOnRig) browser() *guest {
	jar, err := cookiejar.New(nil)
	must(r.t, err)
	return &guest{r, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// got is an answer to a guest.
type got struct {
	status   int
	location string
	body     string
}

func (g *guest) do(method, address string, form url.Values, headers ...string) got {
	g.t.Helper()
	if strings.HasPrefix(address, "/") {
		address = g.base + address
	}
	q, err := http.NewRequestWithContext(g.t.Context(), method, address, strings.NewReader(form.Encode()))
	must(g.t, err)
	q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(headers); i += 2 {
		q.Header.Set(headers[i], headers[i+1])
	}
	resp, err := g.http.Do(q)
	must(g.t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	must(g.t, err)
	return got{resp.StatusCode, resp.Header.Get("Location"), string(body)}
}

// signOn goes through the whole flow as a user of the provider, and returns the
// answer at its end.
func (g *guest) signOn(begin, user string) got {
	g.t.Helper()
	begun := g.do("GET", begin, nil)
	if begun.status != http.StatusSeeOther || !strings.HasPrefix(begun.location, g.at.URL) {
		g.t.Fatalf("%s: %d, to %s\n%.300s", begin, begun.status, begun.location, begun.body)
	}
	return g.do("GET", g.at.SignIn(g.t, begun.location, user).String(), nil)
}

// is holds who a guest is against a name and a role; "" is nobody.
func (g *guest) is(name, role string) {
	g.t.Helper()
	a := g.do("GET", "/access", nil)
	if name == "" {
		if a.status != http.StatusUnauthorized {
			g.t.Errorf("somebody comes in: %d", a.status)
		}
		return
	}
	if !strings.Contains(a.body, name+", "+role) {
		g.t.Errorf("not %s, %s: %d\n%.200s", name, role, a.status, a.body)
	}
}

// says holds an answer against its status and words.
func (r *signOnRig) says(a got, status int, words string) {
	r.t.Helper()
	if a.status != status || !strings.Contains(a.body, words) {
		r.t.Errorf("%d, want %d with %q:\n%s", a.status, status, words, regexp.MustCompile(`(?s)<head>.*</head>`).ReplaceAllString(a.body, ""))
	}
}

func (r *signOnRig) person(name string) store.Person {
	r.t.Helper()
	all, err := r.store.ListPersons(r.t.Context())
	must(r.t, err)
	for _, p := range all {
		if p.Name == name {
			return p
		}
	}
	r.t.Fatalf("there is no %s: %v", name, all)
	return store.Person{}
}

// owner is a guest who signed in with a key.
func (r *signOnRig) owner(name string) *guest {
	key, err := r.store.NewStartKey(r.t.Context(), 1<<40)
	must(r.t, err)
	g := r.browser()
	if a := g.do("POST", "/sign-in", url.Values{"key": {key}, "name": {name}}); a.status != http.StatusSeeOther {
		r.t.Fatalf("%d %s", a.status, a.body)
	}
	return g
}

var sealedField = regexp.MustCompile(`name="who" value="([^"]+)"`)

// sealed is what a page has a guest send back.
func (a got) sealed() string {
	m := sealedField.FindStringSubmatch(a.body)
	if m == nil {
		return ""
	}
	return m[1]
}

// TestSignOn goes through the flow over HTTP against a real provider: somebody new
// becomes a viewer, is the same person the next time, and does not come in once
// suspended or removed.
func TestSignOn(t *testing.T) {
	r := newSignOn(t)
	ctx := t.Context()
	g := r.browser()
	page := g.do("GET", "/sign-in?to=/runs", nil)
	r.says(page, 200, "Sign in with the lab’s account")
	r.says(page, 200, `href="/sign-in/with?to=%2Fruns"`)
	if a := g.signOn("/sign-in/with?to=/runs", "ada"); a.status != http.StatusSeeOther || a.location != "/runs" {
		t.Fatalf("%d to %q\n%s", a.status, a.location, a.body)
	}
	g.is("Ada Bell", "viewer")
	again := r.browser()
	again.signOn("/sign-in/with", "ada")
	again.is("Ada Bell", "viewer")
	ada := r.person("Ada Bell")
	if ada.Browsers != 2 || ada.By != store.SingleSignOn || ada.SignOn != "ada@lab.example" {
		t.Errorf("%+v", ada)
	}
	must(t, r.store.Suspend(ctx, ada.ID, "test"))
	g.is("", "")
	third := r.browser()
	r.says(third.signOn("/sign-in/with", "ada"), 401, "Ada Bell is suspended")
	third.is("", "")
	must(t, r.store.Resume(ctx, ada.ID, "test"))
	g.is("Ada Bell", "viewer")
	must(t, r.store.RemovePerson(ctx, ada.ID, "test"))
	r.says(third.signOn("/sign-in/with", "ada"), 401, "was removed from here")
	third.is("", "")

	bob := r.browser()
	bob.signOn("/sign-in/with", "bob")
	bob.is("Bob Cole", "viewer")
	must(t, r.store.EndBrowsers(ctx, r.person("Bob Cole").ID, "test"))
	bob.is("", "")
}

// TestSignOnLeadsNowhereElse: what comes with the link sends nobody to another
// site, and the provider's way back is the server's own address, whatever name it
// was asked by.
func TestSignOnLeadsNowhereElse(t *testing.T) {
	r := newSignOn(t)
	for _, to := range []string{"https://evil.example/", "//evil.example", `/\evil.example`, "javascript:alert(1)", "%2f%2fevil.example"} {
		if a := r.browser().signOn("/sign-in/with?to="+url.QueryEscape(to), "ada"); a.status != http.StatusSeeOther || a.location != "/" {
			t.Errorf("%s: %d to %q", to, a.status, a.location)
		}
	}
	g := r.browser()
	port := r.base[strings.LastIndexByte(r.base, ':'):]
	first := g.do("GET", "http://localhost"+port+"/sign-in/with?to=/runs", nil)
	if first.location != r.base+"/sign-in/with?here=1&to=%2Fruns" {
		t.Errorf("by another name it leads to %q", first.location)
	}
	second := g.do("GET", "http://localhost"+port+"/sign-in/with?here=1", nil) // as behind a proxy that changes the name
	u, err := url.Parse(second.location)
	must(t, err)
	if got := u.Query().Get("redirect_uri"); got != r.base+"/sign-in/return" {
		t.Errorf("the way back is %q", got)
	}
}

// TestSignOnIsOfOneBrowser: what one browser has begun, another cannot end, and
// nobody twice.
func TestSignOnIsOfOneBrowser(t *testing.T) {
	r := newSignOn(t)
	mine, theirs := r.browser(), r.browser()
	begun := mine.do("GET", "/sign-in/with", nil)
	back := r.at.SignIn(t, begun.location, "ada").String()
	r.says(theirs.do("GET", back, nil), 401, "not begun in this browser")
	theirs.do("GET", "/sign-in/with", nil)
	r.says(theirs.do("GET", back, nil), 401, "not begun in this browser")
	theirs.is("", "")
	cookie := mine.http.Jar.Cookies(mustURL(t, r.base+"/sign-in/return"))
	if a := mine.do("GET", back, nil); a.status != http.StatusSeeOther {
		t.Fatalf("%d %s", a.status, a.body)
	}
	mine.is("Ada Bell", "viewer")
	r.says(mine.do("GET", back, nil), 401, "not begun in this browser") // its cookie is gone
	theirs.http.Jar.SetCookies(mustURL(t, r.base+"/sign-in/return"), cookie)
	r.says(theirs.do("GET", back, nil), 401, "used already")
	theirs.is("", "")
}

func mustURL(t *testing.T, text string) *url.URL {
	u, err := url.Parse(text)
	must(t, err)
	return u
}

// TestSignOnNamesAreNoIdentity: a name or an e-mail address that somebody here has
// makes nobody that person; the newcomer is asked for another name.
func TestSignOnNamesAreNoIdentity(t *testing.T) {
	r := newSignOn(t)
	owner := r.owner("Ada Bell")
	g := r.browser()
	asked := g.signOn("/sign-in/with?to=/runs", "ada")
	r.says(asked, 409, "somebody has this name already")
	g.is("", "")
	r.says(g.do("POST", "/sign-in/name", url.Values{"who": {asked.sealed()}, "name": {"the host"}}), 422, "server calls itself")
	r.says(g.do("POST", "/sign-in/name", url.Values{"who": {asked.sealed() + "A"}, "name": {"Ada 2"}}), 401, "begin again")
	r.says(g.do("POST", "/sign-in/name", url.Values{"who": {asked.sealed()}, "name": {"Ada 2"}}, "Origin", "https://evil.example"), 403, "another site")
	if a := g.do("POST", "/sign-in/name", url.Values{"who": {asked.sealed()}, "name": {"Ada 2"}}); a.status != 303 || a.location != "/runs" {
		t.Fatalf("%d to %q %s", a.status, a.location, a.body)
	}
	g.is("Ada 2", "viewer")
	owner.is("Ada Bell", "owner")
	// The same address under another subject: the account was given to somebody else.
	r.at.Add(provider.User{ID: "sub-other", Username: "ada2", First: "Ada", Last: "Two", Email: "ada@lab.example"})
	other := r.browser()
	other.signOn("/sign-in/with", "ada2")
	other.is("Ada Two", "viewer")
	// The same subject of another provider.
	was := r.at
	r.at = provider.Start(t, r.base+"/sign-in/return")
	r.at.Add(provider.User{ID: "sub-ada", Username: "eve", First: "Eve", Last: "Dunn", Email: "ada@lab.example"})
	r.rules(func(*signon.Config) {})
	eve := r.browser()
	eve.signOn("/sign-in/with", "eve")
	eve.is("Eve Dunn", "viewer")
	r.at = was
}

// TestNewcomerIsOfOneBrowser: the question for a name is answered in the browser that
// was asked, once, and gives nobody who is known by then their role of before.
func TestNewcomerIsOfOneBrowser(t *testing.T) {
	r := newSignOn(t)
	r.owner("Ada Bell")
	g, other := r.browser(), r.browser()
	asked := g.signOn("/sign-in/with", "ada")
	r.says(asked, 409, "somebody has this name already")
	answer := url.Values{"who": {asked.sealed()}, "name": {"Ada 2"}}
	r.says(other.do("POST", "/sign-in/name", answer), 401, "not begun in this browser")
	other.signOn("/sign-in/with", "bob")
	r.says(r.browser().do("POST", "/sign-in/name", answer, "Cookie", newcomerCookie+"=x"), 401, "not begun in this browser")
	other.is("Bob Cole", "viewer")
	ticket := g.http.Jar.Cookies(mustURL(t, r.base+"/sign-in/name"))
	again := g.do("POST", "/sign-in/name", url.Values{"who": {asked.sealed()}, "name": {"Ada Bell"}})
	r.says(again, 409, "somebody has this name already")
	if a := g.do("POST", "/sign-in/name", url.Values{"who": {again.sealed()}, "name": {"Ada 2"}}); a.status != http.StatusSeeOther {
		t.Fatalf("%d %s", a.status, a.body)
	}
	g.is("Ada 2", "viewer")
	third := r.browser()
	third.http.Jar.SetCookies(mustURL(t, r.base+"/sign-in/name"), ticket)
	for range 2 {
		r.says(third.do("POST", "/sign-in/name", answer), 401, "used already")
	}
	third.is("", "")
}

// TestNewcomerWhoIsKnownByNow: a question that waited while the same sign-in came in
// elsewhere signs nobody in.
func TestNewcomerWhoIsKnownByNow(t *testing.T) {
	r := newSignOn(t)
	r.owner("Ada Bell")
	first, second := r.browser(), r.browser()
	one, two := first.signOn("/sign-in/with", "ada"), second.signOn("/sign-in/with", "ada")
	if a := second.do("POST", "/sign-in/name", url.Values{"who": {two.sealed()}, "name": {"Ada 2"}}); a.status != http.StatusSeeOther {
		t.Fatalf("%d %s", a.status, a.body)
	}
	r.says(first.do("POST", "/sign-in/name", url.Values{"who": {one.sealed()}, "name": {"Ada 3"}}), 401, "has a person here by now")
	first.is("", "")
}

// TestSignOnCookieFits: whatever a link leads to, browsers keep the cookie, and what
// is too long is dropped.
func TestSignOnCookieFits(t *testing.T) {
	r := newSignOn(t)
	for _, to := range []string{"/runs?q=" + strings.Repeat("a", 2800), "/runs?" + strings.Repeat("&", 1000), "/runs?" + strings.Repeat("é", 5000)} {
		g := r.browser()
		begun := g.do("GET", "/sign-in/with?"+url.Values{"to": {to}}.Encode(), nil)
		for _, c := range g.http.Jar.Cookies(mustURL(t, r.base+"/sign-in/return")) {
			if n := len(c.Name) + len(c.Value); n > 4096 {
				t.Errorf("to of %d bytes: a cookie of %d", len(to), n)
			}
		}
		if a := g.do("GET", r.at.SignIn(t, begun.location, "ada").String(), nil); a.status != http.StatusSeeOther || a.location != "/" {
			t.Errorf("%d to %q", a.status, a.location)
		}
	}
	if a := r.browser().signOn("/sign-in/with?to="+url.QueryEscape("/runs?q="+strings.Repeat("a", 900)), "ada"); len(a.location) != 908 {
		t.Errorf("to %q", a.location)
	}
}

// TestSignOnIsBound: who is signed in binds a sign-in to themselves after a look at
// it; it is nobody else's then, until an owner takes it off.
func TestSignOnIsBound(t *testing.T) {
	r := newSignOn(t)
	r.rules(func(c *signon.Config) { c.KnownOnly = true })
	r.says(r.browser().signOn("/sign-in/with", "ada"), 401, "Nobody here is known by this sign-in")
	owner := r.owner("Olga")
	ask := owner.signOn("/sign-in/with?bind=1", "ada")
	r.says(ask, 200, "ada@lab.example")
	if r.person("Olga").SignOn != "" {
		t.Fatal("coming back alone has bound it")
	}
	other := r.owner("Otto")
	if a := other.do("POST", "/access/sign-on", url.Values{"who": {ask.sealed()}}); a.status != 422 {
		t.Errorf("another person used the question: %d", a.status)
	}
	if a := owner.do("POST", "/access/sign-on", url.Values{"who": {ask.sealed()}}); a.status != 303 {
		t.Fatalf("%d %s", a.status, a.body)
	}
	r.says(owner.do("GET", "/access", nil), 200, "ada@lab.example")
	g := r.browser()
	g.signOn("/sign-in/with", "ada")
	g.is("Olga", "owner")
	r.says(other.do("POST", "/access/sign-on", url.Values{"who": {other.signOn("/sign-in/with?bind=1", "ada").sealed()}}), 409, "bound to Olga")
	r.says(owner.do("POST", "/access/sign-on", url.Values{"who": {owner.signOn("/sign-in/with?bind=1", "bob").sealed()}}), 409, "nother sign-in is bound")
	// Begun by one person, ended when another has signed in in that browser.
	begun := other.do("GET", "/sign-in/with?bind=1", nil)
	back := r.at.SignIn(t, begun.location, "bob").String()
	other.do("POST", "/sign-out", nil)
	r.says(other.do("GET", back, nil), 401, "not signed in")
	r.says(r.browser().do("GET", "/sign-in/with?bind=1", nil), 401, "Sign in first")

	people := owner.do("GET", "/people", nil)
	r.says(people, 200, "signs in as ada@lab.example")
	olga := fmt.Sprintf("/people/%d/sign-on/remove", r.person("Olga").ID)
	if a := g.do("POST", olga, nil); a.status != 303 {
		t.Errorf("%d %s", a.status, a.body)
	}
	r.says(r.browser().signOn("/sign-in/with", "ada"), 401, "Nobody here is known")
	owner.is("Olga", "owner") // what was signed in stays
	r.says(owner.do("POST", olga, nil), 404, "o sign-in is bound")
	r.knows("bind sign-in", "take sign-in off", "sign in")
}

// knows holds the log of who did what against actions that must be in it.
func (r *signOnRig) knows(actions ...string) {
	r.t.Helper()
	events, err := r.store.Events(r.t.Context(), "", 0, 100)
	must(r.t, err)
	for _, want := range actions {
		found := false
		for i := range events {
			found = found || events[i].Action == want
		}
		if !found {
			r.t.Errorf("no %q in the log", want)
		}
	}
}

// TestSignOnOfWhoWasRemoved: an owner lets them in again by a link, and they bind
// their sign-in to the person that they are now.
func TestSignOnOfWhoWasRemoved(t *testing.T) {
	r := newSignOn(t)
	r.browser().signOn("/sign-in/with", "ada")
	must(t, r.store.RemovePerson(t.Context(), r.person("Ada Bell").ID, "test"))
	back := r.owner("Ada Bell")
	if a := back.do("POST", "/access/sign-on", url.Values{"who": {back.signOn("/sign-in/with?bind=1", "ada").sealed()}}); a.status != 303 {
		t.Fatalf("%d %s", a.status, a.body)
	}
	g := r.browser()
	g.signOn("/sign-in/with", "ada")
	g.is("Ada Bell", "owner")
}

// TestSignOnGivesRolesByGroup: groups decide at each sign-in on the role of who came
// in by them, never on that of somebody who bound their sign-in, and the last owner
// stays one.
func TestSignOnGivesRolesByGroup(t *testing.T) {
	r := newSignOn(t)
	r.rules(func(c *signon.Config) {
		c.Roles = []signon.GroupRole{{Group: "bench", Role: store.Operator}, {Group: "heads", Role: store.Owner}}
	})
	ada := provider.User{ID: "sub-ada", Username: "ada", First: "Ada", Last: "Bell", Email: "ada@lab.example"}
	in := func(groups []string, role string) *guest {
		t.Helper()
		ada.Groups = groups
		r.at.Add(ada)
		g := r.browser()
		g.signOn("/sign-in/with", "ada")
		g.is("Ada Bell", role)
		return g
	}
	in([]string{"bench"}, "operator")
	owner := in([]string{"heads", "bench"}, "owner")
	all, err := r.store.ListPersons(t.Context())
	must(t, err)
	for _, p := range all {
		if p.Name != "Ada Bell" {
			must(t, r.store.RemovePerson(t.Context(), p.ID, "test"))
		}
	}
	in(nil, "owner") // the last one
	olga := r.owner("Olga")
	owner.is("Ada Bell", "owner")
	in([]string{"bench"}, "operator")
	owner.is("Ada Bell", "operator") // what is open follows
	r.knows("change role")
	olga.do("POST", "/access/sign-on", url.Values{"who": {olga.signOn("/sign-in/with?bind=1", "bob").sealed()}})
	g := r.browser()
	g.signOn("/sign-in/with", "bob")
	g.is("Olga", "owner")
}

// TestSignOnWithoutItsProvider: the server works, says so on the page, and keys let
// people in.
func TestSignOnWithoutItsProvider(t *testing.T) {
	r := newSignOn(t)
	r.at.Down()
	g := r.browser()
	r.says(g.do("GET", "/sign-in/with", nil), 503, "The lab’s account does not work at present: the provider cannot be reached")
	r.says(g.do("GET", "/sign-in", nil), 200, "does not work at present")
	r.owner("Olga").is("Olga", "owner")
	r.server.SignOn = nil
	r.says(g.do("GET", "/sign-in/with", nil), 404, "")
	if a := g.do("GET", "/sign-in", nil); strings.Contains(a.body, "/sign-in/with") {
		t.Error("a button of a single sign-on that is not there")
	}
}

// TestTokensBindNothing: a token would become its person.
func TestTokensBindNothing(t *testing.T) {
	r := newSignOn(t)
	sealed, err := r.server.SignOn.Seal(bindPurpose, bound{}, 1<<40)
	must(t, err)
	g := r.browser()
	token := "Bearer " + r.tokens[store.Owner]
	if a := g.do("GET", "/sign-in/with?bind=1", nil, "Authorization", token); a.status != 401 {
		t.Errorf("a token began a binding: %d", a.status)
	}
	if a := g.do("POST", "/access/sign-on", url.Values{"who": {sealed}}, "Authorization", token); a.status != 422 {
		t.Errorf("%d", a.status)
	}
}
