package wire

import (
	"bytes"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ohmkeep/server/cardinfo"
)

// A log holds the end of what was said, byte for byte, and the more the
// larger it is.
func TestLogHoldsTheEnd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := NewLog(rapid.IntRange(0, 40<<10).Draw(t, "bytes"))
		said := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 0, 60), 0, 600).Draw(t, "said")
		grow := rapid.IntRange(1, 40).Draw(t, "grow")
		var all []cardinfo.Event // what was said; long ones in their pieces
		for i, b := range said {
			b = slices.Repeat(b, 1+(i%grow)*i%97)
			dir := []cardinfo.Direction{cardinfo.In, cardinfo.Out, cardinfo.Note}[i%3]
			connection := []string{"left", "right"}[i%2]
			log.Add(connection, dir, b)
			for most := len(log.bytes) / 4; len(b) > 0; {
				n := min(most, len(b))
				all = append(all, cardinfo.Event{N: uint64(len(all) + 1), Connection: connection, Dir: dir, Bytes: b[:n]})
				b = b[n:]
			}
		}
		if log.Last() != uint64(len(all)) {
			t.Fatalf("last is %d of %d", log.Last(), len(all))
		}
		got := log.Recent(0, len(all)+1)
		for i := range got {
			if got[i].At.IsZero() || i > 0 && got[i].At.Before(got[i-1].At) {
				t.Fatal("times are not in order")
			}
			got[i].At = time.Time{}
		}
		if d := cmp.Diff(all[len(all)-len(got):], got); d != "" && len(got) > 0 {
			t.Fatal(d)
		}
		bytesKept := 0
		for _, e := range got {
			bytesKept += len(e.Bytes)
		}
		if len(got) < len(all) && len(got) < len(log.events)-1 && bytesKept < len(log.bytes)*3/4 {
			t.Fatalf("keeps %d events with %d bytes of %d", len(got), bytesKept, len(log.bytes))
		}
		// Any part of it.
		after, n := uint64(rapid.IntRange(0, len(all)+5).Draw(t, "after")), rapid.IntRange(-1, len(all)+1).Draw(t, "n")
		part := slices.DeleteFunc(slices.Clone(got), func(e cardinfo.Event) bool { return e.N <= after })
		part = part[max(0, len(part)-max(n, 0)):]
		again := log.Recent(after, n)
		if len(again) != len(part) || len(part) > 0 && (again[0].N != part[0].N || !bytes.Equal(again[0].Bytes, part[0].Bytes)) {
			t.Fatalf("%d events after %d, at most %d: not %d", len(part), after, n, len(again))
		}
	})
}

// The times are those of Add, and what is given does not change afterwards.
func TestLogTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log, buf := NewLog(1<<10), []byte("one")
		start := time.Now()
		log.Add("c", cardinfo.Out, buf)
		copy(buf, "two")
		time.Sleep(1234567 * time.Nanosecond)
		log.Add("c", cardinfo.In, buf)
		got := log.Recent(0, 10)
		for range 10_000 {
			log.Add("c", cardinfo.In, []byte("xxxxxxxx"))
		}
		want := []cardinfo.Event{
			{N: 1, At: start, Connection: "c", Dir: cardinfo.Out, Bytes: []byte("one")},
			{N: 2, At: start.Add(1234567 * time.Nanosecond), Connection: "c", Dir: cardinfo.In, Bytes: []byte("two")},
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Error(d)
		}
	})
}

// Nothing is allocated by Add: the log has all its memory from the start.
func TestLogDoesNotGrow(t *testing.T) {
	log, b := NewLog(1<<20), bytes.Repeat([]byte("x"), 100)
	if n := testing.AllocsPerRun(100_000, func() { log.Add("c", cardinfo.In, b) }); n != 0 {
		t.Errorf("%v allocations for each", n)
	}
	var none *Log
	none.Add("c", cardinfo.In, b)
	if none.Recent(0, 5) != nil || none.Last() != 0 {
		t.Error("no log holds something")
	}
	// About what was asked for: within a quarter.
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	log = NewLog(8 << 20)
	runtime.ReadMemStats(&after)
	if took := after.TotalAlloc - before.TotalAlloc; took > 10<<20 || took < 4<<20 {
		t.Errorf("took %d bytes", took)
	}
	runtime.KeepAlive(log)
}

// A line's log has every byte, in both directions, in the order in which they
// were said, and says when the line fell out of step and why.
func TestLogOfLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := NewLog(1 << 20)
		l, c := inStep(t, Options{Connection: "left", Log: log}, onQ(func(c *fake, _ string) {
			c.say("\x00\xff", "no\r\n\r\nse", "nse")
		}))
		_ = l.Tell(t.Context(), "VOLT 1\nVOLT 2")
		mustAsk(t, l, "first?")
		_, _ = l.Ask(t.Context(), "Q?", within)
		_ = l.Urgent(t.Context(), "ABOR;*RST", time.Second)
		mustAsk(t, l, "last?")
		synctest.Wait()
		said := map[cardinfo.Direction]string{}
		asked := false
		for _, e := range log.Recent(0, 1000) {
			said[e.Dir] += string(e.Bytes)
			asked = asked || strings.HasPrefix(string(e.Bytes), "last?")
			if e.Connection != "left" || strings.Contains(string(e.Bytes), "A:last?") && !asked {
				t.Errorf("%+v", e)
			}
		}
		if out, in := said[cardinfo.Out], said[cardinfo.In]; out != c.heard.String() || in != c.spoken.String() || out == "" || in == "" {
			t.Errorf("out %q\nnot %q\nin  %q\nnot %q", out, c.heard.String(), in, c.spoken.String())
		}
		if notes := said[cardinfo.Note]; notes != "in step"+"out of step: "+ErrGarbled.Error()+"in step" {
			t.Errorf("notes %q", notes)
		}
	})
}

// Many may add and read at once.
func TestLogConcurrent(t *testing.T) {
	log := NewLog(16 << 10)
	var adding sync.WaitGroup
	for range 4 {
		adding.Go(func() {
			for i := range 5000 {
				log.Add("c", cardinfo.In, bytes.Repeat([]byte{byte(i % 200)}, i%200+1))
			}
		})
	}
	stop := make(chan struct{})
	var reading sync.WaitGroup
	reading.Go(func() {
		for last := uint64(0); ; {
			for _, e := range log.Recent(last, 1000) {
				if e.N <= last || bytes.Count(e.Bytes, e.Bytes[:1]) != len(e.Bytes) || len(e.Bytes) != int(e.Bytes[0])+1 {
					t.Errorf("event %d after %d: %q", e.N, last, e.Bytes)
				}
				last = e.N
			}
			select {
			case <-stop:
				return
			default:
			}
		}
	})
	adding.Wait()
	close(stop)
	reading.Wait()
	if log.Last() != 20_000 {
		t.Errorf("%d events", log.Last())
	}
}
