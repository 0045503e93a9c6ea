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
	allowed := func(bytes int) time.Duration { return time.Duration(bytes) * 10 * time.Second / baud }
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
	took, best := time.Duration(0), 0.0
	bytes := 0
	const block = 10
	var blockTook time.Duration
	for i := range n + 1 {
		after := l.traffic.Last()
		began := time.Now()
		must(l.Set(ctx, 1, volts([2]float64{levelB, levelA}[i%2])))
		samples, err = l.Read(ctx, []bench.ChannelID{1}, aperture, samples[:0])
		must(err)
		if i == 0 {
			continue // the aperture is set as well
		}
		one := time.Since(began)
		took, blockTook = took+one, blockTook+one
		for _, e := range l.Recent(after, 100) {
			bytes += len(e.Bytes)
		}
		if i%block == 0 {
			best = max(best, allowed(bytes*block/i).Seconds()/blockTook.Seconds())
			blockTook = 0
		}
	}
	line := allowed(bytes)
	part := line.Seconds() / took.Seconds()
	t.Logf("%d readings of %d bytes in %v: %.0f/s, the line allows %.0f/s: %.3f; the best %d of them %.3f", n, bytes/n, took.Round(time.Millisecond),
		float64(n)/took.Seconds(), float64(n)/line.Seconds(), part, block, best)
	// What else the machine does counts as well: only a link that waits where it
	// need not falls so far behind in every block, and none is faster than its line.
	if best < 0.5 || part > 1.01 {
		t.Errorf("%.3f of what the line allows, at best %.3f", part, best)
	}
}
