package routes

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ohmkeep/server/edge"
	"ohmkeep/server/lab"
	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

const sessionCookie = "ohmkeep_session"

type (
	accessKey struct{}
	damageKey struct{}
)

// signInDamage is why the browser's sign-in counts for nothing, where that is because
// of damage; "" otherwise. Whoever signed in must not be told only to sign in.
func signInDamage(ctx context.Context) string {
	words, _ := ctx.Value(damageKey{}).(string)
	return words
}

// accessOf returns what the request is made with: the zero Access where nobody
// has signed in.
func accessOf(ctx context.Context) store.Access {
	a, _ := ctx.Value(accessKey{}).(store.Access)
	return a
}

// personOf returns the person who makes the request: the zero Person where
// nobody has signed in. What a token does is told with the token's name.
func personOf(ctx context.Context) lab.Person {
	a := accessOf(ctx)
	if a.Role == store.Nobody {
		return lab.Person{}
	}
	who := lab.Person{Name: a.Name, Role: a.Role, Session: people.HolderKey(a.Kind, a.ID)}
	if a.Kind == store.TokenKey && a.Label != a.Name {
		who.Name += " (" + a.Label + ")"
	}
	return who
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
		ctx, leave, a, err := s.whoAsks(r)
		defer leave()
		if err != nil {
			p := s.classify(r.Context(), err)
			w.Header().Set("WWW-Authenticate", `Bearer error="invalid_token"`)
			writeProblem(w, r, p)
			return
		}
		r = r.WithContext(context.WithValue(ctx, accessKey{}, a))
		defer cutWhenTakenBack(w, r)()
		next.ServeHTTP(w, r)
	})
}

// cutWhenTakenBack ends the write that is going on when the access that the
// request was made with is taken back: a client that reads nothing must not
// keep it open. What has not begun is answered with the reason.
func cutWhenTakenBack(w http.ResponseWriter, r *http.Request) (over func()) {
	p, ok := w.(*deadlineWriter)
	if !ok {
		return func() {}
	}
	before := p.request
	p.request = r
	cut := make(chan struct{})
	stop := context.AfterFunc(r.Context(), func() {
		defer close(cut)
		if takenBack(r.Context()) && !p.hijacked.Load() { // a socket says goodbye
			_ = p.control.SetWriteDeadline(time.Now())
		}
	})
	return func() {
		if !stop() {
			<-cut
			p.wait() // the reason, which may still be in the buffer, has time of its own
		}
		p.request = before
	}
}

// takenBack reports whether a request's access was taken back while it was
// answered.
func takenBack(ctx context.Context) bool { return errors.Is(context.Cause(ctx), people.ErrTakenBack) }

// whoAsks finds what a request is made with, and registers it as open until
// leave is called.
func (s *Server) whoAsks(r *http.Request) (_ context.Context, leave func(), _ store.Access, err error) {
	nobody := func(err error) (context.Context, func(), store.Access, error) {
		return r.Context(), func() {}, store.Access{}, err
	}
	if header := r.Header.Get("Authorization"); header != "" {
		scheme, token, _ := strings.Cut(header, " ")
		if !strings.EqualFold(scheme, "Bearer") {
			return nobody(problem.New(problem.Denied, "Send the token as Authorization: Bearer TOKEN."))
		}
		return s.People.TokenOf(r.Context(), strings.TrimSpace(token))
	}
	cookie, err := r.Cookie(sessionCookie)
	if err != nil {
		return nobody(nil)
	}
	ctx, leave, a, err := s.People.SessionOf(r.Context(), cookie.Value)
	if problem.CodeOf(err) == problem.Denied {
		return context.WithValue(r.Context(), damageKey{}, store.AccessDamage(err)), func() {}, store.Access{}, nil
	}
	return ctx, leave, a, err
}

// allow is the role check of a route: an error where the person's role does
// not reach the one that the route asks for.
func (s *Server) allow(e route, r *http.Request) error {
	v := personOf(r.Context())
	switch {
	case v.Role >= e.role:
		if e.method != http.MethodGet {
			s.Lab.Acted(v)
		}
		return people.Need(r.Context(), e.role)
	case v.Role == store.Nobody && signInDamage(r.Context()) != "":
		return problem.New(problem.Denied, damagedSignIn(r.Context()))
	case v.Role == store.Nobody:
		return problem.New(problem.Denied, "Sign in first: open the link that the server printed when it started, or ask an owner for an invitation.")
	}
	return problem.New(problem.Forbidden, "This needs the role of "+e.role.String()+"; you are "+v.Role.String()+".")
}

// damagedSignIn says that the browser's sign-in is damaged, and what to do.
func damagedSignIn(ctx context.Context) string {
	return "You are not signed in: " + signInDamage(ctx) + ". Ask an owner to look at who you are on the page People, or sign in by a new link."
}

// setSession sets the browser's session cookie, which signs the browser in.
func setSession(w http.ResponseWriter, r *http.Request, secret string, age time.Duration) {
	http.SetCookie(w, &http.Cookie{
		Name: sessionCookie, Value: secret, Path: "/", MaxAge: int(age / time.Second),
		HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: edge.Secure(r),
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
