package turn

import (
	"context"
	"errors"
)

type (
	contextKey struct{} // of the report that work is done for
	askerKey   struct{} // of who may ask for one
)

// asker is whoever may turn out to ask for a report.
type asker struct {
	queue *Queue
	name  string
}

// With returns a context that carries the report, for the work done for it.
func With(ctx context.Context, r *Report) context.Context {
	return context.WithValue(ctx, contextKey{}, r)
}

// For returns a context for an answer that may turn out to need a report's
// work; name is who asks. See Do.
func For(ctx context.Context, q *Queue, name string) context.Context {
	return context.WithValue(ctx, askerKey{}, asker{q, name})
}

// Do does long work as a report: it waits for the turn first and is called off
// when ctx or the queue ends. Where ctx carries a report already, or nobody who
// may ask for one, the work is just done. It fails with problem.Unavailable
// where there are too many reports or the server stops, with the context's error
// where that has ended, and otherwise as the work does.
func Do(ctx context.Context, work func(context.Context) error) error {
	a, asks := ctx.Value(askerKey{}).(asker)
	if _, is := ctx.Value(contextKey{}).(*Report); is || !asks {
		return work(ctx)
	}
	r, err := a.queue.Open(a.name)
	if err != nil {
		return err
	}
	defer r.Close()
	ctx, cancel := a.queue.Until(ctx)
	defer cancel()
	if err = r.Take(ctx); err == nil {
		err = work(With(ctx, r))
	}
	return why(ctx, err)
}

// why is the error of work that was called off: ErrStopping where the queue
// ended it.
func why(ctx context.Context, err error) error {
	if errors.Is(err, context.Canceled) && errors.Is(context.Cause(ctx), ErrStopping) {
		return ErrStopping
	}
	return err
}

// Pass is called between two blocks of work that may be a report's: where it
// is, those who wait go first. It fails where the context has ended.
func Pass(ctx context.Context) error {
	if r, ok := ctx.Value(contextKey{}).(*Report); ok {
		return r.Pass(ctx)
	}
	return ctx.Err()
}
