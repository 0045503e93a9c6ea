package card

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
)

// fakeCard is a small card that knows the messages of the protocol as this
// package sends them, and does wrong what it is told to. It is written without
// the codec, so that the two cannot be wrong together.
type fakeCard struct {
	model, serial string
	channels      int
	watchdog      time.Duration

	mu       sync.Mutex
	outs     []fakeOut
	closed   []string
	esr, ese int
	queue    []string
	twists   []*twist
	heard    []string // all messages, in order
	hosts    int
	refuse   bool // no connection can be made
	dogs     int  // times that the watchdog came
	streams  []net.Conn
	livened  time.Time // end of the last command
	wg       sync.WaitGroup
}

type fakeOut struct {
	mode         string
	level        float64
	force, sense float64
	limit        float64
	remote, on   bool
	aperture     float64
}

// twist is one deviation of the fake card, for messages that contain on.
type twist struct {
	on    string
	after int // so many of them go right before
	times int // 0: once
	do    func(f *fakeCard, line string) (out string, handled bool)
}

func newFake() *fakeCard {
	f := &fakeCard{model: "Card", serial: "A1", channels: 2, esr: 128}
	f.reset()
	return f
}

// reset is *RST. f.mu is held, or nobody else there.
func (f *fakeCard) reset() {
	f.outs = make([]fakeOut, f.channels)
	for i := range f.outs {
		f.outs[i].aperture = 0.02
	}
	f.closed = nil
}

func (f *fakeCard) twist(t twist) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if t.times == 0 {
		t.times = 1
	}
	f.twists = append(f.twists, &t)
}

// dial is a way to the card: a pipe, whose ends are bytes in order.
func (f *fakeCard) dial(context.Context) (io.ReadWriteCloser, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.refuse {
		return nil, errors.New("no way to the card")
	}
	host, card := net.Pipe()
	f.hosts++
	f.streams = append(f.streams, card)
	f.wg.Go(func() { f.serve(card) })
	return host, nil
}

// hangUp ends all connections, as a cable does that is pulled.
func (f *fakeCard) hangUp() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, s := range f.streams {
		_ = s.Close()
	}
	f.streams = nil
}

// reboot is a power cut: the outputs are off, and it says so once.
func (f *fakeCard) reboot() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.reset()
	f.esr, f.ese, f.queue = 128, 0, nil
}

// plugged makes connections possible or not.
func (f *fakeCard) plugged(in bool) {
	f.mu.Lock()
	f.refuse = !in
	f.mu.Unlock()
	if !in {
		f.hangUp()
	}
}

func (f *fakeCard) energised() bool {
	return len(f.closed) > 0 || slices.ContainsFunc(f.outs, func(o fakeOut) bool { return o.on })
}

// safe reports whether nothing is on and nothing closed.
func (f *fakeCard) safe() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return !f.energised()
}

func (f *fakeCard) messages() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.heard)
}

// since returns what was heard after the first n messages, without what keeps
// the connection.
func (f *fakeCard) since(n int) []string {
	return slices.DeleteFunc(f.messages()[n:], func(m string) bool {
		return m == "*ESR?" || strings.HasPrefix(m, "*ESE") || m == "SYST:ERR?"
	})
}

func (f *fakeCard) serve(stream net.Conn) {
	defer stream.Close()
	lines := make(chan string, 4096)
	abort := make(chan struct{}, 1)
	var wg sync.WaitGroup
	defer wg.Wait()
	done := make(chan struct{})
	defer close(done)
	wg.Go(func() { listen(stream, lines, abort, done) })
	defer stream.Close() // before wg.Wait
	var dog <-chan time.Time
	if f.watchdog > 0 {
		t := time.NewTicker(f.watchdog / 16)
		defer t.Stop()
		dog = t.C
	}
	for {
		select {
		case line, more := <-lines:
			if !more {
				return
			}
			if strings.HasPrefix(line, "ABOR") {
				select {
				case <-abort:
				default:
				}
			}
			out, ok := f.message(line, abort)
			f.mu.Lock()
			f.livened = time.Now()
			f.mu.Unlock()
			if out != "" && ok {
				if _, err := io.WriteString(stream, out); err != nil {
					return
				}
			}
			if !ok {
				return
			}
		case <-dog:
			f.bite()
		}
	}
}

