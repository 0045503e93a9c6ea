package wire

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

// answerer is a card over TCP that answers *ESE? as a card does and every
// other question with its own words.
func answerer(t testing.TB) string {
	t.Helper()
	at, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { at.Close() })
	go func() {
		for {
			c, err := at.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				lines := bufio.NewScanner(c)
				for lines.Scan() {
					if answer, ok := reply(lines.Text()); ok {
						if _, err := c.Write([]byte(answer + "\n")); err != nil {
							return
						}
					}
				}
			}()
		}
	}()
	return at.Addr().String()
}

// reply returns the answer of a card: the marks of a resync, and of any other
// question the question.
func reply(message string) (string, bool) {
	var a, b int
	if n, _ := fmt.Sscanf(message, "*ESE %d;*ESE?;*ESE %d;*ESE?;*ESE 0", &a, &b); n == 2 {
		return fmt.Sprintf("%d;%d", a, b), true
	}
	return "A:" + message, strings.HasSuffix(message, "?")
}

func TestAskOverTCP(t *testing.T) {
	dial := DialerOf(bench.Address{Network: "tcp", Place: answerer(t)})
	stream, err := dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	log := NewLog(1 << 20)
	l := NewLine(stream, Options{Connection: "c", Log: log})
	if _, err := l.Ask(t.Context(), "*IDN?", time.Second); !errors.Is(err, ErrOutOfStep) {
		t.Fatalf("before the first resync: %v", err)
	}
	if err := l.Resync(t.Context(), time.Second); err != nil {
		t.Fatal(err)
	}
	for i := range 100 {
		if err := l.Tell(t.Context(), "VOLT 1"); err != nil {
			t.Fatal(err)
		}
		q := fmt.Sprintf("Q%d?", i)
		if got, err := l.Ask(t.Context(), q, time.Second); err != nil || got != "A:"+q {
			t.Fatalf("%q, %v", got, err)
		}
	}
	if err := l.Urgent(context.Background(), "ABOR;*RST", time.Second); err != nil {
		t.Fatal(err)
	}
	lines, err := l.Gather(t.Context(), "A?\nB?", 50*time.Millisecond)
	if err != nil || strings.Join(lines, " ") != "A:A? A:B?" {
		t.Fatalf("%q, %v", lines, err)
	}
	if n, late, bad := l.Counts(); n != 100 || late != 0 || bad != 0 {
		t.Errorf("%d answers, %d late, %d garbled", n, late, bad)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	<-l.Done()
	if _, err := l.Ask(t.Context(), "*IDN?", time.Second); !errors.Is(err, ErrClosed) || !errors.Is(l.Err(), ErrClosed) {
		t.Fatalf("after the end: %v, %v", err, l.Err())
	}
}
