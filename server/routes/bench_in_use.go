package routes

import (
	"context"
	"net/http"

	"ohmkeep/server/lab"
)

type benchKey struct{}

// withBench puts the bench in use into the request's context, so that all that
// one request does is about the same bench.
func (s *Server) withBench(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), benchKey{}, s.Lab.InUse())))
	})
}

// bench is the bench that a request is about. Outside of a request, where a
// page is drawn for all who look, it is the one in use now.
func (s *Server) bench(ctx context.Context) *lab.Bench {
	if b, ok := ctx.Value(benchKey{}).(*lab.Bench); ok {
		return b
	}
	return s.Lab.InUse()
}

// at is the bench in use.
func (s *Server) at() *lab.Bench { return s.Lab.InUse() }
