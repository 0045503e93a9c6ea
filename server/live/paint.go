package live

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"runtime/debug"
	"sync"
)

// PanicError is a panic that was caught where nothing else may end by it: in
// work beside a bench whose outputs may be on.
type PanicError struct {
	Value any
	Stack []byte
}

func (e *PanicError) Error() string { return fmt.Sprintf("panic: %v\n%s", e.Value, e.Stack) }

// Protected calls f and returns its error, or its panic as a *PanicError.
func Protected(f func() error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &PanicError{v, debug.Stack()}
		}
	}()
	return f()
}

// Component is a piece of a page, such as a templ component.
type Component interface {
	Render(ctx context.Context, w io.Writer) error
}

// buffers keeps the memory of drawings for the next: a plot of ten kilobytes would
// be copied each time its buffer grows.
var buffers = sync.Pool{New: func() any { return new(bytes.Buffer) }}

// Painter renders the parts of one page. A part that cannot be rendered is
// replaced by a notice and logged once, whatever was wrong with it: the other
// parts, and what the page is about, go on.
type Painter struct {
	Log  *slog.Logger
	Page string                          // named in the log
	Lost func(id string) (notice string) // what stands in a part's place

	mu   sync.Mutex
	told map[string]bool // parts that have been logged
}

// Paint renders one part. Its component is made inside, since that can fail too.
func (p *Painter) Paint(ctx context.Context, id string, part func() Component) string {
	buf := buffers.Get().(*bytes.Buffer)
	defer buffers.Put(buf)
	buf.Reset()
	err := Protected(func() error { return part().Render(ctx, buf) })
	if err == nil {
		return buf.String()
	}
	p.mu.Lock()
	told := p.told[id]
	if p.told == nil {
		p.told = map[string]bool{}
	}
	p.told[id] = true
	p.mu.Unlock()
	if !told {
		p.Log.Error("part not drawn", "page", p.Page, "part", id, "err", err)
	}
	return p.Lost(id)
}
