package store

import (
	"database/sql"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Code says what kind of thing went wrong.
type Code string

const (
	NotFound Code = "not found"
	Conflict Code = "conflict" // stale revision, already there, wrong state
	Invalid  Code = "invalid"
	Denied   Code = "denied" // unknown, expired, used or revoked secret
	Full     Code = "full"   // no room on the disk
	TooNew   Code = "too new"
	Corrupt  Code = "corrupt"
)

// Error is an error whose message may be shown to anybody. Every other error
// that the store returns is for the log only.
type Error struct {
	Code    Code
	Message string
	Err     error // the cause, such as dut.Problems; may be nil
}

func (e *Error) Error() string { return e.Message }

func (e *Error) Unwrap() error { return e.Err }

// CodeOf returns the code of a store error, or "" where err is none.
func CodeOf(err error) Code {
	var e *Error
	if errors.As(err, &e) {
		return e.Code
	}
	return ""
}

func errorf(code Code, format string, args ...any) error {
	return &Error{Code: code, Message: fmt.Sprintf(format, args...)}
}

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
			return &Error{Invalid, op + ": refers to something that is not stored", err}
		case sqlite3.SQLITE_CONSTRAINT_CHECK:
			return &Error{Invalid, op + ": a value is out of range", err}
		case sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY:
			return &Error{Conflict, op + ": there is one already", err}
		}
		switch e.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			return &Error{Full, op + ": the disk is full", err}
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			return &Error{Corrupt, op + ": the database file is damaged", err}
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
