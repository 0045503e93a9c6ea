// Package wire carries messages to cards and answers back: it opens TCP and
// serial connections, cuts what comes into lines, sees to it that an answer is
// only ever given to the question it belongs to, and keeps a log of every byte.
// It does not know what is said.
package wire

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"ohmkeep/server/cardinfo"
)

var (
	ErrTimeout    = errors.New("no answer in time")
	ErrCut        = errors.New("cut off by an urgent message")
	ErrOutOfStep  = errors.New("questions and answers are out of step")
	ErrClosed     = errors.New("the connection has ended")
	ErrUnexpected = errors.New("a line came that nobody asked for")
	ErrGarbled    = errors.New("what came is not a line of text")
)

// errFresh is the error of a new Line, which is out of step: a card may send a
// banner when it is connected, or still have answers for whoever was there
// before.
var errFresh = errors.New("the connection is new")

// Options are the settings of a Line.
type Options struct {
	Connection string // its name in the log
	Log        *Log   // nil: what is said is not kept
	Echo       bool   // the card sends back every line that it is sent
	// Timeout is how long the Resync after a Gather may take, and how long the
	// stream may take to accept a message: one that takes longer is dead and
	// ends the Line. 0: 1 s.
	Timeout time.Duration
}

// Line is one conversation over an open stream. All methods may be called from
// any goroutine; one exchange is carried out at a time.
//
// A Line is in step when the next line that comes can only be the answer to
// the next question. It is out of step from the start, and after a timeout, a
// cut, the end of a context during an exchange, and an unexpected or garbled
// line. Out of step, Ask and Tell return ErrOutOfStep and send nothing, until
// a Resync succeeds.
//
// What a Line cannot tell: a line that a card sends unasked while the answer
// to a question is due, and that comes in before that answer, is taken for it.
type Line struct {
	stream io.ReadWriteCloser
	o      Options
	turn   chan struct{} // holds one token while an exchange is under way
	came   chan outcome  // what it came to; never more than one at a time
	timer  *time.Timer   // of the exchange
	ended  chan struct{}
	read   chan struct{} // closed when the reader has gone

	// sending holds a token while a message is being sent, which keeps messages
	// whole. It is taken before mu. (A mutex would stop a test's clock.)
	sending chan struct{}
	message []byte      // its bytes, with LF; used again for the next
	stuck   *time.Timer // ends the line when the stream takes no more bytes

	mu     sync.Mutex
	frames frames
	listen listening
	step   error    // nil in step, otherwise why not
	echoes []string // lines that the card has yet to send back
	urgent int      // urgent messages that have not been followed by a resync
	asked  string   // the question under way
	held   string   // the answer, until all that came with it has been looked at
	holds  bool
	mark   mark
	lines  []string // of a gathering
	size   int      // their bytes
	end    error    // why the line ended
	counts struct{ exchanges, late, garbled uint64 }
}

// listening is the state of a line's receiver: how it treats the next line.
type listening uint8

const (
	nobody   listening = iota // nobody has asked
	answer                    // the answer
	marks                     // older than the mark, or the mark
	gathered                  // whatever comes
)

// outcome is the result of an exchange.
type outcome struct {
	text string
	err  error
}

// NewLine begins a conversation over a stream, whose Close must end a Read
// that is waiting. It is out of step until the first Resync.
func NewLine(stream io.ReadWriteCloser, o Options) *Line {
	if o.Timeout <= 0 {
		o.Timeout = time.Second
	}
	l := &Line{
		stream: stream, o: o, step: errFresh,
		turn: make(chan struct{}, 1), came: make(chan outcome, 1),
		sending: make(chan struct{}, 1),
		timer:   time.NewTimer(time.Hour), ended: make(chan struct{}), read: make(chan struct{}),
	}
	l.timer.Stop()
	l.stuck = time.AfterFunc(time.Hour, func() {
		l.finish(fmt.Errorf("%w: nothing could be sent for %v", ErrTimeout, o.Timeout))
	})
	l.stuck.Stop()
	go l.receive()
	return l
}

// InStep reports whether Ask and Tell may be used.
func (l *Line) InStep() bool { return l.Reason() == nil }

// Reason returns the error that put the line out of step, nil where it is in
// step.
func (l *Line) Reason() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.end != nil:
		return l.closed()
	case l.step == nil && l.urgent > 0:
		return ErrCut
	}
	return l.step
}

// Done is closed when the line has ended, by Close or because the stream did.
func (l *Line) Done() <-chan struct{} { return l.ended }

// Err returns the error that ended the line: an ErrClosed; nil while it goes
// on.
func (l *Line) Err() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.end == nil {
		return nil
	}
	return l.closed()
}

// Counts returns how many answers were given, how many lines were thrown away
// because nobody waited for them, or no more, and how many were garbled.
func (l *Line) Counts() (exchanges, late, garbled uint64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.counts.exchanges, l.counts.late, l.counts.garbled
}

// Close ends the line and closes the stream. What is under way returns
// ErrClosed. When Close returns, the reader has gone.
func (l *Line) Close() error {
	err := l.finish(nil)
	<-l.read
	return err
}

// finish ends the line for a reason, nil where it was closed. Only the first
// one counts.
func (l *Line) finish(why error) error {
	l.mu.Lock()
	if l.end != nil {
		l.mu.Unlock()
		return nil
	}
	l.end = ErrClosed
	if why != nil {
		l.end = why
	}
	l.give(outcome{err: l.closed()})
	l.stuck.Stop()
	close(l.ended)
	l.mu.Unlock()
	if why != nil {
		l.note("the connection has ended: " + why.Error())
	}
	return l.stream.Close()
}

// closed is the error of everything that is asked after the end. l.mu is held.
func (l *Line) closed() error {
	if errors.Is(l.end, ErrClosed) {
		return l.end
	}
	return fmt.Errorf("%w: %w", ErrClosed, l.end)
}

// note adds a note about the connection to the log.
func (l *Line) note(words string) { l.o.Log.Add(l.o.Connection, cardinfo.Note, []byte(words)) }

// out marks the line as out of step, with the reason; the first reason stays.
// An exchange under way is over with that reason. l.mu is held.
func (l *Line) out(why error) {
	if l.step == nil {
		l.step = why
		l.note("out of step: " + why.Error())
	}
	l.echoes = nil
	l.give(outcome{err: why})
}

// give ends the exchange under way, where there is one, with its outcome.
func (l *Line) give(o outcome) {
	if l.listen == nobody {
		return
	}
	l.listen, l.held, l.holds = nobody, "", false
	l.came <- o
}

// enter waits for the turn to use the line; leave releases it.
func (l *Line) enter(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case l.turn <- struct{}{}:
		return nil
	default:
	}
	select {
	case l.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-l.ended:
		return l.Err()
	}
}

func (l *Line) leave() { <-l.turn }
