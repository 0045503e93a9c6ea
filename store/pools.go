package store

import (
	"context"
	"database/sql"
	"errors"
)

// Pool names one of the read pools. Each has connections of its own: a pool
// that a report and a stop both draw from is empty when it matters, however
// large it is.
type Pool int

const (
	// Pages is the pool of ordinary reads, used where no other is asked for.
	Pages Pool = iota
	// Control is the pool of reads that must never wait behind a page or a
	// report: who asks, whether the server answers, starting, stopping, making
	// safe, live pages.
	Control
	// Reports is the pool of long reads: exports, wide tables, lots.
	Reports
	pools
)

// poolSizes are the connections of each pool. A report reads only while it is
// its turn, so that two connections are enough for any number of them.
var poolSizes = [pools]int{Pages: 4, Control: 3, Reports: 2}

// String names the pool, for tests and logs.
func (p Pool) String() string { return [pools]string{"pages", "control", "reports"}[p] }

type poolKey struct{}

// From returns a context whose reads come from that pool.
func From(ctx context.Context, p Pool) context.Context { return context.WithValue(ctx, poolKey{}, p) }

// PoolOf returns the pool that reads with this context come from.
func PoolOf(ctx context.Context) Pool {
	p, _ := ctx.Value(poolKey{}).(Pool) // Pages where none is named
	return p
}

// reader returns the read pool of a context.
func (s *Store) reader(ctx context.Context) *sql.DB { return s.read[PoolOf(ctx)] }

// openReaders opens every read pool.
func (s *Store) openReaders(ctx context.Context) (err error) {
	for p, size := range poolSizes {
		if s.read[p], err = openPool(ctx, s.path, s.readerPragmas(), size, s.readMode()); err != nil {
			return err
		}
	}
	return nil
}

// closeReaders closes every read pool that is open.
func (s *Store) closeReaders() error {
	var errs []error
	for p, db := range s.read {
		if db != nil {
			errs = append(errs, db.Close())
			s.read[p] = nil
		}
	}
	return errors.Join(errs...)
}
