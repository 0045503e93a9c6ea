package live

import (
	"context"
	"reflect"
	"time"
)

// Drawing is a page that is drawn repeatedly while it has viewers.
type Drawing struct {
	Every time.Duration // between two looks
	// Look gathers everything that the parts show. Nothing is drawn while it is
	// the same as at the last drawing, by reflect.DeepEqual.
	Look func(context.Context) (any, error)
	// Draw renders what Look has gathered: HTML by element id.
	Draw func(ctx context.Context, seen any) map[string]string
}

// watch is the drawing loop of a topic, one for all its viewers.
type watch struct {
	viewers int
	cancel  context.CancelFunc
	done    chan struct{} // closed when the loop has ended
}

// Watch adds a viewer to a page that is drawn while it has viewers. The first
// one starts the page's loop; leave, called once for each, ends it with the
// last. So many viewers cost one look a tick, and one drawing a change.
func (h *Hub) Watch(name string, d Drawing) (leave func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	w := h.watches[name]
	if w == nil {
		ctx, cancel := context.WithCancel(context.Background())
		w = &watch{cancel: cancel, done: make(chan struct{})}
		before := h.ending[name]
		delete(h.ending, name)
		h.watches[name] = w
		if h.topics[name] == nil { // before its first viewer looks for it, who would be told to load the page again
			h.topics[name] = NewTopic(time.Now())
		}
		go h.draw(ctx, name, d, before, w.done)
	}
	w.viewers++
	return func() { h.unwatch(name, w) }
}

func (h *Hub) unwatch(name string, w *watch) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if w.viewers--; w.viewers > 0 {
		return
	}
	w.cancel()
	delete(h.watches, name)
	h.ending[name] = w.done
}

// draw is the loop of a watched page. It begins when the loop before it, if
// any, has ended, so that what is published is never older than what was.
func (h *Hub) draw(ctx context.Context, name string, d Drawing, before <-chan struct{}, done chan struct{}) {
	defer close(done)
	if before != nil {
		<-before
	}
	t := time.NewTicker(d.Every)
	defer t.Stop()
	to := h.Open(name)
	var last any
	failing := false
	for {
		var seen any
		err := Protected(func() (err error) {
			seen, err = d.Look(ctx)
			return err
		})
		switch {
		case ctx.Err() != nil:
			return
		case err != nil && !failing:
			h.log.Error("page not drawn", "page", name, "err", err)
		case err == nil && !reflect.DeepEqual(seen, last):
			err = Protected(func() error {
				to.Publish(d.Draw(ctx, seen))
				return nil
			})
			if last = seen; err != nil && !failing {
				h.log.Error("page not drawn", "page", name, "err", err)
			}
		}
		failing = err != nil
		select {
		case <-t.C:
		case <-ctx.Done():
			return
		}
	}
}
