package wire

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// within is how long the tests' questions may take, by the clock of their
// bubble.
const within = 100 * time.Millisecond

// fake is a card on the other end of a pipe. It reads its lines one after the
// other, and does with each what the test says.
type fake struct {
	net.Conn
	// For when it has nothing to do: the lines that were said to it, and all
	// bytes in both directions.
	seen          []string
	heard, spoken bytes.Buffer
	mu            sync.Mutex // of spoken: a test may speak for the card
	gone          chan struct{}
}

// do is the behaviour of a fake card for one line. Every write comes in as a
// piece of its own.
type do func(c *fake, line string)

// say writes pieces to the host. What nobody takes any more is lost.
func (c *fake) say(pieces ...string) {
	for _, p := range pieces {
		n, _ := c.Write([]byte(p))
		c.mu.Lock()
		c.spoken.WriteString(p[:n])
		c.mu.Unlock()
	}
}

// well is the behaviour of a card that does everything right.
func well(c *fake, line string) {
	if answer, ok := reply(line); ok {
		c.say(answer + "\n")
	}
}

// isMark reports whether a line is the question of a resync.
func isMark(line string) bool { return strings.HasPrefix(line, "*ESE ") }

// connect puts a fake card and a Line together inside a bubble. Both are gone
// when the test ends, or the bubble fails it.
func connect(t *testing.T, o Options, on do) (*Line, *fake) {
	t.Helper()
	host, there := net.Pipe()
	c := &fake{Conn: there, gone: make(chan struct{})}
	go func() {
		defer close(c.gone)
		lines := bufio.NewScanner(io.TeeReader(c, &c.heard))
		for lines.Scan() {
			if lines.Text() != "" {
				c.seen = append(c.seen, lines.Text())
				on(c, lines.Text())
			}
		}
	}()
	l := NewLine(host, o)
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		<-c.gone
	})
	return l, c
}

// inStep is connect with the first resync done.
func inStep(t *testing.T, o Options, on do) (*Line, *fake) {
	t.Helper()
	l, c := connect(t, o, on)
	if err := l.Resync(t.Context(), time.Second); err != nil {
		t.Fatal(err)
	}
	return l, c
}

// mustAsk asks a question that is answered with its own words.
func mustAsk(t *testing.T, l *Line, question string) {
	t.Helper()
	if got, err := l.Ask(t.Context(), question, within); err != nil || got != "A:"+question {
		t.Fatalf("%s: %q, %v", question, got, err)
	}
}

// bubble runs a test with a clock of its own.
func bubble(t *testing.T, name string, f func(*testing.T)) {
	t.Run(name, func(t *testing.T) { synctest.Test(t, f) })
}

// markOf is the pair that a resync's question asks for.
func markOf(line string) string {
	answer, _ := reply(line)
	return answer
}

// pairBut is a pair of the same form that differs from the one that is asked
// for in one digit.
func pairBut(line string) string {
	var a, b int
	_, _ = fmt.Sscanf(markOf(line), "%d;%d", &a, &b)
	return fmt.Sprintf("%d;%d", a, b^1)
}
