package store

import (
	"database/sql"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"ohmkeep/server/problem"
)

// The codes of the errors that the store returns.
const (
	NotFound = problem.NotFound
	Conflict = problem.Conflict // stale revision, already there, wrong state
	Invalid  = problem.Invalid
	Denied   = problem.Denied // unknown, expired, used or revoked secret
	Full     = problem.Full   // no room on the disk
	TooNew   = problem.TooNew
	Corrupt  = problem.Corrupt
)

// Error is an error whose message may be shown to anybody. Every other error
// that the store returns is for the log only.
type Error = problem.Error

// CodeOf returns the code of an error that may be shown, or "".
func CodeOf(err error) problem.Code { return problem.CodeOf(err) }

func errorf(code problem.Code, format string, args ...any) error {
	return &Error{Code: code, Message: fmt.Sprintf(format, args...)}
}

// errNotOfList refuses a cursor that no page of the list has given out.
var errNotOfList = errorf(Invalid, "the page address is not one of this list")

// wrap names the operation that failed. It leaves an *Error as it is and makes
// one where SQLite's code says something that a person can act on.
func wrap(op string, err error) error {
	if err == nil {
		return nil
	}
	var known *Error
	if errors.As(err, &known) {
		return err
	}
	var e *sqlite.Error
	if errors.As(err, &e) {
		switch e.Code() {
		case sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY:
			return &Error{Code: Invalid, Message: op + ": refers to something that is not stored", Err: err}
		case sqlite3.SQLITE_CONSTRAINT_CHECK:
			return &Error{Code: Invalid, Message: op + ": a value is out of range", Err: err}
		case sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY:
			return &Error{Code: Conflict, Message: op + ": there is one already", Err: err}
		}
		switch e.Code() {
		case sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_SHORT_READ, sqlite3.SQLITE_IOERR_CORRUPTFS:
			return &Error{Code: Corrupt, Message: op + ": the disk does not give back what was stored", Err: err}
		}
		switch e.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			return &Error{Code: Full, Message: op + ": the disk is full", Err: err}
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			return &Error{Code: Corrupt, Message: op + ": the database file is damaged", Err: err}
		}
	}
	return fmt.Errorf("store: %s: %w", op, err)
}

// missing turns "no rows" into a not-found error with that message.
func missing(err error, format string, args ...any) error {
	if errors.Is(err, sql.ErrNoRows) {
		return errorf(NotFound, format, args...)
	}
	return err
}
