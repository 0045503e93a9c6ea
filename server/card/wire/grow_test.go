package wire

import (
	"flag"
	"fmt"
	"runtime"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

var exchanges = flag.Int("exchanges", 20_000, "exchanges of TestLineDoesNotGrow; at most 2000 with -short")

// TestLineDoesNotGrow: exchanges, timeouts and reconnections leave nothing behind. A day at a
// thousand exchanges a second:
//
//	go test ./server/card/wire -run DoesNotGrow -exchanges 86400000 -timeout 2h -v
func TestLineDoesNotGrow(t *testing.T) {
	exchanges := *exchanges
	if testing.Short() {
		exchanges = min(exchanges, 2_000)
	}
	dial := DialerOf(bench.Address{Network: "tcp", Place: answerer(t)})
	log := NewLog(1 << 20)
	part := func(exchanges int) {
		t.Helper()
		stream, err := dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		l := NewLine(stream, Options{Connection: "c", Log: log})
		defer l.Close()
		for i := range exchanges {
			if !l.InStep() {
				if err := l.Resync(t.Context(), 5*time.Second); err != nil {
					t.Fatal(err)
				}
			}
			if i%1000 == 0 { // nobody answers, or too late
				_, _ = l.Ask(t.Context(), "silent", time.Microsecond)
				continue
			}
			q := fmt.Sprintf("Q%d?", i)
			if got, err := l.Ask(t.Context(), q, 5*time.Second); err != nil || got != "A:"+q {
				t.Fatalf("%q, %v", got, err)
			}
		}
	}
	held := func() (bytes uint64, goroutines int) {
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapInuse, runtime.NumGoroutine()
	}
	part(exchanges / 10)
	bytes, goroutines := held()
	for range 9 {
		part(exchanges / 10)
	}
	after, running := held()
	t.Logf("%d exchanges: %d kB and %d goroutines held, before %d kB and %d", exchanges, after/1024, running, bytes/1024, goroutines)
	// One of the card's goroutines may not have noticed yet that its host has
	// gone.
	if after > bytes+512<<10 || running > goroutines+1 {
		t.Error("it has grown")
	}
}
