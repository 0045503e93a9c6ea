package store

import (
	"context"
	"database/sql"
	"errors"
	"slices"
	"sync"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// errUnsound is the error of a row that does not fit its seal, before it is
// said what it is.
var errUnsound = errors.New("does not fit its seal")

// damageMost is the number of damaged things that are remembered for the pages;
// a check of the database names them all.
const damageMost = 100

// metDamage is what readers have met that is damaged, since the start.
type metDamage struct {
	mu   sync.Mutex
	what []string
}

// damaged remembers that something is damaged, and returns the error that says
// so in place of what it says.
func (s *Store) damaged(what string) error {
	s.met.mu.Lock()
	defer s.met.mu.Unlock()
	if len(s.met.what) < damageMost && !slices.Contains(s.met.what, what) {
		s.met.what = append(s.met.what, what)
	}
	return errorf(Corrupt, "%s is damaged: what the disk has is not what was stored", what)
}

// MetDamage lists what readers have met that is damaged since the store was
// opened, in words, at most a hundred.
func (s *Store) MetDamage() []string {
	s.met.mu.Lock()
	defer s.met.mu.Unlock()
	return slices.Clone(s.met.what)
}

// isDamage reports whether an error says that the disk has not what was stored:
// a checksum that does not fit, a page that is none, or a value that is none of
// its column's. An error of SQLite's that is not about its file is none.
func isDamage(err error) bool {
	var known *Error
	var driver *sqlite.Error
	switch {
	case err == nil, errors.Is(err, sql.ErrNoRows), errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded),
		errors.Is(err, sql.ErrConnDone), errors.Is(err, sql.ErrTxDone):
		return false
	case errors.Is(err, errUnsound), errors.Is(err, errChunk), errors.Is(err, errTailPage):
		return true
	case errors.As(err, &known):
		return known.Code == Corrupt
	case errors.As(err, &driver):
		// Statements are right for the schema, unless that is damaged.
		return driver.Code() == sqlite3.SQLITE_ERROR || CodeOf(wrap("", err)) == Corrupt
	}
	return true // what was read could not be decoded
}
