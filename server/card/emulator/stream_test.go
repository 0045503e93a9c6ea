package emulator

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

// listening serves a card over TCP until the test ends, and returns a way to
// connect to it.
func listening(t testing.TB, c *Card, wrap func(net.Listener) net.Listener) func() *talker {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	if wrap != nil {
		l = wrap(l)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Listen(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("listening ended with %v", err)
		}
		if c.State() != bench.Safe {
			t.Error("not safe at the end")
		}
	})
	return func() *talker {
		t.Helper()
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		return &talker{t, conn, bufio.NewReader(conn)}
	}
}

func TestTCP(t *testing.T) {
	c := newCard(t, Config{Link: rehearsed(t), Watchdog: time.Minute})
	dial := listening(t, c, nil)
	k := dial()
	k.wants("*ESR?", "128")
	k.does(upAndOn)
	if fields := strings.Split(k.ask("READ? (@1,2)"), ","); len(fields) != 8 {
		t.Errorf("%q", fields)
	}

	// A second host is turned away without a byte, and the first goes on.
	other := dial()
	if b, err := io.ReadAll(other.stream); len(b) > 0 || err != nil && !errors.Is(err, syscall.ECONNRESET) {
		t.Errorf("the second host got %q, %v", b, err)
	}
	k.wants("OUTP1?", "1")

	// Many messages in one write, one message in many.
	if _, err := io.WriteString(k.stream, "*ESE 1\n*ESE?\r\n\n*ESE 2;*ESE?\nREAD"); err != nil {
		t.Fatal(err)
	}
	if a, b := k.line(), k.line(); a != "1" || b != "2" {
		t.Errorf("%q, %q", a, b)
	}
	k.tell("?") // the rest of READ
	k.line()

	// The next host finds the card as it was left.
	k.tell("*ESE 9")
	_ = k.stream.Close()
	var next *talker
	for { // until the card has noticed that the host before is gone
		next = dial()
		next.tell("*ESE?")
		if s, err := next.lines.ReadString('\n'); err == nil {
			if s != "9\n" {
				t.Errorf("*ESE? %q", s)
			}
			break
		}
	}
	next.wants("OUTP1?;*ESR?", "1;0")
}

// What waits when a host goes is carried out still, as a card on a socket would.
func TestTCPLastWords(t *testing.T) {
	c := newCard(t, Config{Link: rehearsed(t)})
	dial := listening(t, c, nil)
	k := dial()
	k.does(upAndOn)
	k.tell("*RST")
	_ = k.stream.(*net.TCPConn).CloseWrite()
	if b, err := io.ReadAll(k.stream); err != nil || len(b) > 0 {
		t.Errorf("%q, %v", b, err)
	}
	if c.State() != bench.Safe {
		t.Error("*RST was lost")
	}
}

// onTerminal serves a card on a pseudo-terminal until the test ends.
func onTerminal(t testing.TB, c *Card, wrap func(io.ReadWriteCloser) io.ReadWriteCloser) (path string) {
	t.Helper()
	stream, path, err := OpenPTY()
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	if wrap != nil {
		stream = wrap(stream)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Serve(ctx, stream) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil && !errors.Is(err, ErrCut) {
			t.Errorf("serving ended with %v", err)
		}
		if c.State() != bench.Safe {
			t.Error("not safe at the end")
		}
	})
	return path
}

func openTerminal(t testing.TB, path string) *talker {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return &talker{t, f, bufio.NewReader(f)}
}

func TestPTY(t *testing.T) {
	orders := NewOrders(1)
	c := newCard(t, Config{Link: rehearsed(t), Watchdog: time.Minute, Orders: orders})
	path := onTerminal(t, c, nil)
	k := openTerminal(t, path)
	k.wants("*ESR?", "128")
	k.does(upAndOn)
	k.wants("SYST:ERR?;*IDN?", noError+";Ohmkeep,Rehearsal card,rehearsal-48,1")
	// Every byte goes through as it is: control characters are no commands of
	// the terminal, CR and LF are not exchanged, nothing is echoed.
	var all []byte
	for b := range 256 {
		if b != '\n' {
			all = append(all, byte(b))
		}
	}
	if _, err := k.stream.Write(append(all, '\n')); err != nil {
		t.Fatal(err)
	}
	k.wants("SYST:ERR?", `-101,"Invalid character"`)
	k.tell("*ESE 3\r")
	k.wants("*ESE?", "3")
}

