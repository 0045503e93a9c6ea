package card

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"io"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

var readings = flag.Int("readings", 20_000, "readings that TestADay takes; at most 2000 with -short")

// What the plain card answers: the level is within a step of both that are set.
const (
	plainReading = "4.9998E-1,4.9998E-4,4,5.0E-1"
	levelA       = 0.5
	levelB       = 0.500001
)

// plainCard answers what a link asks, and does nothing else: what is measured
// with it is the host and the way.
func plainCard(stream io.ReadWriteCloser) {
	defer stream.Close()
	r := bufio.NewReaderSize(stream, 4096)
	w := bufio.NewWriter(stream)
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		var a, b int
		switch line = strings.TrimSpace(line); {
		case line == "*ESR?" || strings.HasPrefix(line, "OUTP") && strings.HasSuffix(line, "?"):
			w.WriteString("0\n")
		case strings.HasPrefix(line, "READ?"):
			w.WriteString(plainReading + "\n")
		case line == "*IDN?":
			w.WriteString("Maker,Card,A1,1.0\n")
		case line == "SYST:ERR?":
			w.WriteString("0,\"No error\"\n")
		case line == "ROUT:CLOS:STAT?":
			w.WriteString("(@)\n")
		default:
			if n, _ := fmt.Sscanf(line, "*ESE %d;*ESE?;*ESE %d;", &a, &b); n == 2 {
				fmt.Fprintf(w, "%d;%d\n", a, b)
			}
		}
		if r.Buffered() == 0 && w.Flush() != nil {
			return
		}
	}
}

// plainLink is a link to a plain card over TCP on the loopback, with its output
// on.
func plainLink(tb testing.TB) (*Link, *plainHost) {
	listener, err := (&net.ListenConfig{}).Listen(tb.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			serving.Go(func() { plainCard(conn) })
		}
	})
	def := fakeBench(1)
	def.Connections[0].Address = "tcp://" + listener.Addr().String()
	def.Connections[0].Timeout = 10
	l, err := Open(Config{Definition: def})
	if err != nil {
		tb.Fatal(err)
	}
	ctx := context.Background()
	tb.Cleanup(func() {
		_ = l.Disconnect()
		_ = listener.Close()
		serving.Wait()
	})
	must := func(err error) {
		tb.Helper()
		if err != nil {
			tb.Fatal(err)
		}
	}
	must(l.Settled(ctx))
	must(l.MakeSafe(ctx))
	must(l.Set(ctx, 1, volts(levelA)))
	must(l.Output(ctx, 1, true))
	stream, err := (&net.Dialer{}).DialContext(ctx, "tcp", listener.Addr().String())
	must(err)
	tb.Cleanup(func() { _ = stream.Close() })
	return l, &plainHost{stream: stream, lines: bufio.NewReader(stream)}
}

// plainHost sends the same bytes as a link, and looks at nothing.
type plainHost struct {
	stream net.Conn
	lines  *bufio.Reader
}

func (h *plainHost) ask(message string) error {
	if _, err := io.WriteString(h.stream, message); err != nil {
		return err
	}
	_, err := h.lines.ReadSlice('\n')
	return err
}

// BenchmarkReading is a level set and a reading taken, by the link and by a
// host that only sends the same bytes and waits for the same answers.
//
//	go test ./server/card -run xxx -bench Reading -benchtime 20000x
func BenchmarkReading(b *testing.B) {
	l, plain := plainLink(b)
	ctx := context.Background()
	levels := [2]string{"5.0E-1", "5.00001E-1"}
	bare := func(i int) error {
		if err := plain.ask("SOUR1:VOLT " + levels[i%2] + "\n*ESR?\n"); err != nil {
			return err
		}
		return plain.ask("READ? (@1)\n")
	}
	var samples []bench.Sample
	linked := func(i int) error {
		if err := l.Set(ctx, 1, volts([2]float64{levelA, levelB}[i%2])); err != nil {
			return err
		}
		var err error
		samples, err = l.Read(ctx, []bench.ChannelID{1}, aperture, samples[:0])
		return err
	}
	// In turns, so that what else the machine does falls on both.
	var took [2]time.Duration
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		for k, f := range []func(int) error{bare, linked} {
			began := time.Now()
			if err := f(i); err != nil {
				b.Fatal(err)
			}
			took[k] += time.Since(began)
		}
	}
	each := func(d time.Duration) float64 { return d.Seconds() * 1e6 / float64(b.N) }
	b.ReportMetric(each(took[0]), "µs/bare")
	b.ReportMetric(each(took[1]), "µs/link")
	b.ReportMetric(each(took[1]-took[0]), "µs/added")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkMakeSafe is the time until a card on the loopback has confirmed that
// it is safe.
//
//	go test ./server/card -run xxx -bench MakeSafe -benchtime 1000x
func BenchmarkMakeSafe(b *testing.B) {
	l, _ := plainLink(b)
	for b.Loop() {
		if err := l.MakeSafe(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
}

// TestADay: as many exchanges as one likes take no memory and leave no
// goroutine behind.
//
//	go test ./server/card -run ADay -v -readings 2000000 -timeout 30m
func TestADay(t *testing.T) {
	n := *readings
	if testing.Short() {
		n = min(n, 2000)
	}
	before := runtime.NumGoroutine()
	l, _ := plainLink(t)
	ctx := t.Context()
	var samples []bench.Sample
	round := func(n int) {
		for i := range n {
			if err := l.Set(ctx, 1, volts([2]float64{levelA, levelB}[i%2])); err != nil {
				t.Fatal(err)
			}
			var err error
			if samples, err = l.Read(ctx, []bench.ChannelID{1}, aperture, samples[:0]); err != nil {
				t.Fatal(err)
			}
		}
	}
	memory := func() float64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return float64(m.HeapInuse+m.StackInuse) / (1 << 20)
	}
	round(n / 10)
	first, began := memory(), runtime.NumGoroutine()
	round(n)
	last := memory()
	t.Logf("%d readings: %.2f MiB after a tenth, %.2f MiB at the end; %d goroutines, then %d", n, first, last, began, runtime.NumGoroutine())
	if last > first+1 {
		t.Errorf("memory grew from %.2f to %.2f MiB", first, last)
	}
	if now := runtime.NumGoroutine(); now > began {
		t.Errorf("%d goroutines became %d", began, now)
	}
	if before > began {
		t.Errorf("%d goroutines before, %d with a link", before, began)
	}
}
