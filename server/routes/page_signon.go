package routes

import (
	"crypto/rand"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ohmkeep/server/edge"
	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/server/signon"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) signOnPages() []route {
	return []route{
		{"GET", "/sign-in/with", store.Nobody, control, s.signOnBegin},
		{"GET", "/sign-in/return", store.Nobody, control, s.signOnReturn},
		{"POST", "/sign-in/name", store.Nobody, control, s.signOnName},
		{"POST", "/access/sign-on", store.Viewer, page, s.bindForm},
		{"POST", "/access/sign-on/remove", store.Viewer, page, s.unbindForm},
		{"POST", "/people/{person}/sign-on/remove", store.Owner, page, s.unbindPersonForm},
	}
}

// signOnCookie holds a sign-in that has begun, sealed, in the browser that began
// it. It is sent to the addresses of signing in alone.
const (
	signOnCookie = "ohmkeep_sign_in"
	signOnPath   = "/sign-in"
)

// purposes of what is sealed for a browser between two pages.
const (
	newcomerPurpose = "newcomer"
	bindPurpose     = "bind"
)

// bound is an identity that a person is asked to confirm.
type bound struct {
	Identity store.Identity
	Person   int64
}

// newcomer is an identity that still needs a name, of the browser that holds the
// ticket as a cookie. It is good once, and until the flow ends however often the
// name is asked for: its role is that of the provider's answer.
type newcomer struct {
	Identity signon.Identity
	To       string
	Ticket   string
	Until    time.Time
}

// newcomerCookie holds the ticket of a newcomer who is asked for a name.
const newcomerCookie = "ohmkeep_newcomer"

// keepMost is the longest value of a cookie of a sign-in, in bytes: browsers drop
// cookies of more than 4,096 with their name (RFC 6265, 6.1).
const keepMost = 4000

func (s *Server) noSignOn() error { return problem.NoSuch("page at this address") }

// signOnBack is where the provider sends a browser back to: at the address of the
// server, never that of the request.
func (s *Server) signOnBack(r *http.Request) string { return s.publicAddress(r) + "/sign-in/return" }

// signOnBegin sends a browser to the provider. It is a link and no form, since the
// content policy lets no form end at another site; it changes nothing but a cookie
// of the browser's own.
func (s *Server) signOnBegin(w http.ResponseWriter, r *http.Request) error {
	if s.SignOn == nil {
		return s.noSignOn()
	}
	q := r.URL.Query()
	if u, err := url.Parse(s.Public); err == nil && s.Public != "" && !strings.EqualFold(u.Host, r.Host) && !q.Has("here") {
		q.Set("here", "1") // where a proxy changes the host, once is enough
		return seeOther(w, r, s.Public+"/sign-in/with?"+q.Encode())
	}
	to, whom := localPath(q.Get("to")), ""
	if a := accessOf(r.Context()); q.Has("bind") {
		if a.Kind != store.SessionKey {
			return problem.New(problem.Denied, "Sign in first: a single sign-on is bound to whoever is signed in in this browser.")
		}
		to, whom = "/access#sign-on", people.HolderKey(a.Kind, a.ID)
	}
	begun, err := s.SignOn.Begin(r.Context(), s.signOnBack(r), to, whom)
	if err == nil && len(begun.Keep) > keepMost {
		begun, err = s.SignOn.Begin(r.Context(), s.signOnBack(r), "/", whom)
	}
	if err != nil {
		return s.signOnRefused(w, r, err, to)
	}
	setSignOnCookie(w, r, signOnCookie, begun.Keep)
	return seeOther(w, r, begun.Address)
}

// setSignOnCookie keeps something of a sign-in in the browser until it ends; "" takes
// it out.
func setSignOnCookie(w http.ResponseWriter, r *http.Request, name, value string) {
	age := int(signon.FlowAge / time.Second)
	if value == "" {
		age = -1
	}
	http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: signOnPath, MaxAge: age,
		HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: edge.Secure(r)})
}

// signOnReturn ends a sign-in: the browser comes back from the provider.
func (s *Server) signOnReturn(w http.ResponseWriter, r *http.Request) error {
	if s.SignOn == nil {
		return s.noSignOn()
	}
	keep := ""
	if cookie, err := r.Cookie(signOnCookie); err == nil {
		keep = cookie.Value
	}
	setSignOnCookie(w, r, signOnCookie, "")
	done, err := s.SignOn.Finish(r.Context(), s.signOnBack(r), keep, r.URL.Query())
	if err != nil {
		return s.signOnRefused(w, r, err, "/")
	}
	if done.For != "" {
		return s.askToBind(w, r, &done)
	}
	return s.signOnAs(w, r, &newcomer{Identity: done.Identity, To: done.To}, done.Name, nil)
}

// signOnAs signs a browser in as an identity, or asks a newcomer for a name: form
// is what they gave, nil before they were asked.
func (s *Server) signOnAs(w http.ResponseWriter, r *http.Request, n *newcomer, name string, form url.Values) error {
	who := &n.Identity
	end := func(bool) {}
	if form != nil {
		var err error
		if end, err = s.SignOn.Once(n.Ticket); err != nil {
			return s.signOnRefused(w, r, err, "/")
		}
	}
	session, err := s.People.SignOn(r.Context(), store.SignOn{Identity: storedIdentity(who), New: who.New, Name: name, Role: who.Role, Follows: who.Follows, Asked: form != nil})
	end(err == nil)
	switch code := problem.CodeOf(err); {
	case code == problem.Invalid, code == problem.Conflict:
		return s.askForName(w, r, n, name, form, err)
	case code == problem.Denied:
		s.Log.Warn("a single sign-on was refused", "who", who.Label, "why", err)
		return s.signOnRefused(w, r, err, n.To)
	case err != nil:
		return err
	}
	if form != nil {
		setSignOnCookie(w, r, newcomerCookie, "")
	}
	setSession(w, r, session, s.People.SessionAge)
	return seeOther(w, r, localPath(n.To))
}

