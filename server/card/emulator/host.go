package emulator

import (
	"context"
	"io"
	"slices"
	"strings"
	"sync"

	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
)

// maxWaiting is the largest number of messages that wait while one is carried
// out.
const maxWaiting = 256

// message is one message of a host, up to its LF.
type message struct {
	text string
	err  error // why it is dropped instead of being carried out
}

// begins reports whether a message begins with one of these commands.
func (m message) begins(with ...string) bool {
	head, _, _ := strings.Cut(m.text, ";")
	return m.err == nil && slices.Contains(with, strings.ToUpper(strings.Trim(head, " \t:")))
}

// aborts reports whether a message is acted on at once: what waits before it
// is dropped.
func (m message) aborts() bool { return m.begins("ABOR", "ABORT") }

// cuts reports whether a message ends the reading under way.
func (m message) cuts() bool { return m.aborts() || m.begins("*RST") }

// host is the conversation with one host.
type host struct {
	card   *Card
	stream io.ReadWriteCloser
	out    *outlet
	came   chan struct{} // one token: something changed for the one that waits

	mu      sync.Mutex
	waiting []message
	partial []byte
	skip    bool   // the line being received is too long already
	urgent  int    // how many of those that wait end a reading
	cut     func() // ends the reading under way; nil without one
	gone    error
}

func newHost(c *Card, stream io.ReadWriteCloser) *host {
	return &host{card: c, stream: stream, out: newOutlet(stream, c.clock), came: make(chan struct{}, 1)}
}

// listen takes in bytes until the stream ends.
func (h *host) listen() {
	buf := make([]byte, 4096)
	for {
		n, err := h.stream.Read(buf)
		h.take(buf[:n])
		if err != nil {
			h.end(err)
			return
		}
	}
}

// end says that nothing more comes, and cuts short what is under way.
func (h *host) end(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.gone == nil {
		h.gone = err
	}
	if h.cut != nil {
		h.cut()
	}
	h.wake()
}

func (h *host) wake() {
	select {
	case h.came <- struct{}{}:
	default:
	}
}

// take cuts bytes into messages.
func (h *host) take(b []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for len(b) > 0 {
		i := slices.Index(b, '\n')
		line := b
		if i >= 0 {
			line = b[:i]
		}
		if h.skip = h.skip || len(h.partial)+len(line) >= protocol.MaxMessage; !h.skip {
			h.partial = append(h.partial, line...)
		}
		if i < 0 {
			return
		}
		b = b[i+1:]
		h.line()
	}
}

// line puts the line that has ended into the queue.
func (h *host) line() {
	h.card.pulse.heard(h.card.clock.Now())
	m := message{text: strings.TrimSuffix(string(h.partial), "\r")}
	switch {
	case h.skip:
		m.err = scpi.InputOverrun
	case strings.Trim(m.text, " \t") == "":
		h.partial = h.partial[:0]
		return // an empty line is nothing
	case strings.ContainsFunc(m.text, func(r rune) bool { return r != '\t' && (r < ' ' || r > '~') }):
		m.err = scpi.InvalidCharacter
	}
	h.partial, h.skip = h.partial[:0], false
	if m.aborts() {
		h.waiting, h.urgent = nil, 0
	}
	if len(h.waiting) >= maxWaiting {
		// What a host sends without waiting for it is lost, and it is told so once.
		h.waiting[len(h.waiting)-1] = message{err: scpi.InputOverrun}
		return
	}
	h.waiting = append(h.waiting, m)
	if m.cuts() {
		h.urgent++
		if h.cut != nil {
			h.cut()
		}
	}
	h.wake()
}

// next is the oldest message that waits. It waits for one until the stream or
// the context ends.
func (h *host) next(ctx context.Context) (message, bool) {
	for {
		h.mu.Lock()
		if len(h.waiting) > 0 && ctx.Err() == nil {
			m := h.waiting[0]
			h.waiting = slices.Delete(h.waiting, 0, 1)
			if m.cuts() {
				h.urgent--
			}
			h.card.pulse.begin()
			h.mu.Unlock()
			return m, true
		}
		gone := h.gone
		h.mu.Unlock()
		if gone != nil {
			return message{}, false
		}
		select {
		case <-h.came:
		case <-ctx.Done():
			return message{}, false
		}
	}
}

// forget drops everything that has come and was not carried out.
func (h *host) forget() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.waiting, h.partial, h.skip, h.urgent = nil, h.partial[:0], false, 0
}

// cuttable returns a context for a reading: a message that cuts ends it, also
// one that waits already, and so does the end of the stream.
func (h *host) cuttable(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.cut = cancel
	if h.urgent > 0 || h.gone != nil {
		cancel()
	}
	return ctx, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.cut = nil
		cancel()
	}
}
