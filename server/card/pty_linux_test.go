package card

import (
	"context"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/talk"
)

// TestSerialLine: the link over a pseudo-terminal with the time of a line at
// 115,200 bits/s takes readings nearly as fast as the bytes go. Bytes here are
// those of a level set, confirmed, and a reading, which go one way after the
// other.
//
//	go test ./server/card -run SerialLine -v
func TestSerialLine(t *testing.T) {
	const baud = 115200
	card, path, err := emulator.OpenPTY()
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() { plainCard(emulator.Paced(card, baud)) })
	def := fakeBench(1)
	def.Connections[0].Address = "serial://" + path
	def.Connections[0].Timeout = 5
	l, err := Open(Config{Definition: def})
	if err != nil {
		t.Fatal(err)
	}
	defer serving.Wait()
	defer card.Close()
	defer l.Disconnect()
	ctx := context.Background()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(l.Settled(ctx))
	if h := l.Health()[0]; h.Condition != talk.Ready {
		t.Fatalf("%+v", h)
	}
	must(l.MakeSafe(ctx))
	must(l.Set(ctx, 1, volts(levelA)))
	must(l.Output(ctx, 1, true))
	var samples []bench.Sample
	n := 100
	if testing.Short() {
		n = 10
	}
	took := time.Duration(0)
	bytes := 0
	for i := range n + 1 {
		after := l.traffic.Last()
		began := time.Now()
		must(l.Set(ctx, 1, volts([2]float64{levelB, levelA}[i%2])))
		samples, err = l.Read(ctx, []bench.ChannelID{1}, aperture, samples[:0])
		must(err)
		if i == 0 {
			continue // the aperture is set as well
		}
		took += time.Since(began)
		for _, e := range l.Recent(after, 100) {
			bytes += len(e.Bytes)
		}
	}
	line := time.Duration(bytes) * 10 * time.Second / baud
	part := line.Seconds() / took.Seconds()
	t.Logf("%d readings of %d bytes in %v: %.0f/s, the line allows %.0f/s: %.3f", n, bytes/n, took.Round(time.Millisecond),
		float64(n)/took.Seconds(), float64(n)/line.Seconds(), part)
	if part < 0.6 || part > 1.01 { // 0.9 on a machine that does nothing else
		t.Errorf("%.3f of what the line allows", part)
	}
}
