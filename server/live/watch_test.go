package live

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

const watchTick = 500 * time.Millisecond

// watchedHub is a hub with a page whose looks and drawings are counted.
type watchedHub struct {
	*Hub
	looks, draws atomic.Int64
	state        atomic.Int64
}

func newWatchedHub() *watchedHub {
	return &watchedHub{Hub: NewHub(slog.New(slog.DiscardHandler), nil)}
}

func (h *watchedHub) drawing() Drawing {
	return Drawing{Every: watchTick,
		Look: func(context.Context) (any, error) { h.looks.Add(1); return h.state.Load(), nil },
		Draw: func(_ context.Context, seen any) map[string]string {
			h.draws.Add(1)
			return map[string]string{"a": strings.Repeat("x", int(seen.(int64)))}
		}}
}

// However many look, a page is looked at once a tick, and drawn once a change.
func TestViewersShareOneDrawing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newWatchedHub()
		var leave []func()
		for range 50 {
			leave = append(leave, h.Watch("home", h.drawing()))
		}
		time.Sleep(10*watchTick + watchTick/2)
		if looks, draws := h.looks.Load(), h.draws.Load(); looks != 11 || draws != 1 {
			t.Errorf("%d looks and %d drawings in ten ticks in which nothing changed", looks, draws)
		}
		for n := range int64(3) {
			h.state.Store(n + 1)
			time.Sleep(watchTick)
		}
		if draws := h.draws.Load(); draws != 4 {
			t.Errorf("%d drawings of four states", draws)
		}
		for _, f := range leave[1:] {
			f()
		}
		looks := h.looks.Load()
		time.Sleep(2 * watchTick)
		if h.looks.Load() != looks+2 {
			t.Error("the last viewer is left alone")
		}
		leave[0]()
		synctest.Wait()
		looks = h.looks.Load()
		time.Sleep(10 * watchTick)
		if h.looks.Load() != looks {
			t.Error("it is looked at though nobody watches")
		}
	})
}

// Whoever comes after everybody had left gets the page as it is then, and never
// what a loop that is about to end has drawn.
func TestWatchBeginsAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newWatchedHub()
		hold := make(chan struct{})
		slow := h.drawing()
		slow.Draw = func(context.Context, any) map[string]string { <-hold; return map[string]string{"a": "old"} }
		leave := h.Watch("home", slow)
		synctest.Wait()
		leave()
		h.state.Store(3)
		defer h.Watch("home", h.drawing())()
		synctest.Wait()
		close(hold)
		synctest.Wait()
		if got := h.Open("home").parts["a"].html; got != "xxx" {
			t.Errorf("the page shows %q", got)
		}
	})
}

// A page that cannot be looked at, or drawn, is said once, and is tried again.
func TestWatchSurvivesWhatIsWrong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		h := newWatchedHub()
		h.log = slog.New(slog.NewTextHandler(&log, nil))
		d := h.drawing()
		look := d.Look
		d.Look = func(ctx context.Context) (any, error) {
			switch seen, err := look(ctx); h.looks.Load() {
			case 1, 2:
				panic("not yet")
			case 3:
				return nil, errors.New("not now")
			default:
				return seen, err
			}
		}
		defer h.Watch("home", d)()
		time.Sleep(2*watchTick + watchTick/2)
		synctest.Wait()
		if n := strings.Count(log.String(), "page not drawn"); n != 1 {
			t.Errorf("said %d times:\n%s", n, log.String())
		}
		h.state.Store(1)
		time.Sleep(3 * watchTick)
		synctest.Wait()
		if h.Open("home").parts["a"].html != "x" {
			t.Error("it was given up")
		}
	})
}

type component func(io.Writer) error

func (c component) Render(_ context.Context, w io.Writer) error { return c(w) }

// A part that panics while it is made or rendered, or fails, gives way to a
// notice and is logged once; the others are there.
func TestPainterGoesOn(t *testing.T) {
	var log bytes.Buffer
	p := Painter{Log: slog.New(slog.NewTextHandler(&log, nil)), Page: "run/1", Lost: func(id string) string { return "lost " + id }}
	parts := map[string]func() Component{
		"good": func() Component {
			return component(func(w io.Writer) error { _, err := io.WriteString(w, "fine"); return err })
		},
		"unmade": func() Component { var m []int; _ = m[3]; return nil },
		"nil":    func() Component { return nil },
		"panics": func() Component { return component(func(io.Writer) error { panic("in a plot") }) },
		"half way": func() Component {
			return component(func(w io.Writer) error { _, _ = io.WriteString(w, "<p>"); return io.ErrShortWrite })
		},
	}
	for range 2 {
		got := map[string]string{}
		for id, part := range parts {
			got[id] = p.Paint(t.Context(), id, part)
		}
		want := map[string]string{"good": "fine", "unmade": "lost unmade", "nil": "lost nil", "panics": "lost panics", "half way": "lost half way"}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	}
	if n := strings.Count(log.String(), "part not drawn"); n != 4 {
		t.Errorf("%d lines in the log:\n%s", n, log.String())
	}
	if !strings.Contains(log.String(), "watch_test.go") {
		t.Error("the log does not say where")
	}
}
