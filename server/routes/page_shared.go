package routes

import (
	"context"
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/liverun"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// sharedPages are what a share link opens, without signing in.
func (s *Server) sharedPages() []route {
	return []route{
		{"GET", "/s/{token}", store.Nobody, page, s.shared(s.sharedPage)},
		{"GET", "/s/{token}/live", store.Nobody, control, s.shared(s.sharedLive)},
		{"GET", "/s/{token}/results.csv", store.Nobody, report, s.shared(s.ofSharedRun(s.csvResults))},
		{"GET", "/s/{token}/budgets.csv", store.Nobody, report, s.shared(s.ofSharedRun(s.csvBudgets))},
		{"GET", "/s/{token}/readings.csv", store.Nobody, report, s.shared(s.ofSharedRun(s.csvReadings))},
	}
}

type shareKey struct{}

// shareOf returns the share link that a request was made with.
func shareOf(ctx context.Context) store.Share {
	x, _ := ctx.Value(shareKey{}).(store.Share)
	return x
}

// shared wraps a handler for those who have a share link: what it opens is
// registered, and ends when the link is revoked.
func (s *Server) shared(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		ctx, leave, x, err := s.People.ShareOf(r.Context(), chi.URLParam(r, "token"))
		defer leave()
		if problem.CodeOf(err) == problem.Denied {
			return problem.New(problem.NotFound, "This link has expired, was revoked, or never was one. Ask whoever gave it to you for a new one.")
		}
		if err != nil {
			return err
		}
		r = r.WithContext(context.WithValue(ctx, shareKey{}, x))
		defer cutWhenTakenBack(w, r)()
		return gone(r.Context(), handle(w, r))
	}
}

// notOfThisLink is the answer of an address below a link that shows something
// else.
func notOfThisLink() error { return problem.NoSuch("page at this address") }

// ofSharedRun wraps a handler of a run's file for a link to that run.
func (s *Server) ofSharedRun(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		x := shareOf(r.Context())
		if x.Kind != store.RunShare {
			return notOfThisLink()
		}
		chi.RouteContext(r.Context()).URLParams.Add("id", x.Subject)
		return handle(w, r)
	}
}

func (s *Server) sharedPage(w http.ResponseWriter, r *http.Request) error {
	x := shareOf(r.Context())
	switch x.Kind {
	case store.RunShare:
		return s.sharedRunPage(w, r, x.Subject)
	}
	return notOfThisLink()
}

func (s *Server) sharedLive(w http.ResponseWriter, r *http.Request) error {
	x := shareOf(r.Context())
	if x.Kind != store.RunShare {
		return notOfThisLink()
	}
	s.stream(w, r, liverun.SharedTopic(x.Subject))
	return nil
}