func storedIdentity(who *signon.Identity) store.Identity {
	return store.Identity{Issuer: who.Issuer, Subject: who.Subject, Label: who.Label}
}

// signOnRefused is the sign-in page with why somebody did not come in.
func (s *Server) signOnRefused(w http.ResponseWriter, r *http.Request, err error, to string) error {
	e := s.classify(r.Context(), err)
	p, err := s.signInProps(r, url.Values{"to": {to}})
	if err != nil {
		return err
	}
	p.Reason = sentence(strings.TrimSuffix(e.Detail, ".")) + "."
	p.SignOn.Down = "" // the reason says it
	comeAgain(w, e.Status)
	return show(r.Context(), w, e.Status, web.SignIn(p))
}

// askForName asks a newcomer for the name that they have here.
func (s *Server) askForName(w http.ResponseWriter, r *http.Request, n *newcomer, name string, form url.Values, refused error) error {
	if n.Ticket == "" {
		n.Ticket, n.Until = rand.Text(), s.SignOn.Now().Add(signon.FlowAge)
		setSignOnCookie(w, r, newcomerCookie, n.Ticket)
	}
	sealed, err := s.SignOn.Seal(newcomerPurpose, n, n.Until.Sub(s.SignOn.Now()))
	if err != nil {
		return err
	}
	e := s.classify(r.Context(), refused)
	p := web.NewcomerProps{Page: s.frame(r.Context(), "Your name", ""), Label: n.Identity.Label, At: s.SignOn.Name, Role: n.Identity.Role.String(), Sealed: sealed}
	p.Page.Public = true
	if form == nil {
		form = url.Values{"name": {name}}
	}
	p.Form = formOf("newcomer", form, e, nil)
	return show(r.Context(), w, e.Status, web.Newcomer(p))
}

// signOnName takes the name that a newcomer gives.
func (s *Server) signOnName(w http.ResponseWriter, r *http.Request) error {
	if s.SignOn == nil {
		return s.noSignOn()
	}
	var n newcomer
	if err := s.SignOn.Unseal(newcomerPurpose, r.PostForm.Get("who"), &n); err != nil {
		return s.signOnRefused(w, r, problem.New(problem.Denied, "That took too long: begin again."), "/")
	}
	if cookie, err := r.Cookie(newcomerCookie); err != nil || n.Ticket == "" || cookie.Value != n.Ticket {
		return s.signOnRefused(w, r, problem.New(problem.Denied, "This sign-in was not begun in this browser: begin again."), "/")
	}
	return s.signOnAs(w, r, &n, r.PostForm.Get("name"), r.PostForm)
}

// askToBind asks whoever is signed in whether the sign-in that they come back with
// is to be theirs: a link from another site must not bind anything by itself.
func (s *Server) askToBind(w http.ResponseWriter, r *http.Request, done *signon.Finished) error {
	a := accessOf(r.Context())
	if a.Kind != store.SessionKey || people.HolderKey(a.Kind, a.ID) != done.For {
		return problem.New(problem.Denied, "Whoever began this is not signed in in this browser any more: begin again.")
	}
	sealed, err := s.SignOn.Seal(bindPurpose, bound{storedIdentity(&done.Identity), a.Person}, signon.FlowAge)
	if err != nil {
		return err
	}
	p := web.BindProps{Page: s.frame(r.Context(), "Bind your sign-in", "/access"), Label: done.Label, Name: done.Name, At: s.SignOn.Name, Sealed: sealed}
	return show(r.Context(), w, http.StatusOK, web.Bind(p))
}

// bindForm binds an identity to whoever is signed in.
func (s *Server) bindForm(w http.ResponseWriter, r *http.Request) error {
	if s.SignOn == nil {
		return s.noSignOn()
	}
	var b bound
	a := accessOf(r.Context())
	if err := s.SignOn.Unseal(bindPurpose, r.PostForm.Get("who"), &b); err != nil || b.Person != a.Person {
		return problem.New(problem.Invalid, "That took too long, or was begun by somebody else: begin again.")
	}
	if err := s.People.Bind(r.Context(), a, b.Identity); err != nil {
		return err
	}
	return seeOther(w, r, "/access#sign-on")
}

func (s *Server) unbindForm(w http.ResponseWriter, r *http.Request) error {
	a := accessOf(r.Context())
	if err := s.People.Unbind(r.Context(), a, a.Person); err != nil {
		return err
	}
	return seeOther(w, r, "/access#sign-on")
}

func (s *Server) unbindPersonForm(w http.ResponseWriter, r *http.Request) error {
	id, err := numbered(r, "person", "person")
	if err == nil {
		err = s.People.Unbind(r.Context(), accessOf(r.Context()), id)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/people")
}

// signOnProps is the single sign-on on the page of those who are not signed in.
func (s *Server) signOnProps(to string) (p web.SignOnProps) {
	if s.SignOn == nil {
		return p
	}
	p = web.SignOnProps{Name: s.SignOn.Name, Href: "/sign-in/with"}
	if to != "/" {
		p.Href += "?" + url.Values{"to": {to}}.Encode()
	}
	if why := s.SignOn.Trouble(); why != "" {
		p.Down = sentence(s.SignOn.Name) + " does not work at present: " + why + ". You can try, or come in by a link of an owner’s."
	}
	return p
}
