package routes

import (
	"net/http"
	"slices"
	"strings"

	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// fileAddresses take whole files, as streams.
var fileAddresses = []string{"/import", "/api/v1/import"}

// The bounds of bodies, bytes. A body is in memory while it is read, up to three
// times its length, and whoever sends it may take a minute for it: without a bound
// for all of them, a few hundred half-sent ones take gigabytes.
const (
	maxBody      = 4 << 20  // the largest
	strangerBody = 16 << 10 // the largest of who has not signed in: a sign-in is much smaller
	smallBody    = 16 << 10 // those up to here are not counted
	allBodies    = 32 << 20 // all larger ones that are being taken in
)

// limitBody is the bound of what a request brings. Files are bounded where they are
// taken.
func (s *Server) limitBody(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if slices.Contains(fileAddresses, r.URL.Path) {
			next.ServeHTTP(w, r)
			return
		}
		most := int64(maxBody)
		if personOf(r.Context()).Role == store.Nobody {
			most = strangerBody
		}
		brings := min(r.ContentLength, most)
		if r.ContentLength < 0 { // it does not say
			brings = most
		}
		if brings > smallBody {
			defer s.bodies.Add(-brings)
			if s.bodies.Add(brings) > allBodies {
				s.refuse(w, r, problem.New(problem.Unavailable, "Many large requests are being taken in just now. Try again in a little while."))
				return
			}
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	})
}

// refuse answers a request that comes to no route, as problem details or as a page.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, err error) {
	p := s.classify(r.Context(), err)
	if strings.HasPrefix(r.URL.Path, "/api/") {
		writeProblem(w, r, p)
		return
	}
	s.failPage(w, r, p)
}
