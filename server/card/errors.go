package card

import (
	"errors"
	"fmt"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// Errors that an error of a Link may be, for errors.Is.
var (
	// ErrDown: there is no card at the other end now.
	ErrDown = errors.New("the card is not connected")
	// ErrStale: the connection was lost, or taken, since the bench was last
	// made safe, and what was set before is gone.
	ErrStale = errors.New("the bench must be made safe first")
	// ErrRestarted: the card has started anew, and its settings are gone.
	ErrRestarted = errors.New("the card has restarted")
	// ErrState: the card is not as it was set.
	ErrState = errors.New("the card is not as it was set")
	// ErrRefused: something answers that is not the card that is expected.
	ErrRefused = errors.New("not the card that is expected")
	// ErrReported: the card reported errors; see CardErrors.
	ErrReported = errors.New("the card reported an error")
	// ErrAnswer: an answer came that cannot be what it should be.
	ErrAnswer = errors.New("the answer makes no sense")
)

// Error is the error of a connection, with the remedy that a person has.
type Error struct {
	Connection string
	What       string // what happened, in words
	Remedy     string // what to do, in words; "" where nothing is known to help
	Err        error
}

func (e *Error) Error() string {
	text := e.Connection + ": " + e.What
	if e.Remedy != "" {
		text += ". " + e.Remedy
	}
	return text
}

func (e *Error) Unwrap() error { return e.Err }

// CardErrors are entries of a card's error queue, oldest first. They are
// ErrReported.
type CardErrors []scpi.Error

func (e CardErrors) Error() string {
	var words []string
	for _, one := range e {
		words = append(words, fmt.Sprintf("%d %s", int(one.Code), one.Text))
	}
	return "the card reported " + strings.Join(words, ", then ")
}

// Is makes CardErrors ErrReported.
func (e CardErrors) Is(target error) bool { return target == ErrReported }

// ofTheLine reports whether all that a card reported can come from bytes that
// were spoilt on their way to it: command and query errors, and an overrun.
func (e CardErrors) ofTheLine() bool {
	for _, one := range e {
		command := one.Code <= -100 && one.Code > -200
		query := one.Code <= -400 && one.Code > -500
		if !command && !query && one.Code != scpi.InputOverrun {
			return false
		}
	}
	return true
}

// doubtful is the error of a reading that is missing or not credible, while
// nothing shows that the card is no longer as it was set. Such a reading may
// be taken once more.
type doubtful struct{ err error }

func (e *doubtful) Error() string { return e.err.Error() }
func (e *doubtful) Unwrap() error { return e.err }

// Codes of the faults that the host reports of a card; the card's own have
// the numbers of its error queue.
const (
	CodeLost       = 101 // the connection was lost
	CodeRestarted  = 102 // the card has restarted
	CodeState      = 103 // the card is not as it was set
	CodeUnexpected = 104 // a line came that nobody asked for, after a reading
)

// codeOf is the code that an error has as a fault.
func codeOf(err error) int {
	var said CardErrors
	switch {
	case errors.Is(err, ErrRestarted):
		return CodeRestarted
	case errors.Is(err, ErrState):
		return CodeState
	case errors.As(err, &said) && len(said) > 0:
		return int(said[0].Code)
	}
	return CodeLost
}

// report keeps a fault until it is asked for. The oldest stay: they are the cause.
func (l *Link) report(code int, message string) {
	l.faultsMu.Lock()
	defer l.faultsMu.Unlock()
	if len(l.faults) < maxFaults {
		l.faults = append(l.faults, bench.Fault{At: l.clock.Now(), Code: code, Message: message})
	}
}

// maxFaults is the largest number of faults that are kept until somebody asks
// for them.
const maxFaults = 64
