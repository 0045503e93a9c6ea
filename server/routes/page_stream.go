package routes

import (
	"context"
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/server/live"
	"ohmkeep/store"
	"ohmkeep/web"
)

// drawing returns the context of what is drawn for all viewers. It reads from
// the connections of control, so that pages that take long hold up no live page.
func drawing(ctx context.Context) context.Context { return store.From(ctx, store.Control) }

// watched streams a page whose changing parts are redrawn on a clock, once for
// all viewers and only when what look gathers has changed. Neither look nor
// the drawing may depend on who asks: every viewer of the topic gets the same.
func watched[T any](s *Server, w http.ResponseWriter, r *http.Request, topic string, every time.Duration,
	look func(context.Context) (T, error), draw func(T) map[string]templ.Component) {
	paint := newPainter(s.Log, topic)
	leave := s.Hub.Watch(topic, live.Drawing{Every: every,
		Look: func(ctx context.Context) (any, error) { return look(drawing(ctx)) },
		Draw: func(ctx context.Context, seen any) map[string]string {
			return painted(drawing(ctx), paint, draw(seen.(T)))
		},
	})
	defer leave()
	s.stream(w, r, topic)
}

// newPainter makes the renderer of a page's parts, which replaces a part that
// fails by a notice.
func newPainter(log *slog.Logger, page string) *live.Painter {
	return &live.Painter{Log: log, Page: page, Lost: web.NotDrawn}
}

func painted(ctx context.Context, paint *live.Painter, parts map[string]templ.Component) map[string]string {
	out := make(map[string]string, len(parts))
	for id, c := range parts {
		out[id] = paint.Paint(ctx, id, func() live.Component { return c })
	}
	return out
}

// stream is the WebSocket handler of a page: it sends a topic's changes after
// the number that the page has seen.
func (s *Server) stream(w http.ResponseWriter, r *http.Request, topic string) {
	if who := personOf(r.Context()); who.Session != "" {
		defer s.Lab.Present(who)()
	}
	since, _ := strconv.ParseUint(r.URL.Query().Get("since"), 10, 64) // none is from the start
	s.Hub.Serve(w, r, topic, since)
}