// A host that goes leaves the terminal as it is for the next one.
func TestPTYNextHost(t *testing.T) {
	c := newCard(t, Config{Link: rehearsed(t), Watchdog: time.Minute})
	path := onTerminal(t, c, nil)
	k := openTerminal(t, path)
	k.does("*ESE 5")
	if _, err := io.WriteString(k.stream, "half a mess"); err != nil {
		t.Fatal(err)
	}
	_ = k.stream.Close()
	k = openTerminal(t, path)
	k.refuses("", `-113,"Undefined header"`)
	k.wants("*ESE?", "5")
}

// A cut of the connection ends a terminal for good.
func TestPTYCut(t *testing.T) {
	c := newCard(t, Config{Link: rehearsed(t), Watchdog: time.Second, Orders: NewOrders(1, Order{Kind: PowerCut, At: 3})})
	k := openTerminal(t, onTerminal(t, c, nil))
	k.does("*ESE 5")
	k.tell("*IDN?")
	if b, err := io.ReadAll(k.lines); len(b) > 0 || err != nil && !errors.Is(err, syscall.EIO) {
		t.Errorf("%q, %v", b, err)
	}
}

// baud is the rate that is simulated; a byte takes 10 bits of it.
const baud = 115200

// lineTime is what so many bytes take on the line.
func lineTime(bytes int) time.Duration {
	return time.Duration(bytes) * 10 * time.Second / baud
}

// TestPacedStream: bytes take at least the time that they would on the line,
// each way. How little more they take is BenchmarkPacedReadings'.
func TestPacedStream(t *testing.T) {
	host, card := net.Pipe()
	p := Paced(card, baud)
	defer p.Close()
	go func() { // sends back what comes, once it has come
		buf := make([]byte, 4096)
		for {
			n, err := p.Read(buf)
			if err != nil {
				return
			}
			if bytes.IndexByte(buf[:n], '\n') >= 0 {
				if _, err := io.WriteString(p, strings.Repeat("x", 599)+"\n"); err != nil {
					return
				}
			}
		}
	}()
	lines := bufio.NewReader(host)
	message := strings.Repeat("y", 299) + "\n"
	var least time.Duration
	for range 8 {
		began := time.Now()
		if _, err := io.WriteString(host, message); err != nil {
			t.Fatal(err)
		}
		if _, err := lines.ReadString('\n'); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(began); least == 0 || took < least {
			least = took
		}
	}
	want := lineTime(900)
	t.Logf("%v for what takes %v", least, want)
	if least < want {
		t.Errorf("faster than the line: %v, not %v", least, want)
	}
}

// TestPacedIsNotLateTwice: what one wait is late, the next does not wait.
func TestPacedIsNotLateTwice(t *testing.T) {
	d := direction{each: time.Millisecond}
	from := time.Now().Add(-time.Hour) // everything was due long ago
	for n := 1; n <= 3; n++ {
		if err := d.pass(t.Context(), from, 100); err != nil {
			t.Fatal(err)
		}
		if want := from.Add(time.Duration(n) * 100 * time.Millisecond); !d.free.Equal(want) {
			t.Errorf("the line is free %v after it should be", d.free.Sub(want))
		}
	}
}

// Closing a paced stream ends a wait.
func TestPacedClose(t *testing.T) {
	host, card := net.Pipe()
	defer host.Close()
	p := Paced(card, 300)
	failed := make(chan error, 1)
	go func() {
		_, err := p.Write(make([]byte, 1000)) // 33 s
		failed <- err
	}()
	go func() { _, _ = io.Copy(io.Discard, host) }()
	buf := make([]byte, 1)
	go func() { _, _ = p.Read(buf) }()
	_ = p.Close()
	if err := <-failed; err == nil {
		t.Error("it was written to its end")
	}
}

// BenchmarkPacedReadings is how many readings a second a host gets over a
// pseudo-terminal with simulated line time, as a part of what the wire allows.
// It asks for one channel and does nothing but wait for the answer.
func BenchmarkPacedReadings(b *testing.B) {
	c := newCard(b, Config{Link: rehearsed(b), Watchdog: time.Minute})
	k := openTerminal(b, onTerminal(b, c, func(s io.ReadWriteCloser) io.ReadWriteCloser { return Paced(s, baud) }))
	k.does(upAndOn)
	sum := 0
	for b.Loop() {
		const ask = "READ? (@1)"
		sum += len(ask) + 1 + len(k.ask(ask)) + 1
	}
	b.ReportMetric(lineTime(sum).Seconds()/b.Elapsed().Seconds(), "of-the-wire")
}

// BenchmarkTCPReadings is the same over loopback TCP without line time.
func BenchmarkTCPReadings(b *testing.B) {
	k := listening(b, newCard(b, Config{Link: rehearsed(b), Watchdog: time.Minute}), nil)()
	k.does(upAndOn)
	for b.Loop() {
		k.ask("READ? (@1)")
	}
}
