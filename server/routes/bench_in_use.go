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
		next.ServeHTTP(w, r.WithContext(onBench(r.Context(), s.inUse())))
	})
}

// onBench returns a context that carries a bench, for everything that works
// under it.
func onBench(ctx context.Context, b *lab.Bench) context.Context {
	return context.WithValue(ctx, benchKey{}, b)
}

// bench returns the bench that a request is about. Outside of a request, where
// a page is drawn for all viewers, it is the one in use now.
func (s *Server) bench(ctx context.Context) *lab.Bench {
	if b, ok := ctx.Value(benchKey{}).(*lab.Bench); ok {
		return b
	}
	return s.inUse()
}
