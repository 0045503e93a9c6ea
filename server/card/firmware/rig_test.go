//go:build linux

package firmware

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// rig is a card's program on a pseudo-terminal.
type rig struct {
	t        testing.TB
	path     string
	watchdog time.Duration
	host     *os.File // the host's end
	card     *os.File // held open, so that the line lives on when the program is started again
	process  *exec.Cmd
	lines    chan string // what comes; closed when the line ends, nil where nobody listens
	said     *said
	told     *os.File // where the card tells what testdata/telling_hardware.cpp does
	live     bool     // by what it told last: something is on or closed
}

// said is what a program writes to standard error, with a mark for its "ready".
type said struct {
	mu    sync.Mutex
	text  bytes.Buffer
	ready chan struct{}
}

func (s *said) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before := s.text.Len()
	s.text.Write(b)
	if text := s.text.Bytes(); bytes.Contains(text, []byte("ready\n")) && !bytes.Contains(text[:before], []byte("ready\n")) {
		close(s.ready)
	}
	return len(b), nil
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

// newRig starts a program on a new pseudo-terminal and listens to it. Its
// watchdog is longer than a busy machine holds the test up.
func newRig(t testing.TB, path string) *rig {
	t.Helper()
	return newRigWith(t, path, time.Hour)
}

// newRigWith is newRig with a watchdog of that time.
func newRigWith(t testing.TB, path string, watchdog time.Duration) *rig {
	t.Helper()
	r := openRig(t, path, watchdog)
	r.lines = make(chan string, 1<<12)
	go r.listen()
	r.start()
	return r
}

// openRig makes a pseudo-terminal for a program. At the end the host hangs up,
// and the program must end by itself, without a word.
func openRig(t testing.TB, path string, watchdog time.Duration) *rig {
	t.Helper()
	host, card, err := openPTY()
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, path: path, watchdog: watchdog, host: host, card: card}
	t.Cleanup(func() {
		if r.process != nil && r.lines != nil {
			r.settle() // off already, whatever the watchdog's time is
		}
		r.hangUp()
		_ = card.Close() // nothing is left to be lost
		_ = r.told.Close()
	})
	return r
}

// openPTY is pty.Open with a host's end that can be closed while it is read:
// the library leaves it blocking.
func openPTY() (host, card *os.File, err error) {
	blocking, card, err := pty.Open()
	if err != nil {
		return nil, nil, err
	}
	defer func() { err = errors.Join(err, blocking.Close()) }()
	fd, err := unix.FcntlInt(blocking.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, nil, errors.Join(err, card.Close())
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, nil, errors.Join(err, unix.Close(fd), card.Close())
	}
	return os.NewFile(uintptr(fd), blocking.Name()), card, nil
}

// start starts the program and waits until it listens.
func (r *rig) start() {
	r.t.Helper()
	r.said = &said{ready: make(chan struct{})}
	told, tell, err := os.Pipe()
	if err != nil {
		r.t.Fatal(err)
	}
	if r.told != nil {
		_ = r.told.Close() // of the program that was there before
	}
	r.told, r.live = told, false
	r.process = exec.Command(r.path, r.card.Name())
	r.process.Stderr, r.process.ExtraFiles = r.said, []*os.File{tell}
	r.process.Env = append(os.Environ(), fmt.Sprintf("CARD_WATCHDOG_MS=%d", r.watchdog.Milliseconds()))
	if err := r.process.Start(); err != nil {
		r.t.Fatal(err)
	}
	if err := tell.Close(); err != nil {
		r.t.Fatal(err)
	}
	<-r.said.ready
}

// restart is the power switch.
func (r *rig) restart() {
	r.t.Helper()
	if err := r.process.Process.Kill(); err != nil {
		r.t.Fatal(err)
	}
	_ = r.process.Wait() // killed: its state is no news
	r.start()
}

// hangUp closes the host's end; the program must end in order then.
func (r *rig) hangUp() {
	r.t.Helper()
	if r.process == nil {
		return
	}
	if err := r.host.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		r.t.Error(err)
	}
	err := r.process.Wait()
	r.process = nil
	if text := r.said.String(); err != nil || text != "ready\n" {
		r.t.Errorf("the card ended with %v and said %s", err, text)
	}
}

// send sends bytes as they are.
func (r *rig) send(bytes string) {
	r.t.Helper()
	if _, err := io.WriteString(r.host, bytes); err != nil {
		r.t.Fatalf("%v: %s", err, r.said)
	}
}

// listen takes in lines until the line ends.
func (r *rig) listen() {
	defer close(r.lines)
	for in := bufio.NewReaderSize(r.host, 1<<16); ; {
		text, err := in.ReadString('\n')
		if err != nil {
			return
		}
		r.lines <- strings.TrimSuffix(text, "\n")
	}
}

// line reads one line.
func (r *rig) line() string {
	r.t.Helper()
	text, more := <-r.lines
	if !more {
		r.t.Fatalf("the line has ended: %s", r.said)
	}
	return text
}

// ask sends a message and reads a line.
func (r *rig) ask(message string) string {
	r.t.Helper()
	r.send(message + "\n")
	return r.line()
}

// is asks, and wants exactly this.
func (r *rig) is(message, want string) {
	r.t.Helper()
	if got := r.ask(message); got != want {
		r.t.Errorf("%s → %s, not %s", message, got, want)
	}
}

// quiet wants that nothing has come: what is asked now is answered next.
func (r *rig) quiet() {
	r.t.Helper()
	r.is("*ESE?", "0")
}

// within wants that something takes at least and at most so long. A late answer
// may be the machine's fault: it is tried again until one is in time, however
// often.
func (r *rig) within(least, most time.Duration, f func()) {
	r.t.Helper()
	for {
		start := time.Now()
		f()
		took := time.Since(start)
		if took < least {
			r.t.Fatalf("took %v, less than %v", took, least)
		}
		if took <= most {
			return
		}
	}
}

// off says nothing until the card has switched everything off and opened all by
// itself, and returns how long that took. How soon it must is for TestRandom, in
// simulated time, and for the check of a card.
func (r *rig) off() time.Duration {
	r.t.Helper()
	begun := time.Now()
	for r.live || r.hasTold() {
		var b [1]byte
		if _, err := r.told.Read(b[:]); err != nil {
			r.t.Fatalf("the card has ended: %v: %s", err, r.said)
		}
		r.live = b[0] == '1'
	}
	return time.Since(begun)
}

// hasTold reports whether the card has told something that was not read yet.
func (r *rig) hasTold() bool {
	r.t.Helper()
	conn, err := r.told.SyscallConn()
	if err != nil {
		r.t.Fatal(err)
	}
	n := 0
	if err := conn.Control(func(fd uintptr) {
		n, err = unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 0)
	}); err != nil {
		r.t.Fatal(err)
	}
	return n > 0
}

// silence says nothing until the watchdog has seen to everything; nothing may
// come meanwhile.
func (r *rig) silence() {
	r.t.Helper()
	r.off()
	select {
	case text := <-r.lines:
		r.t.Errorf("%q came unasked", text)
	default:
	}
}

// idle says nothing for longer than the watchdog waits, in real time as the card
// is a process of its own: for what must not happen then. A machine that is slow
// lets less happen.
func (r *rig) idle() {
	over := time.NewTimer(r.watchdog * 5 / 4)
	defer over.Stop()
	<-over.C
}

// settle waits until the card has carried out all that was sent, whatever it
// answered.
func (r *rig) settle() {
	r.t.Helper()
	r.send("\n*RST;SYST:VERS?\n")
	for r.line() != "1999.0" {
	}
}
