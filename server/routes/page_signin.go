package routes

import (
	"net/http"
	"net/url"

	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) signInPages() []route {
	return []route{
		{"GET", "/sign-in", store.Nobody, control, s.signInPage},
		{"POST", "/sign-in", store.Nobody, control, s.signIn},
		{"POST", "/sign-out", store.Nobody, control, s.signOut},
	}
}

// signInPage is the page with the button that uses a key. Opening the link
// changes nothing, so that a preview of it cannot use the key up.
func (s *Server) signInPage(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	if personOf(r.Context()).Role != store.Nobody && q.Get("key") == "" {
		return seeOther(w, r, localPath(q.Get("to")))
	}
	p, err := s.signInProps(r, q)
	if err != nil {
		return err
	}
	status := http.StatusOK
	if p.Reason != "" {
		status = http.StatusUnauthorized
	}
	return show(r.Context(), w, status, web.SignIn(p))
}

// signInProps are the page of a key, or of none; a key that is not good is
// named as the reason.
func (s *Server) signInProps(r *http.Request, q url.Values) (web.SignInProps, error) {
	p := web.SignInProps{Page: s.frame(r.Context(), "Sign in", ""), Key: q.Get("key"), To: localPath(q.Get("to"))}
	p.Page.Public = true
	p.SignOn = s.signOnProps(p.To)
	p.Form = web.Form{ID: "sign-in", Values: url.Values{}}
	if p.Key == "" {
		if signInDamage(r.Context()) != "" {
			p.Reason = damagedSignIn(r.Context())
		}
		return p, nil
	}
	v, err := s.Store.InvitationOf(r.Context(), p.Key)
	switch {
	case problem.CodeOf(err) == problem.Denied:
		p.Key, p.Reason = "", sentence(err.Error())+"."
		return p, nil
	case err != nil:
		return p, err
	}
	p.Person, p.Role, p.By, p.Expires = v.Person, v.Role.String(), v.By, v.Expires
	if v.Kind == store.StartInvitation {
		p.By = ""
		p.Form.Values.Set("name", "owner")
	}
	return p, nil
}

func (s *Server) signIn(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	session, err := s.People.SignIn(r.Context(), f.Get("key"), f.Get("name"), f.Get("browser"))
	if code := problem.CodeOf(err); code == problem.Invalid || code == problem.Conflict {
		p, shown := s.signInProps(r, f)
		if shown != nil {
			return shown
		}
		e := s.classify(r.Context(), err)
		p.Form = formOf("sign-in", f, e, nil)
		return show(r.Context(), w, e.Status, web.SignIn(p))
	}
	if err != nil {
		return err
	}
	setSession(w, r, session, s.People.SessionAge)
	return seeOther(w, r, localPath(f.Get("to")))
}

// signOut ends the browser's session, with all that is open in it.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request) error {
	if a := accessOf(r.Context()); a.Kind == store.SessionKey {
		if err := s.People.EndBrowser(r.Context(), a, a.ID); err != nil && problem.CodeOf(err) != problem.NotFound {
			return err
		}
		s.Lab.SignedOut(personOf(r.Context()).Session)
	}
	clearSession(w)
	return seeOther(w, r, "/")
}
