package routes

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) accessPages() []route {
	return []route{
		{"GET", "/access", store.Viewer, page, s.accessPage},
		{"POST", "/access/browsers/link", store.Viewer, page, s.addBrowserForm},
		{"POST", "/access/browsers/end", store.Viewer, page, s.endBrowsersForm},
		{"POST", "/access/browsers/{browser}/name", store.Viewer, page, s.nameBrowserForm},
		{"POST", "/access/browsers/{browser}/end", store.Viewer, page, s.endBrowserForm},
		{"POST", "/access/tokens", store.Viewer, page, s.tokenForm},
		{"POST", "/access/tokens/{token}/revoke", store.Viewer, page, s.revokeTokenForm},
		{"POST", "/access/shares", store.Operator, page, s.sharePageForm},
		{"POST", "/access/shares/{share}/revoke", store.Operator, page, s.revokeShareForm},
	}
}

// accessPage is the page of what gives access.
func (s *Server) accessPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.accessProps(r.Context())
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.Access(p))
}

// scopes are the scopes of tokens, by the role that each gives.
var scopes = []struct {
	name, label string
	role        store.Role
}{{"read", "read: look and export", store.Viewer}, {"operate", "operate: run and edit", store.Operator}, {"own", "own: everything", store.Owner}}

// scopeName is the scope that gives a role.
func scopeName(role store.Role) string {
	for _, s := range scopes {
		if s.role == role {
			return s.name
		}
	}
	return role.String()
}

// roleOfScope is the role that a scope gives.
func roleOfScope(name string) (store.Role, error) {
	for _, s := range scopes {
		if s.name == name {
			return s.role, nil
		}
	}
	return store.Nobody, problem.Field("scope", "read, operate or own")
}

func (s *Server) accessProps(ctx context.Context) (web.AccessProps, error) {
	who := accessOf(ctx)
	p := web.AccessProps{Page: s.frame(ctx, "Your access", "/access"), CanShare: who.Role >= store.Operator, IsBrowser: who.Kind == store.SessionKey,
		Everybodys: who.Role >= store.Owner, Token: web.Form{ID: "token", Values: url.Values{"scope": {"read"}, "days": {"365"}}}, Browser: web.Form{ID: "browser"}}
	for _, c := range scopes {
		if c.role <= who.Role {
			p.Scopes = append(p.Scopes, web.Option{Value: c.name, Label: c.label})
		}
	}
	browsers, err := s.Store.ListBrowsers(ctx, who.Person)
	if err != nil {
		return p, err
	}
	for _, b := range browsers {
		p.Browsers = append(p.Browsers, web.BrowserRow{ID: decimal(b.ID), Damaged: b.Damaged, Name: b.Name, This: p.IsBrowser && b.ID == who.ID, Created: b.Created, Expires: b.Expires, Used: b.Used})
	}
	tokens, err := s.tokensOf(ctx, who)
	if err != nil {
		return p, err
	}
	for _, t := range tokens {
		p.Tokens = append(p.Tokens, web.TokenRow{ID: decimal(t.ID), Damaged: t.Damaged, Name: t.Name, Person: t.Person, Scope: t.Scope, Now: t.Now, Created: t.Created, Expires: t.Expires, Used: t.Used})
	}
	if p.Shares, err = s.shareRows(ctx); err != nil {
		return p, err
	}
	me, err := s.Store.GetPerson(ctx, who.Person)
	p.SignOn.Label = me.SignOn
	if s.SignOn != nil {
		p.SignOn.At, p.SignOn.CanBind = s.SignOn.Name, p.IsBrowser
	}
	return p, err
}

// shareRows lists the share links that are good.
func (s *Server) shareRows(ctx context.Context) (out []web.ShareRow, err error) {
	all, err := s.Store.ListShares(ctx, "", "")
	for i := range all {
		if x := &all[i]; x.Good(s.Now()) || x.Damaged != "" && x.Revoked.IsZero() {
			out = append(out, web.ShareRow{ID: decimal(x.ID), Damaged: x.Damaged, What: s.shareWords(ctx, x), Href: sharedPath(x), By: x.By, Created: x.Created, Expires: x.Expires, Used: x.Used})
		}
	}
	return out, err
}

// sharedPath is the page that a link shows, for those who are signed in.
func sharedPath(x *store.Share) string {
	switch x.Kind {
	case store.LotShare:
		return "/compare?" + url.Values{"lot": {x.Subject}}.Encode()
	case store.ComparisonShare:
		return "/compare?" + url.Values{"lot": {x.Subject}}.Encode()
	case store.DeviceShare:
		return "/devices/" + url.PathEscape(x.Subject)
	}
	return "/runs/" + url.PathEscape(x.Subject)
}

