package store

import (
	"context"
	"database/sql"
	"errors"
	"runtime"
	"sync"
	"time"
)

// tx is a write transaction. Everything in it happens at one time, at.
type tx struct {
	*sql.Tx
	ctx context.Context
	at  int64 // Unix nanoseconds
}

type inTx struct{}

// update runs fn in a write transaction: committed when fn returns nil, rolled
// back on an error or a panic. It is the only place that begins one. Calls do
// not nest: there is one writer, and the inner call would wait for ever.
func (s *Store) update(ctx context.Context, op string, fn func(*tx) error) (err error) {
	if ctx.Value(inTx{}) != nil {
		return errors.New("store: " + op + ": nested transaction")
	}
	ctx = context.WithValue(ctx, inTx{}, true)
	t, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return wrap(op, err)
	}
	committed := false
	defer func() {
		if !committed {
			// The cause is already on its way; a rollback that fails as well
			// makes the driver close the connection.
			_ = t.Rollback()
		}
	}()
	work := &tx{Tx: t, ctx: ctx, at: s.now().UnixNano()}
	pendingCommitted, err := s.writePending(work)
	if err != nil {
		return wrap(op, err)
	}
	if err := fn(work); err != nil {
		return wrap(op, err)
	}
	if err := t.Commit(); err != nil {
		return wrap(op, err)
	}
	committed = true
	s.counted.commits.Add(1)
	pendingCommitted()
	return nil
}

// exec runs a statement and returns how many rows it changed.
func (t *tx) exec(query string, args ...any) (int64, error) {
	r, err := t.ExecContext(t.ctx, query, args...)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

func (t *tx) row(query string, args ...any) *sql.Row {
	return t.QueryRowContext(t.ctx, query, args...)
}

// yieldEvery is the number of rows after which a report yields the processor
// to whatever else wants it: a run must not wait for the 10 ms after which Go
// would take it away.
const yieldEvery = 128

// rows runs a query on the readers and calls scan for each row.
func (s *Store) rows(ctx context.Context, query string, args []any, scan func(*sql.Rows) error) error {
	return each(ctx, s.reader(ctx), query, args, scan)
}

// querier is a source of rows: a transaction, or a pool.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// queryMost is the time limit of a query that is no report's. Where pages of a
// damaged file lead to each other, a query never comes to its end.
var queryMost = 30 * time.Second

// errEndless is the error of a query that has had its time.
var errEndless = errorf(Corrupt, "what was asked for could not be read in time: the database file is damaged, or its disk does not answer")

// each runs a query and calls scan for each row.
func each(ctx context.Context, q querier, query string, args []any, scan func(*sql.Rows) error) error {
	if PoolOf(ctx) == Reports {
		return eachRow(ctx, q, query, args, scan)
	}
	ctx, cancel := limited(ctx, queryMost, time.AfterFunc)
	defer cancel()
	err := eachRow(ctx, q, query, args, scan)
	if err != nil && errors.Is(context.Cause(ctx), errEndless) {
		return errEndless
	}
	return err
}

// limitSteps is the number of steps in which the time of a query is counted.
const limitSteps = 30

// limited returns a context that ends for errEndless when a query has had its
// time. The time is counted in steps: one in which the whole program stands still,
// as a container that is paused does, counts as one, however long it is. By the
// clock, what is whole was called damaged then.
func limited(ctx context.Context, most time.Duration, after func(time.Duration, func()) *time.Timer) (context.Context, func()) {
	ctx, end := context.WithCancelCause(ctx)
	var mu sync.Mutex
	var steps int
	var timer *time.Timer
	mu.Lock() // the first step may be over before its timer is known
	defer mu.Unlock()
	timer = after(most/limitSteps, func() {
		mu.Lock()
		defer mu.Unlock()
		if steps++; steps >= limitSteps {
			end(errEndless)
		} else if ctx.Err() == nil {
			timer.Reset(most / limitSteps)
		}
	})
	return ctx, func() {
		timer.Stop()
		end(nil)
	}
}

func eachRow(ctx context.Context, q querier, query string, args []any, scan func(*sql.Rows) error) error {
	rs, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rs.Close()
	report := PoolOf(ctx) == Reports
	for n := 1; rs.Next(); n++ {
		if err := scan(rs); err != nil {
			return err
		}
		if report && n%yieldEvery == 0 {
			runtime.Gosched()
		}
	}
	return errors.Join(rs.Err(), rs.Close())
}

// view runs fn in a read transaction: all its queries see one state of the
// database, whatever is committed meanwhile.
func (s *Store) view(ctx context.Context, fn func(q querier) error) error {
	t, err := s.reader(ctx).BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = t.Rollback() }() // nothing was written
	return fn(t)
}

// textsFrom returns the texts of a query of one column.
func textsFrom(ctx context.Context, s *Store, query string, args ...any) (out []string, err error) {
	err = s.rows(ctx, query, args, func(r *sql.Rows) error {
		var text string
		err := r.Scan(&text)
		out = append(out, text)
		return err
	})
	return out, err
}
