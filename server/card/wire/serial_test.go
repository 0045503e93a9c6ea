//go:build linux

package wire

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"go.bug.st/serial"

	"ohmkeep/server/bench"
)

// terminal is a pseudo-terminal: the card's end, and the address that a host
// dials.
func terminal(t testing.TB) (card *os.File, at bench.Address) {
	t.Helper()
	card, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { card.Close(); tty.Close() })
	at, err = bench.ParseAddress("serial://" + tty.Name() + "?baud=115200")
	if err != nil {
		t.Fatal(err)
	}
	return card, at
}

func dialed(t testing.TB, at bench.Address) io.ReadWriteCloser {
	t.Helper()
	stream, err := DialerOf(at)(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stream.Close() })
	return stream
}

// serve answers on the card's end as a good card does.
func serve(card *os.File) {
	lines := bufio.NewScanner(card)
	for lines.Scan() {
		if answer, ok := reply(lines.Text()); ok {
			_, _ = io.WriteString(card, answer+"\r\n")
		}
	}
}

func TestAskOverSerial(t *testing.T) {
	card, at := terminal(t)
	// What came before the device was opened is not for us.
	_, _ = io.WriteString(card, "old\nolder")
	log := NewLog(1 << 20)
	l := NewLine(dialed(t, at), Options{Connection: "s", Log: log})
	go serve(card)
	if err := l.Resync(t.Context(), 5*time.Second); err != nil {
		t.Fatal(err)
	}
	const long = 900 // bytes, of a message that is as long as the protocol lets it be
	for range 200 {
		if err := l.Tell(t.Context(), "VOLT 1"); err != nil {
			t.Fatal(err)
		}
		q := strings.Repeat("Q", long) + "?"
		if got, err := l.Ask(t.Context(), q, 5*time.Second); err != nil || got != "A:"+q {
			t.Fatalf("%q, %v", got, err)
		}
	}
	if err := l.Urgent(t.Context(), "ABOR;*RST", 5*time.Second); err != nil {
		t.Fatal(err)
	}
	if n, late, bad := l.Counts(); n != 200 || late != 0 || bad != 0 {
		t.Errorf("%d answers, %d late, %d garbled", n, late, bad)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for _, e := range log.Recent(0, 1e6) {
		if bytes.Contains(e.Bytes, []byte("old")) {
			t.Errorf("what came before was read: %q", e.Bytes)
		}
	}
}

// Whatever a line is set to reaches the library. (A pseudo-terminal has no
// parity, so that this is as far as it can be seen without a cable.)
func TestSerialSettings(t *testing.T) {
	for text, want := range map[string]serial.Mode{
		"serial:///dev/x": {BaudRate: 115200, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit},
		"serial:///dev/x?baud=9600&data=7&parity=even&stop=2": {BaudRate: 9600, DataBits: 7, Parity: serial.EvenParity, StopBits: serial.TwoStopBits},
		"serial:///dev/x?parity=odd":                          {BaudRate: 115200, DataBits: 8, Parity: serial.OddParity, StopBits: serial.OneStopBit},
	} {
		a, err := bench.ParseAddress(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := *modeOf(a); got != want {
			t.Errorf("%s: %+v", text, got)
		}
	}
}

// A device is open for one only, until it is closed.
func TestSerialIsExclusive(t *testing.T) {
	_, at := terminal(t)
	first := dialed(t, at)
	if _, err := DialerOf(at)(t.Context()); !errors.Is(err, errBusy) && !errors.Is(err, syscall.EBUSY) {
		t.Fatalf("the second: %v", err)
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	if err := dialed(t, at).Close(); err != nil {
		t.Fatal(err)
	}
}

func TestSerialErrors(t *testing.T) {
	file := t.TempDir() + "/file"
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for place, want := range map[string]string{
		"/dev/there-is-no-such-device": "no such file",
		file:                           "term settings",
	} {
		_, err := DialerOf(bench.Address{Network: "serial", Place: place, Baud: 9600, Data: 8, Stop: 1})(t.Context())
		if err == nil || !strings.Contains(err.Error(), place) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", place, err)
		}
		// A device that could not be opened is not kept locked.
		if place == file {
			lock, err := claim(file)
			if err != nil {
				t.Fatal(err)
			}
			lock.Close()
		}
	}
	if _, err := DialerOf(bench.Address{Network: "usb"})(t.Context()); err == nil {
		t.Error("an unknown network")
	}
}

// Close ends a Read that waits.
func TestSerialCloseEndsRead(t *testing.T) {
	_, at := terminal(t)
	stream := dialed(t, at)
	read := make(chan error, 1)
	go func() {
		_, err := stream.Read(make([]byte, 10))
		read <- err
	}()
	if err := stream.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-read; err == nil {
		t.Error("read something")
	}
	if _, err := stream.Write([]byte("x")); !errors.Is(err, os.ErrClosed) {
		t.Errorf("write after Close: %v", err)
	}
}

// A card that takes nothing blocks a Write when the system's buffers are full:
// the line ends, and nobody waits for ever.
func TestSerialStuck(t *testing.T) {
	_, at := terminal(t)
	l := NewLine(dialed(t, at), Options{Timeout: 100 * time.Millisecond})
	l.mu.Lock()
	l.step = nil
	l.mu.Unlock()
	message := strings.Repeat("x", 1000)
	for l.Tell(t.Context(), message) == nil {
	}
	if err := l.Err(); !errors.Is(err, ErrTimeout) || !errors.Is(err, ErrClosed) {
		t.Error(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	// It can be opened again.
	if err := dialed(t, at).Close(); err != nil {
		t.Fatal(err)
	}
}

// The card is unplugged.
func TestSerialUnplugged(t *testing.T) {
	card, at := terminal(t)
	l := NewLine(dialed(t, at), Options{})
	asked := make(chan error, 1)
	go func() { asked <- l.Resync(t.Context(), time.Minute) }()
	if _, err := bufio.NewReader(card).ReadString('\n'); err != nil {
		t.Fatal(err)
	}
	card.Close()
	if err := <-asked; !errors.Is(err, ErrClosed) {
		t.Fatal(err)
	}
	<-l.Done()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
}
