package routes

import (
	"bufio"
	"context"
	"errors"
	"net"
	"net/http"
	"os"
	"strconv"
	"sync/atomic"
	"time"

	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/server/turn"
)

const (
	// writeWait is the time limit for a client to accept one block of an answer.
	// A client that reads nothing is disconnected then, so that it does not keep
	// its descriptor.
	writeWait = 30 * time.Second
	// writeBlock is the most bytes that have one deadline.
	writeBlock = 64 << 10
	// retryAfter is the time after which whoever was put off may ask again.
	retryAfter = 10 * time.Second
)

// deadlineWriter is a response writer with a deadline for each block. While a
// block is written, other reports have the turn to compute.
type deadlineWriter struct {
	http.ResponseWriter
	control *http.ResponseController
	request *http.Request
	report  *turn.Report // nil where the answer is no report
	// begun is true once something was written that its access had not been taken
	// back from: what has begun is cut off then, and what has not is answered with
	// the reason.
	begun bool
	// hijacked is true of a connection that became a WebSocket.
	hijacked atomic.Bool
}

func newDeadlineWriter(w http.ResponseWriter, r *http.Request) *deadlineWriter {
	return &deadlineWriter{ResponseWriter: w, control: http.NewResponseController(w), request: r}
}

// Unwrap returns the writer beneath, for http.ResponseController.
func (w *deadlineWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// Hijack takes the connection over for the upgrade to a WebSocket, which has
// deadlines of its own.
func (w *deadlineWriter) Hijack() (net.Conn, *bufio.ReadWriter, error) {
	w.hijacked.Store(true)
	return w.control.Hijack()
}

// WriteHeader implements http.ResponseWriter.
func (w *deadlineWriter) WriteHeader(status int) {
	w.wait()
	w.ResponseWriter.WriteHeader(status)
}

// Write writes an answer in blocks, each with a deadline of its own: a client
// that is slow but reads gets the whole of it. A report gives its turn away
// while it writes.
func (w *deadlineWriter) Write(p []byte) (n int, err error) {
	if w.report != nil {
		w.report.Give()
	}
	for more := true; more && err == nil; more = len(p) > 0 {
		if w.begun && takenBack(w.request.Context()) {
			return n, people.ErrTakenBack
		}
		block := p[:min(len(p), writeBlock)]
		p = p[len(block):]
		w.wait()
		var written int
		written, err = w.ResponseWriter.Write(block)
		n += written
		w.begun = w.begun || !takenBack(w.request.Context())
	}
	if w.report != nil && err == nil {
		err = w.report.Take(w.request.Context())
	}
	return n, err
}

// wait sets the deadline of the next write, and looks only then whether there is
// to be one: whoever ends the answer meanwhile sets a deadline that must stay. A
// writer that cannot have one, such as a recorder in a test, has none.
func (w *deadlineWriter) wait() {
	_ = w.control.SetWriteDeadline(time.Now().Add(writeWait))
	ctx := w.request.Context()
	if w.report != nil && ctx.Err() != nil || w.begun && takenBack(ctx) {
		_ = w.control.SetWriteDeadline(time.Now()) // the server stops, or the access is gone
	}
}

// withWriteDeadlines is the middleware that gives every answer write deadlines,
// errors and pages too.
func withWriteDeadlines(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p := newDeadlineWriter(w, r)
		p.wait() // an answer without a body is written after the handler
		next.ServeHTTP(p, r)
	})
}

// tooSlow reports whether an answer ended because its client did not accept it
// in time.
func tooSlow(err error) bool { return errors.Is(err, os.ErrDeadlineExceeded) }

// serve runs a handler as its route's load class asks: a report waits for its
// turn.
func (s *Server) serve(e route, w http.ResponseWriter, r *http.Request) error {
	if e.class != report {
		return gone(r.Context(), e.handle(w, r))
	}
	work, err := s.Reports.Open(clientKey(r))
	if err != nil {
		return err
	}
	defer work.Close()
	ctx, cancel := s.Reports.Until(r.Context())
	defer cancel()
	r = r.WithContext(turn.With(ctx, work))
	// The middleware's own writer is used: a second one around it would have the
	// deadline of a stop set anew.
	p, ok := w.(*deadlineWriter)
	if !ok {
		p = newDeadlineWriter(w, r)
	}
	p.request, p.report = r, work
	defer func() { p.report = nil }()
	cut := make(chan struct{})
	alone := context.AfterFunc(ctx, func() { // the stop of the server waits for no reader
		_ = p.control.SetWriteDeadline(time.Now())
		close(cut)
	})
	defer func() {
		if !alone() {
			<-cut // what says why has a deadline of its own
		}
	}()
	if err := work.Take(ctx); err != nil {
		return gone(ctx, err)
	}
	return gone(ctx, e.handle(p, r))
}

// gone turns the error of a request that its client, or the stop of the server,
// has ended into a problem that is not logged as the server's fault.
func gone(ctx context.Context, err error) error {
	switch {
	case err != nil && takenBack(ctx) && problem.Of(err) == nil:
		return people.ErrTakenBack
	case !errors.Is(err, context.Canceled) || ctx.Err() == nil:
		return err
	case errors.Is(context.Cause(ctx), turn.ErrStopping):
		return &problem.Error{Code: problem.Unavailable, Message: turn.ErrStopping.Error(), Err: err}
	}
	return &problem.Error{Code: problem.Unavailable, Message: "The answer is not waited for any more.", Err: err}
}

// comeAgain adds to an answer that puts somebody off when to ask again.
func comeAgain(w http.ResponseWriter, status int) {
	if status == http.StatusServiceUnavailable {
		w.Header().Set("Retry-After", strconv.Itoa(int(retryAfter.Seconds())))
	}
}

// clientKey returns the identity that a report is counted under: the session or
// token, else the remote address.
func clientKey(r *http.Request) string {
	if who := personOf(r.Context()); who.Session != "" {
		return who.Session
	}
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}