// listen takes in lines, also while one is carried out, and looks out for what
// ends a reading.
func listen(stream io.Reader, lines chan<- string, abort chan<- struct{}, done <-chan struct{}) {
	defer close(lines)
	r := bufio.NewReader(stream)
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		if line = strings.Trim(line, "\r\n"); line == "" {
			continue
		}
		if strings.HasPrefix(line, "ABOR") {
			select {
			case abort <- struct{}{}:
			default:
			}
		}
		select {
		case lines <- line:
		case <-done:
			return
		}
	}
}

// bite carries out the watchdog's action.
func (f *fakeCard) bite() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.energised() && time.Since(f.livened) > f.watchdog {
		f.dogs++
		f.reset()
		f.fails(-365, "Time out error;watchdog")
	}
}

// fails queues an error. f.mu is held.
func (f *fakeCard) fails(n int, text string) {
	f.queue = append(f.queue, fmt.Sprintf(`%d,"%s"`, n, text))
	f.esr |= map[int]int{1: 32, 2: 16, 3: 8, 4: 4}[-n/100]
}

// message carries out a message and returns what goes back. ok is false where
// the connection is to end.
func (f *fakeCard) message(line string, abort chan struct{}) (out string, ok bool) {
	f.mu.Lock()
	f.heard = append(f.heard, line)
	for _, t := range f.twists {
		if t.times == 0 || !strings.Contains(line, t.on) {
			continue
		}
		if t.after > 0 {
			t.after--
			continue
		}
		t.times--
		do := t.do
		f.mu.Unlock()
		if out, handled := do(f, line); handled {
			return out, out != hangUp
		}
		f.mu.Lock()
		break
	}
	var answers []string
	for unit := range strings.SplitSeq(line, ";") {
		unit = strings.TrimPrefix(strings.TrimSpace(unit), ":")
		answer, wait, err := f.unit(unit)
		if wait > 0 {
			f.mu.Unlock()
			t := time.NewTimer(wait)
			select {
			case <-t.C:
			case <-abort:
				t.Stop()
				return "", true
			}
			f.mu.Lock()
			answer, _, err = f.unit(unit + " now")
		}
		if err != nil {
			f.fails(err.code, err.text)
			break
		}
		if strings.HasSuffix(strings.Fields(unit)[0], "?") {
			answers = append(answers, answer)
		}
	}
	defer f.mu.Unlock()
	if answers == nil {
		return "", true
	}
	return strings.Join(answers, ";") + "\n", true
}

// hangUp as what goes back ends the connection.
const hangUp = "\x04"

type fakeError struct {
	code int
	text string
}

var _ wire.Dialer = (&fakeCard{}).dial

// fakeBench is two channels with a few paths behind as many connections as
// there are cards.
func fakeBench(cards int) bench.Definition {
	d := bench.Definition{Key: "fake", Name: "Fake bench", Contacts: 8, LineHz: 50, SwitchTime: 2e-3}
	path := bench.PathID(1)
	for card := 1; card <= cards; card++ {
		name := fmt.Sprint("card ", card)
		d.Connections = append(d.Connections, bench.Connection{Name: name, Cards: []int{card}, Address: fmt.Sprintf("tcp://127.0.0.1:%d", 5000+card), Timeout: 0.1, Watchdog: 2})
		for n := 1; n <= 2; n++ {
			ch := bench.Channel{ID: bench.ChannelID(2*(card-1) + n), Name: fmt.Sprintf("%d%c", card, 'A'+n-1), Card: card, Number: n, RemoteSense: n == 1}
			for _, fs := range []float64{2, 10} {
				r := bench.Range{FullScale: fs, Step: fs / 32768}
				ch.ForceV, ch.SenseV = append(ch.ForceV, r), append(ch.SenseV, r)
			}
			for _, fs := range []float64{1e-3, 0.1} {
				r := bench.Range{FullScale: fs, Step: fs / 32768}
				ch.ForceI, ch.SenseI = append(ch.ForceI, r), append(ch.SenseI, r)
			}
			d.Channels = append(d.Channels, ch)
			for contact := 1; contact <= 8; contact++ {
				d.Paths = append(d.Paths, bench.Path{ID: path, Channel: ch.ID, Contact: contact, Mux: ch.Name, Address: fmt.Sprintf("%d!%d", n, contact)})
				path++
			}
		}
	}
	return d
}
