package emulator

import (
	"bufio"
	"context"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal"
)

// start is when the counting clocks of these tests begin.
var start = time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)

// straight puts pin n on contact n.
func straight(pins int) bench.PinMap {
	m := bench.PinMap{Device: "part", Bench: "rehearsal", Contacts: map[int]int{}}
	for n := 1; n <= pins; n++ {
		m.Contacts[n] = n
	}
	return m
}

// rehearsed is a rehearsal bench with a load of 1 kΩ, pins 1 and 2 its force
// terminals, on a clock that counts.
func rehearsed(t testing.TB) *rehearsal.Bench {
	t.Helper()
	return rehearsedOn(t, bench.NewCountingClock(start))
}

func rehearsedOn(t testing.TB, clock bench.Clock) *rehearsal.Bench {
	t.Helper()
	b, err := rehearsal.New(rehearsal.Config{
		Definition: rehearsal.DefaultBench(), Clock: clock, Seed: 48,
		Seat: rehearsal.Seat{Model: "check-load", Seed: 1, PinMap: straight(4)},
	})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// newCard makes a card of the default bench. Where the test does not say, its
// watchdog is one that a busy machine does not wake.
func newCard(t testing.TB, cfg Config) *Card {
	t.Helper()
	if cfg.Watchdog == 0 {
		cfg.Watchdog = time.Hour
	}
	if cfg.Definition.Key == "" {
		cfg.Definition = rehearsal.DefaultBench()
	}
	c, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// talker is a host's end of a conversation.
type talker struct {
	t      testing.TB
	stream io.ReadWriteCloser
	lines  *bufio.Reader
}

func (k *talker) tell(message string) {
	k.t.Helper()
	if _, err := io.WriteString(k.stream, message+"\n"); err != nil {
		k.t.Fatalf("telling %q: %v", message, err)
	}
}

func (k *talker) line() string {
	k.t.Helper()
	s, err := k.lines.ReadString('\n')
	if err != nil {
		k.t.Fatalf("waiting for a line: %q, %v", s, err)
	}
	return strings.TrimSuffix(s, "\n")
}

func (k *talker) ask(message string) string {
	k.t.Helper()
	k.tell(message)
	return k.line()
}

// wants asks and compares.
func (k *talker) wants(message, answer string) {
	k.t.Helper()
	if got := k.ask(message); got != answer {
		k.t.Errorf("%s: %q came, not %q", message, got, answer)
	}
}

// does tells and wants no error.
func (k *talker) does(message string) {
	k.t.Helper()
	k.refuses(message, `0,"No error"`)
}

// refuses tells and wants this error.
func (k *talker) refuses(message, want string) {
	k.t.Helper()
	k.tell(message)
	if got := k.ask("SYST:ERR?"); got != want {
		k.t.Errorf("%s: error %s, not %s", message, got, want)
	}
}

// talk serves a card over a pipe in memory until the test ends.
func talk(t testing.TB, c *Card) *talker {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	k, end := talkUntil(t, ctx, c)
	t.Cleanup(func() {
		cancel()
		if err := end(); err != nil {
			t.Errorf("serving ended with %v", err)
		}
	})
	return k
}

// talkUntil serves a card until the context ends or the stream is closed; end
// waits for it.
func talkUntil(t testing.TB, ctx context.Context, c *Card) (k *talker, end func() error) {
	t.Helper()
	host, card := net.Pipe()
	served := make(chan error, 1)
	go func() { served <- c.Serve(ctx, card) }()
	return &talker{t, host, bufio.NewReader(host)}, func() error { return <-served }
}
