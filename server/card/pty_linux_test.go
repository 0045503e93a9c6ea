package card

import (
	"context"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/cardinfo"
)

// baud is the speed of the simulated line, bits/s; a byte has ten bits.
const baud = 115200

// lineTime is what bytes take that go one way after the other.
func lineTime(bytes int) time.Duration { return time.Duration(bytes) * 10 * time.Second / baud }

// serialLink is a link to a plain card over a pseudo-terminal with the time of
// a line, with its output on.
func serialLink(tb testing.TB) *Link {
	tb.Helper()
	card, path, err := emulator.OpenPTY()
	if err != nil {
		tb.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() { plainCard(emulator.Paced(card, baud)) })
	def := fakeBench(1)
	def.Connections[0].Address = "serial://" + path
	def.Connections[0].Timeout = 10
	l, err := Open(Config{Definition: def})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		_ = l.Disconnect()
		_ = card.Close()
		serving.Wait()
	})
	ctx := context.Background()
	if err := l.Settled(ctx); err != nil {
		tb.Fatal(err)
	}
	if h := l.Health()[0]; h.Condition != cardinfo.Ready {
		tb.Fatalf("%+v", h)
	}
	for _, err := range []error{l.MakeSafe(ctx), l.Set(ctx, 1, volts(levelA)), l.Output(ctx, 1, true)} {
		if err != nil {
			tb.Fatal(err)
		}
	}
	readSerial(tb, l, 0) // it also sets the aperture
	return l
}

// readSerial sets a level and reads, and returns how long it took and how many
// bytes went over the line.
func readSerial(tb testing.TB, l *Link, i int) (took time.Duration, bytes int) {
	tb.Helper()
	after, began := l.traffic.Last(), time.Now()
	if err := l.Set(context.Background(), 1, volts([2]float64{levelA, levelB}[i%2])); err != nil {
		tb.Fatal(err)
	}
	samples, err := l.Read(context.Background(), []bench.ChannelID{1}, aperture, nil)
	if err != nil || len(samples) != 1 || samples[0].V != 0.49998 {
		tb.Fatal(samples, err)
	}
	took = time.Since(began)
	for _, e := range l.Recent(after, 100) {
		if e.Dir != cardinfo.Note {
			bytes += len(e.Bytes)
		}
	}
	return took, bytes
}

// TestSerialLine: readings come over a serial device, and no faster than its
// line carries them.
func TestSerialLine(t *testing.T) {
	l := serialLink(t)
	var took time.Duration
	bytes := 0
	for i := range 10 {
		d, n := readSerial(t, l, i)
		took, bytes = took+d, bytes+n
	}
	if took < lineTime(bytes)*98/100 {
		t.Errorf("%d bytes in %v; the line takes %v", bytes, took, lineTime(bytes))
	}
}

// BenchmarkSerialLine is how much of what the line allows is reached: a level
// set, confirmed, and a reading, whose bytes go one way after the other.
//
//	go test ./server/card -run xxx -bench SerialLine -benchtime 500x
func BenchmarkSerialLine(b *testing.B) {
	l := serialLink(b)
	var took time.Duration
	bytes := 0
	for i := 0; b.Loop(); i++ {
		d, n := readSerial(b, l, i)
		took, bytes = took+d, bytes+n
	}
	b.ReportMetric(float64(b.N)/took.Seconds(), "readings/s")
	b.ReportMetric(float64(b.N)/lineTime(bytes).Seconds(), "allowed/s")
	b.ReportMetric(lineTime(bytes).Seconds()/took.Seconds(), "part")
	b.ReportMetric(0, "ns/op")
}
