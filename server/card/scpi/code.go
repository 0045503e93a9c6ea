package scpi

import (
	"errors"
	"strconv"
	"strings"
)

// Code is a number of the error queue. As an error it says its number and
// text, as a card would.
type Code int

// The numbers that the codec gives itself, and those that a card of the
// protocol gives.
const (
	NoError              Code = 0
	InvalidCharacter     Code = -101
	SyntaxError          Code = -102
	InvalidSeparator     Code = -103
	DataTypeError        Code = -104
	ParameterNotAllowed  Code = -108
	MissingParameter     Code = -109
	HeaderSeparatorError Code = -111
	MnemonicTooLong      Code = -112
	UndefinedHeader      Code = -113
	SuffixOutOfRange     Code = -114 // of a header
	InvalidCharInNumber  Code = -121
	ExponentTooLarge     Code = -123
	TooManyDigits        Code = -124
	InvalidSuffix        Code = -131 // of a number
	SuffixTooLong        Code = -134
	SuffixNotAllowed     Code = -138
	InvalidCharacterData Code = -141
	CharacterDataTooLong Code = -144
	InvalidStringData    Code = -151
	InvalidBlockData     Code = -161
	InvalidExpression    Code = -171
	SettingsConflict     Code = -221
	DataOutOfRange       Code = -222
	TooMuchData          Code = -223
	DataStale            Code = -230
	HardwareError        Code = -240
	HardwareMissing      Code = -241
	SelfTestFailed       Code = -330
	QueueOverflow        Code = -350
	InputOverrun         Code = -363
	TimeOut              Code = -365
	QueryInterrupted     Code = -410
)

// Text is what the standard calls the error; "" where it has no such number.
func (c Code) Text() string { return texts[c] }

func (c Code) Error() string { return Error{c, c.Text()}.String() }

// With is the error with what the device adds to its text.
func (c Code) With(info string) Error { return Error{c, c.Text() + ";" + info} }

// Plain is the error with the standard's text alone.
func (c Code) Plain() Error { return Error{c, c.Text()} }

// Class is the bit of the standard event status register that an error sets:
// -1xx command error, -2xx execution error, -3xx and what the device defines
// itself (above 0) device-specific error, -4xx query error. IEEE 488.2, 11.5.1.
func (c Code) Class() uint8 {
	switch {
	case c > 0 || c <= -300 && c > -400:
		return EventDevice
	case c <= -100 && c > -200:
		return EventCommand
	case c <= -200 && c > -300:
		return EventExecution
	case c <= -400 && c > -500:
		return EventQuery
	}
	return 0
}

// CodeOf is the number of an error: its own, or a device-specific one where
// it has none.
func CodeOf(err error) Code {
	var c Code
	var e Error
	switch {
	case err == nil:
		return NoError
	case errors.As(err, &c):
		return c
	case errors.As(err, &e):
		return e.Code
	}
	return -300
}

// Error is an entry of the error queue.
type Error struct {
	Code Code
	Text string // at most 255 characters, with what the device adds after ";"
}

func (e Error) Error() string { return e.String() }

// Unwrap makes errors.Is find the number.
func (e Error) Unwrap() error { return e.Code }

// String is the entry as SYSTem:ERRor? answers it.
func (e Error) String() string { return strconv.Itoa(int(e.Code)) + "," + Quote(e.Text) }

// maxErrorText is the largest length of an entry's text with what the device
// adds, in characters. SCPI-1999 volume 2, 21.8.1.
const maxErrorText = 255

// ParseError reads an entry of an error queue: `-113,"Undefined header"`.
func ParseError(text string) (Error, error) {
	number, quoted, found := strings.Cut(trim(text), ",")
	if !found {
		return Error{}, ErrAnswer
	}
	n, err := ParseInteger(number)
	if err != nil || n < -32768 || n > 32767 {
		return Error{}, ErrAnswer
	}
	words, err := Unquote(trim(quoted))
	if err != nil {
		return Error{}, err
	}
	return Error{Code(n), words}, nil
}

// Queue is an error queue: first in, first out. When it is full the last
// entry becomes -350 and what comes after is lost. It is not for use by
// several goroutines at a time.
type Queue struct {
	entries []Error
	first   int
	count   int
}

// NewQueue makes a queue for so many errors, at least two.
func NewQueue(capacity int) *Queue { return &Queue{entries: make([]Error, max(capacity, 2))} }

// Push adds an error and reports whether there was room for it.
func (q *Queue) Push(e Error) bool {
	size := len(q.entries)
	if q.count == size {
		q.entries[(q.first+size-1)%size] = QueueOverflow.Plain()
		return false
	}
	if len(e.Text) > maxErrorText {
		e.Text = e.Text[:maxErrorText]
	}
	q.entries[(q.first+q.count)%size] = e
	q.count++
	return true
}

// Pop takes the oldest error; 0,"No error" when there is none.
func (q *Queue) Pop() Error {
	if q.count == 0 {
		return NoError.Plain()
	}
	e := q.entries[q.first]
	q.first = (q.first + 1) % len(q.entries)
	q.count--
	return e
}

// Len counts the errors that are waiting.
func (q *Queue) Len() int { return q.count }

// Clear empties the queue.
func (q *Queue) Clear() { q.first, q.count = 0, 0 }
