package emulator

import (
	"context"
	"errors"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
)

// maxWaiting is how many messages wait while one is carried out.
const maxWaiting = 256

// message is what a host has sent, up to an LF.
type message struct {
	text string
	err  error // why it is dropped instead of being carried out
}

// urgent says whether a message is acted on at once, also while a reading is
// under way.
func (m message) urgent() bool {
	head, _, _ := strings.Cut(m.text, ";")
	head = strings.ToUpper(strings.Trim(head, " \t:"))
	return m.err == nil && (head == "ABOR" || head == "ABORT" || head == "*RST")
}

// host is the conversation with one host.
type host struct {
	card   *Card
	stream io.ReadWriteCloser
	out    *outlet
	came   chan struct{} // one token: something changed for the one that waits

	mu      sync.Mutex
	waiting []message
	partial []byte
	skip    bool      // the line being received is too long already
	urgent  int       // how many of those that wait are urgent
	cut     func()    // ends the reading under way; nil without one
	heard   time.Time // of the last LF of a message, or the end of the last command
	busy    bool      // a message is being carried out
	gone    error
}

func newHost(c *Card, stream io.ReadWriteCloser) *host {
	return &host{card: c, stream: stream, out: newOutlet(stream, c.clock), came: make(chan struct{}, 1), heard: c.clock.Now()}
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
	h.heard = h.card.clock.Now()
	if len(h.waiting) >= maxWaiting {
		// What a host sends without waiting for it is lost, and it is told so once.
		h.waiting[len(h.waiting)-1] = message{err: scpi.InputOverrun}
		return
	}
	h.waiting = append(h.waiting, m)
	if m.urgent() {
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
			if m.urgent() {
				h.urgent--
			}
			h.busy = true
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

// idle marks the end of a command.
func (h *host) idle() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.busy, h.heard = false, h.card.clock.Now()
}

// silence is for how long nothing was heard and nothing done.
func (h *host) silence() (time.Duration, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.card.clock.Now().Sub(h.heard), !h.busy && len(h.waiting) == 0
}

// forget drops everything that has come and was not carried out.
func (h *host) forget() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.waiting, h.partial, h.skip, h.urgent = nil, h.partial[:0], false, 0
}

// cuttable is a context for a reading: an urgent message ends it, also one
// that waits already, and so does the end of the stream.
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

// Serve talks to one host until it goes, the context ends or an ordered fault
// cuts the connection (ErrCut). The stream is closed and the link made safe
// then. ErrTaken: another host is served; the stream is closed.
func (c *Card) Serve(ctx context.Context, stream io.ReadWriteCloser) error {
	if !c.begin() {
		return errors.Join(ErrTaken, stream.Close())
	}
	defer c.finish()
	return c.serve(ctx, stream)
}

// begin takes the card for a host.
func (c *Card) begin() bool {
	c.hosts.Lock()
	defer c.hosts.Unlock()
	if c.taken || c.clock.Now().Before(c.dark) {
		return false
	}
	c.taken = true
	return true
}

func (c *Card) finish() {
	c.hosts.Lock()
	defer c.hosts.Unlock()
	c.taken = false
}

// serve is Serve for who has the card.
func (c *Card) serve(ctx context.Context, stream io.ReadWriteCloser) error {
	ctx, cancel := context.WithCancel(ctx)
	h := newHost(c, stream)
	var others sync.WaitGroup
	others.Go(h.listen)
	others.Go(func() { h.out.run(ctx) })
	others.Go(func() { c.watch(ctx, h) })
	// The end does not wait for the call in flight, nor for a host that does not read.
	stop := context.AfterFunc(ctx, func() {
		_ = c.link.MakeSafe(context.WithoutCancel(ctx)) // again below, and judged there
		_ = stream.Close()
	})
	c.log.Debug("host came")
	err := c.work(ctx, h)
	stop()
	stopped := ctx.Err() != nil
	cancel()
	_ = stream.Close() // it may be closed already
	others.Wait()
	c.mu.Lock()
	defer c.mu.Unlock()
	err = errors.Join(err, c.makeSafe())
	c.log.Debug("host went", "err", err)
	if err == nil && !stopped && !errors.Is(h.gone, io.EOF) {
		return h.gone
	}
	return err
}

// work carries out messages one after the other.
func (c *Card) work(ctx context.Context, h *host) error {
	for {
		m, ok := h.next(ctx)
		if !ok {
			return nil
		}
		if err := c.handle(ctx, h, m); err != nil {
			return err
		}
	}
}