// shareWords says what a link shows.
func (s *Server) shareWords(ctx context.Context, x *store.Share) string {
	switch x.Kind {
	case store.LotShare:
		return "lot " + x.Subject
	case store.ComparisonShare:
		return x.Detail + " over lot " + x.Subject
	case store.DeviceShare:
		if d, err := s.Store.GetDevice(ctx, x.Subject, 0); err == nil {
			return "device " + d.Body.Name
		}
		return "device " + x.Subject
	}
	if rec, err := s.Store.GetRun(ctx, x.Subject); err == nil {
		return "run of " + runTitle(rec) + ", " + rec.Started.Format("2006-01-02 15:04")
	}
	return "run " + x.Subject
}

func (s *Server) addBrowserForm(w http.ResponseWriter, r *http.Request) error {
	who := accessOf(r.Context())
	key, err := s.People.AddBrowser(r.Context(), who)
	if err != nil {
		return err
	}
	return s.showLink(w, r, key, people.BrowserAge, "Another browser", "Open this link in the other browser: it signs that one in as you, "+who.Name+".", "/access#browsers", "Your access")
}

func (s *Server) endBrowsersForm(w http.ResponseWriter, r *http.Request) error {
	if err := s.People.EndBrowsers(r.Context(), accessOf(r.Context())); err != nil {
		return err
	}
	clearSession(w)
	return seeOther(w, r, "/sign-in")
}

func (s *Server) nameBrowserForm(w http.ResponseWriter, r *http.Request) error {
	id, err := numbered(r, "browser", "browser")
	if err == nil {
		err = s.People.NameBrowser(r.Context(), accessOf(r.Context()), id, r.PostForm.Get("name"))
	}
	return s.accessAnswer(w, r, "#browsers", err, func(p *web.AccessProps, e *Problem) {
		p.Browser = formOf("browser", url.Values{}, e, nil)
	})
}

func (s *Server) endBrowserForm(w http.ResponseWriter, r *http.Request) error {
	id, err := numbered(r, "browser", "browser")
	who := accessOf(r.Context())
	if err == nil {
		err = s.People.EndBrowser(r.Context(), who, id)
	}
	if err == nil && who.Kind == store.SessionKey && who.ID == id {
		clearSession(w)
	}
	return s.accessAnswer(w, r, "#browsers", err, nil)
}

// accessAnswer goes back to the page, or shows it with what was refused.
func (s *Server) accessAnswer(w http.ResponseWriter, r *http.Request, at string, err error, refused func(*web.AccessProps, *Problem)) error {
	if err == nil {
		return seeOther(w, r, "/access"+at)
	}
	if refused == nil || problem.CodeOf(err) != problem.Invalid {
		return err
	}
	e := s.classify(r.Context(), err)
	p, err := s.accessProps(r.Context())
	if err != nil {
		return err
	}
	refused(&p, e)
	return show(r.Context(), w, e.Status, web.Access(p))
}

// tokenForm makes a token and shows it, once.
func (s *Server) tokenForm(w http.ResponseWriter, r *http.Request) error {
	key, age, err := s.tokenMade(r)
	if err != nil {
		return s.accessAnswer(w, r, "", err, func(p *web.AccessProps, e *Problem) { p.Token = formOf("token", r.PostForm, e, nil) })
	}
	p := web.KeyProps{Page: s.frame(r.Context(), "A token", "/access"), Title: "A token", Token: key.Secret,
		What: "A program sends it as: Authorization: Bearer, and the token.", Back: "/access#tokens", BackTo: "Your access"}
	if age > 0 {
		p.Expires = s.Now().Add(age)
	}
	return show(r.Context(), w, http.StatusOK, web.NewKey(p))
}

func (s *Server) tokenMade(r *http.Request) (key people.Key, age time.Duration, err error) {
	f := r.PostForm
	role, err := roleOfScope(f.Get("scope"))
	if err != nil {
		return key, 0, err
	}
	if strings.TrimSpace(f.Get("days")) != "" {
		if age, err = wholeDays("days", f.Get("days")); err != nil {
			return key, 0, err
		}
	}
	key, err = s.People.MakeToken(r.Context(), accessOf(r.Context()), people.Token{Role: role, Name: f.Get("name"), Age: age})
	return key, age, err
}

func (s *Server) revokeTokenForm(w http.ResponseWriter, r *http.Request) error {
	id, err := numbered(r, "token", "token")
	if err == nil {
		err = s.People.RevokeToken(r.Context(), accessOf(r.Context()), id)
	}
	return s.accessAnswer(w, r, "#tokens", err, nil)
}

func (s *Server) revokeShareForm(w http.ResponseWriter, r *http.Request) error {
	id, err := numbered(r, "share", "share link")
	if err == nil {
		err = s.People.RevokeShare(r.Context(), accessOf(r.Context()), id)
	}
	return s.accessAnswer(w, r, "#links", err, nil)
}
