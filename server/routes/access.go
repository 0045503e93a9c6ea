package routes

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

const (
	sessionCookie = "ohmkeep_session"
	sessionLength = 30 * 24 * time.Hour
)

type personKey struct{}

// personOf returns the person who makes the request: the zero Person where
// nobody has signed in.
func personOf(ctx context.Context) lab.Person {
	v, _ := ctx.Value(personKey{}).(lab.Person)
	return v
}

// identify is the authentication of a request, by bearer token or browser
// session. An unknown token is refused at once; an expired session counts as
// nobody, so that the page can ask to sign in.
func (s *Server) identify(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/assets/") {
			next.ServeHTTP(w, r)
			return
		}
		v, err := s.whoAsks(r)
		if err != nil {
			p := classify(err, s.Log)
			w.Header().Set("WWW-Authenticate", `Bearer error="invalid_token"`)
			writeProblem(w, r, p)
			return
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), personKey{}, v)))
	})
}

func (s *Server) whoAsks(r *http.Request) (lab.Person, error) {
	if header := r.Header.Get("Authorization"); header != "" {
		scheme, token, _ := strings.Cut(header, " ")
		if !strings.EqualFold(scheme, "Bearer") {
			return lab.Person{}, problem.New(problem.Denied, "Send the token as Authorization: Bearer TOKEN.")
		}
		a, err := s.Store.TokenAccess(r.Context(), strings.TrimSpace(token))
		return lab.Person{Name: a.Name, Role: a.Role, Session: "token " + token}, err
	}
	cookie, err := r.Cookie(sessionCookie)
	if err != nil {
		return lab.Person{}, nil
	}
	a, err := s.Store.Session(r.Context(), cookie.Value)
	if problem.CodeOf(err) == problem.Denied {
		return lab.Person{}, nil
	}
	return lab.Person{Name: a.Name, Role: a.Role, Session: cookie.Value}, err
}

// allow is the role check of a route: an error where the person's role does
// not reach the one that the route asks for.
func (s *Server) allow(e route, r *http.Request) error {
	v := personOf(r.Context())
	switch {
	case v.Role >= e.role:
		return nil
	case v.Role == store.Nobody:
		return problem.New(problem.Denied, "Sign in first: open the link that the server printed when it started, or ask for a share link.")
	}
	return problem.New(problem.Forbidden, "This needs the role of "+e.role.String()+"; you are "+v.Role.String()+".")
}

// setSession sets the browser's session cookie, which signs the browser in.
func setSession(w http.ResponseWriter, r *http.Request, secret string) {
	http.SetCookie(w, &http.Cookie{
		Name: sessionCookie, Value: secret, Path: "/", MaxAge: int(sessionLength / time.Second),
		HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: r.TLS != nil,
	})
}

func clearSession(w http.ResponseWriter) {
	http.SetCookie(w, &http.Cookie{Name: sessionCookie, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteLaxMode})
}

// localPath returns the path of a redirect if it stays within this server, else
// "/", so that a link cannot send a person to another site.
func localPath(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.Contains(to, `\`) {
		return "/"
	}
	return u.RequestURI()
}
