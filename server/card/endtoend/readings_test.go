package endtoend

import (
	"bufio"
	"context"
	"flag"
	"io"
	"net"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card"
	"ohmkeep/server/card/emulator"
)

// readings is how many readings TestDayOfReadings takes. A day of readings
// of one line cycle each, 50 a second:
//
//	go test ./server/card/endtoend -run DayOfReadings -readings 4320000 -timeout 40m -v
var readings = flag.Int("readings", 20_000, "readings that TestDayOfReadings takes")

// counted counts what goes through a stream, in both directions.
type counted struct {
	io.ReadWriteCloser
	bytes *atomic.Int64
}

func (c counted) Read(p []byte) (int, error) {
	n, err := c.ReadWriteCloser.Read(p)
	c.bytes.Add(int64(n))
	return n, err
}

func (c counted) Write(p []byte) (int, error) {
	n, err := c.ReadWriteCloser.Write(p)
	c.bytes.Add(int64(n))
	return n, err
}

// instantCard is a link to an emulated card on a bench that takes no time,
// made safe, with its one channel on.
func instantCard(t testing.TB, wire string, wrap func(io.ReadWriteCloser) io.ReadWriteCloser) *card.Link {
	t.Helper()
	def := faultBench()
	emulated, err := emulator.New(emulator.Config{Link: &truth{}, Definition: def, Watchdog: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	serving, stop := context.WithCancel(context.Background()) // longer than the test's own
	t.Cleanup(stop)
	address := wires[wire](t, func(s io.ReadWriteCloser) error { return emulated.Serve(serving, wrap(s)) })
	described := emulator.Describe(def, address)
	described.Connections[0].Timeout = 30 // s: a busy machine is no fault of the card
	link, err := card.Open(card.Config{Definition: described})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := link.Disconnect(); err != nil {
			t.Error(err)
		}
	})
	ctx := t.Context()
	for _, do := range []func() error{
		func() error { return link.Settled(ctx) },
		func() error { return link.MakeSafe(ctx) },
		func() error { return link.Close(ctx, []bench.PathID{1, 2}) },
		func() error { return link.Set(ctx, 1, instantSetup(0)) },
		func() error { return link.Output(ctx, 1, true) },
	} {
		if err := do(); err != nil {
			t.Fatal(err)
		}
	}
	return link
}

func instantSetup(level float64) bench.Setup {
	return bench.Setup{Mode: bench.ForceVoltage, Level: level, Compliance: 1e-3}
}

// reading sets a level and reads, as a sweep does at each point.
func reading(t testing.TB, link bench.Link, k int, dst []bench.Sample) []bench.Sample {
	level := 0.001 * float64(1+k%1000)
	if err := link.Set(t.Context(), 1, instantSetup(level)); err != nil {
		t.Fatal(err)
	}
	dst, err := link.Read(t.Context(), []bench.ChannelID{1}, time.Millisecond, dst[:0])
	if err != nil {
		t.Fatal(err)
	}
	if dst[0].V != level {
		t.Fatalf("read %g V at %g V", dst[0].V, level)
	}
	return dst
}

func unwrapped(s io.ReadWriteCloser) io.ReadWriteCloser { return s }

// BenchmarkCardReading is what the host adds to a reading over loopback TCP:
// the level set and confirmed, the reading asked for and checked, and with it
// the emulated card's own time. Beside it, in the same run, a bare echo of as
// many bytes in as many round trips. To reach: 0.3 ms added.
func BenchmarkCardReading(b *testing.B) {
	var bytes atomic.Int64
	link := instantCard(b, "tcp", func(s io.ReadWriteCloser) io.ReadWriteCloser { return counted{s, &bytes} })
	var dst []bench.Sample
	before, n := bytes.Load(), 0
	b.ResetTimer()
	for b.Loop() {
		dst = reading(b, link, n, dst)
		n++
	}
	b.StopTimer()
	each := b.Elapsed() / time.Duration(n)
	size := int((bytes.Load() - before) / int64(n))
	echo := bareEcho(b, n, size)
	b.ReportMetric(float64(each.Nanoseconds())/1e3, "µs/reading")
	b.ReportMetric(float64(echo.Nanoseconds())/1e3, "µs/echo")
	b.ReportMetric(float64((each-echo).Nanoseconds())/1e3, "µs-added/reading")
	b.ReportMetric(float64(size), "bytes/reading")
}

// bareEcho is how long as many bytes take, half there and half back, in two
// round trips a reading (the setting and the reading).
func bareEcho(b *testing.B, n, size int) time.Duration {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err == nil {
			defer c.Close()
			_, _ = io.Copy(c, c)
		}
	}()
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	message, back := make([]byte, max(size/4, 1)), make([]byte, max(size/4, 1))
	r := bufio.NewReader(c)
	start := time.Now()
	for range 2 * n {
		if _, err := c.Write(message); err != nil {
			b.Fatal(err)
		}
		if _, err := io.ReadFull(r, back); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(start) / time.Duration(n)
}

// BenchmarkCardSerial is the part of the readings/s that a line of 115,200
// baud allows: the time that the bytes of a reading take on it, ten bits a
// byte, one direction after the other, by the time that a reading takes. The
// line is a pseudo-terminal whose bytes are given that time. To reach: 0.9.
func BenchmarkCardSerial(b *testing.B) {
	const baud = 115_200
	var bytes atomic.Int64
	link := instantCard(b, "pty", func(s io.ReadWriteCloser) io.ReadWriteCloser {
		return emulator.Paced(counted{s, &bytes}, baud)
	})
	var dst []bench.Sample
	before, n := bytes.Load(), 0
	b.ResetTimer()
	for b.Loop() {
		dst = reading(b, link, n, dst)
		n++
	}
	b.StopTimer()
	line := float64(bytes.Load()-before) * 10 / baud
	b.ReportMetric(line/b.Elapsed().Seconds(), "of-the-line")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(bytes.Load()-before)/float64(n), "bytes/reading")
}

// TestDayOfReadings: readings without end leave nothing behind.
func TestDayOfReadings(t *testing.T) {
	link := instantCard(t, "tcp", unwrapped)
	var dst []bench.Sample
	const warm = 5000 // the log is full and the pools are warm
	for k := range warm {
		dst = reading(t, link, k, dst)
	}
	memory := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	goroutines, heap := runtime.NumGoroutine(), memory()
	asked := link.Health()[0].Exchanges
	for k := range *readings {
		dst = reading(t, link, k, dst)
	}
	grown := int64(memory()) - int64(heap)
	asked = link.Health()[0].Exchanges - asked
	t.Logf("%d readings, %d exchanges: %d bytes of heap and %d goroutines more", *readings, asked, grown, runtime.NumGoroutine()-goroutines)
	if asked < 2*uint64(*readings) {
		t.Errorf("only %d exchanges", asked)
	}
	if grown > 256<<10 {
		t.Errorf("%d bytes of heap more", grown)
	}
	if n := runtime.NumGoroutine(); n > goroutines {
		t.Errorf("%d goroutines, %d before", n, goroutines)
	}
}
