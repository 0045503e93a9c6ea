// Package problem is the error that may be shown to a person: what kind of
// thing went wrong, in which words, and which fields are at fault. Every
// package that refuses something returns it or states its code; the routes turn
// the code into an HTTP status in one place. It knows no HTTP itself.
package problem

import (
	"errors"
	"unicode"
	"unicode/utf8"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// Code says what kind of thing went wrong.
type Code string

// The codes there are.
const (
	Malformed   Code = "malformed"   // what was sent cannot be read at all
	Invalid     Code = "invalid"     // it was read, and cannot be used
	Denied      Code = "denied"      // nobody has signed in; or an unknown, expired, used or revoked secret
	Forbidden   Code = "forbidden"   // whoever asks is known, and may not
	NotFound    Code = "not found"   // there is no such thing
	Conflict    Code = "conflict"    // stale revision, already there, wrong state
	Busy        Code = "busy"        // something else is at work on the bench
	Held        Code = "held"        // somebody else holds control of the bench
	Upstream    Code = "upstream"    // the bench behind this server did not do what it was told
	Unavailable Code = "unavailable" // the server is stopping, or cannot answer now
	Full        Code = "full"        // there is no room on the disk
	TooLarge    Code = "too large"   // more was sent than is taken
	Unsupported Code = "unsupported" // it was sent in a form that is not taken
	NoMethod    Code = "no method"   // the address does not answer to that method
	Outdated    Code = "outdated"    // a condition on the revision does not hold
	Unguarded   Code = "unguarded"   // a condition on the revision is missing
	TooNew      Code = "too new"     // the database was written by a newer version
	Corrupt     Code = "corrupt"     // the database is damaged
	Internal    Code = "internal"    // a fault of the program: the log says more
)

// Error is an error whose message may be shown to anybody.
type Error struct {
	Code    Code
	Title   string // a few words; "" is what the code says
	Message string // a sentence
	// Fields are the entries at fault, each with its path in the document.
	Fields dut.Problems
	// Detail is what whoever asked needs to go on, such as what is to be
	// confirmed first. Its type is the refusing package's; nil where there is none.
	Detail any
	// Err is the cause, for errors.Is and the log; it is never shown.
	Err error
}

// Error returns the public message.
func (e *Error) Error() string {
	switch {
	case e.Title == "":
		return e.Message
	case e.Message == "":
		return e.Title
	}
	return e.Title + ": " + e.Message
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// New makes an error of a code with a public message.
func New(code Code, message string) *Error { return &Error{Code: code, Message: message} }

// NoSuch says that there is no such thing; what names it without an article.
func NoSuch(what string) *Error { return New(NotFound, "There is no "+what+".") }

// Field is an error of one entry.
func Field(field, message string) *Error {
	return Fields(dut.Problems{{Field: field, Message: message}})
}

// Fields is an error of one or more entries.
func Fields(fields dut.Problems) *Error {
	return &Error{Code: Invalid, Title: "Some entries cannot be used", Message: fields.Error(), Fields: fields}
}

// Coded is an error of a type of its own whose text may be shown to anybody.
type Coded interface {
	error
	ProblemCode() Code
}

// Of returns what may be shown of an error: the first *Error in its chain,
// faults of a document, a quantity that could not be read, or an error that
// states its code. It is nil for every other error, which is for the log only.
func Of(err error) *Error {
	var known *Error
	var fields dut.Problems
	var number *quantity.Error
	var coded Coded
	switch {
	case errors.As(err, &known) && len(known.Fields) > 0:
		return known
	case errors.As(err, &fields):
		return Fields(fields)
	case known != nil:
		return known
	case errors.As(err, &number):
		return New(Invalid, number.Error())
	case errors.As(err, &coded):
		return &Error{Code: coded.ProblemCode(), Message: coded.Error(), Err: coded}
	}
	return nil
}

// CodeOf returns the code of what may be shown of an error, or "" where nothing
// may.
func CodeOf(err error) Code {
	if e := Of(err); e != nil {
		return e.Code
	}
	return ""
}

// Sentence is a text that begins with a capital letter. A µ stays: its capital
// looks like the M of mega.
func Sentence(text string) string {
	r, n := utf8.DecodeRuneInString(text)
	if r == utf8.RuneError || r == 'µ' {
		return text
	}
	return string(unicode.ToUpper(r)) + text[n:]
}
