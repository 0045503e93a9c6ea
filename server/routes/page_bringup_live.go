package routes

import (
	"bytes"
	"context"
	"net/http"
	"time"

	"github.com/a-h/templ"
)

// whileWatched draws the parts of a page for all its viewers as long as
// somebody looks, and streams them to this one.
func (s *Server) whileWatched(w http.ResponseWriter, r *http.Request, topic string, every time.Duration,
	draw func(context.Context) (map[string]templ.Component, error)) {
	to := s.Hub.Open(topic)
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	go func() {
		t := time.NewTicker(every)
		defer t.Stop()
		for {
			parts, err := draw(ctx)
			var drawn map[string]string
			if err == nil {
				drawn, err = rendered(ctx, parts)
			}
			if err != nil && ctx.Err() == nil {
				s.Log.Error("page not drawn", "topic", topic, "err", err)
			} else if err == nil {
				to.Publish(drawn)
			}
			select {
			case <-t.C:
			case <-ctx.Done():
				return
			}
		}
	}()
	s.stream(w, r, topic)
}

func rendered(ctx context.Context, parts map[string]templ.Component) (map[string]string, error) {
	out := make(map[string]string, len(parts))
	for id, c := range parts {
		var buf bytes.Buffer
		if err := c.Render(ctx, &buf); err != nil {
			return nil, err
		}
		out[id] = buf.String()
	}
	return out, nil
}
