package live

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net"
	"net/http"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
)

// room is a hub whose pages are connected by pipes inside a bubble of synctest:
// time is virtual, and nothing is buffered on the way, so that a page that does
// not read holds up whoever writes to it.
type room struct {
	t      *testing.T
	hub    *Hub
	conns  chan net.Conn
	closed chan struct{}
	served atomic.Int64 // calls of Serve that have returned
}

func openRoom(t *testing.T) *room {
	r := &room{t: t, conns: make(chan net.Conn), closed: make(chan struct{}),
		hub: NewHub(slog.New(slog.DiscardHandler), func(*http.Request) bool { return true })}
	server := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, rq *http.Request) {
		since, _ := strconv.ParseUint(rq.URL.Query().Get("since"), 10, 64)
		r.hub.Serve(w, rq, "run", since)
		r.served.Add(1)
	})}
	go func() { _ = server.Serve(r) }()
	t.Cleanup(func() { r.hub.Close(); _ = server.Close() })
	return r
}

// Accept, Close and Addr implement net.Listener.
func (r *room) Accept() (net.Conn, error) {
	select {
	case c := <-r.conns:
		return c, nil
	case <-r.closed:
		return nil, io.EOF
	}
}
func (r *room) Close() error   { close(r.closed); return nil }
func (r *room) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "unix"} }

// dial opens a page that has seen everything up to since.
func (r *room) dial(since uint64) (*websocket.Conn, error) {
	d := websocket.Dialer{NetDialContext: func(context.Context, string, string) (net.Conn, error) {
		mine, its := net.Pipe()
		r.conns <- its
		return mine, nil
	}}
	c, _, err := d.Dial(fmt.Sprintf("ws://room/?since=%d", since), nil)
	if err == nil {
		r.t.Cleanup(func() { c.Close() })
	}
	return c, err
}

// page opens a page that has seen nothing.
func (r *room) page() *websocket.Conn {
	c, err := r.dial(0)
	if err != nil {
		r.t.Fatal(err)
	}
	return c
}

// read reads frames, answering pings, until the stream ends.
func read(c *websocket.Conn, each func(Frame)) error {
	for {
		var f Frame
		if err := c.ReadJSON(&f); err != nil {
			return err
		}
		each(f)
	}
}

// A page that answers pings stays, however long nothing happens, and still gets
// what comes then; one that reads and does not answer is dropped.
func TestOnlyPagesThatAnswerStay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t)
		topic := r.hub.Open("run")
		topic.Publish(map[string]string{"a": "1"})
		var last atomic.Value
		alive := r.page()
		go func() { _ = read(alive, func(f Frame) { last.Store(f.Parts["a"]) }) }()
		mute := r.page()
		mute.SetPingHandler(func(string) error { return nil })
		go func() { _ = read(mute, func(Frame) {}) }()
		time.Sleep(pongWait - time.Second)
		synctest.Wait()
		if n := r.served.Load(); n != 0 {
			t.Fatalf("%d pages were dropped early", n)
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if n := r.served.Load(); n != 1 {
			t.Fatalf("%d pages were dropped, want the mute one", n)
		}
		time.Sleep(24 * time.Hour)
		topic.Publish(map[string]string{"a": "2"})
		synctest.Wait()
		if r.served.Load() != 1 || last.Load() != "2" {
			t.Errorf("after a day: %d dropped, the page shows %v", r.served.Load(), last.Load())
		}
	})
}

// A page that takes nothing is dropped when the time of a frame is over, and
// until then neither the publisher nor another page waits for it.
func TestStuckPageIsDroppedAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t)
		topic := r.hub.Open("run")
		r.page() // never reads
		var seen atomic.Uint64
		good := r.page()
		go func() { _ = read(good, func(f Frame) { seen.Store(f.Seq) }) }()
		synctest.Wait()
		begun := time.Now()
		for i := range 100 {
			seq := topic.Publish(map[string]string{"a": strconv.Itoa(i)})
			synctest.Wait()
			if seen.Load() != seq {
				t.Fatalf("publication %d has not arrived", i)
			}
		}
		if took := time.Since(begun); took != 0 {
			t.Fatalf("publishing waited %v", took)
		}
		time.Sleep(writeWait - time.Millisecond)
		synctest.Wait()
		if r.served.Load() != 0 {
			t.Fatal("dropped early")
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if n := r.served.Load(); n != 1 {
			t.Errorf("%d pages were dropped, want 1", n)
		}
	})
}

// The stop of the server waits for a page that takes nothing half a second, and
// tells all others at once.
func TestStopDoesNotWaitForAStuckPage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t)
		r.hub.Open("run").Publish(map[string]string{"a": "1"})
		r.page() // never reads, and so is in the middle of its first frame
		good := r.page()
		told := make(chan error, 1)
		var at time.Time
		go func() {
			err := read(good, func(Frame) {})
			at = time.Now()
			told <- err
		}()
		synctest.Wait()
		begun := time.Now()
		r.hub.Close()
		if took := time.Since(begun); took > stopWait+time.Second {
			t.Errorf("the stop took %v", took)
		}
		if err := <-told; !websocket.IsCloseError(err, websocket.CloseGoingAway) {
			t.Errorf("the good page was told %v", err)
		}
		if late := at.Sub(begun); late != 0 {
			t.Errorf("the good page was told after %v", late)
		}
		if _, err := r.dial(0); err == nil {
			t.Error("a page was let in after the stop")
		}
	})
}

// Pages that come, go, and come back with the number they saw last, at any
// moment of a topic's life, all end with the same, and no frame repeats or
// leaves out a number that it claims.
func TestPagesThatComeAndGoMissNothing(t *testing.T) {
	for seed := range uint64(60) {
		synctest.Test(t, func(t *testing.T) {
			random := rand.New(rand.NewPCG(seed, 1))
			r := openRoom(t)
			topic := r.hub.Open("run")
			pause := func(r *rand.Rand) { time.Sleep(time.Duration(r.IntN(50)) * time.Millisecond) }
			var pages sync.WaitGroup
			got := make([]map[string]string, 8)
			for i := range got {
				got[i] = map[string]string{}
				mine := rand.New(rand.NewPCG(seed, uint64(i+2)))
				pages.Go(func() {
					since, final := uint64(0), false
					for !final {
						pause(mine)
						c, err := r.dial(since)
						if err != nil {
							t.Errorf("seed %d, page %d: %v", seed, i, err)
							return
						}
						for stay := 1 + mine.IntN(5); stay > 0 && !final; stay-- {
							var f Frame
							if err := c.ReadJSON(&f); err != nil {
								t.Errorf("seed %d, page %d: %v", seed, i, err)
								return
							}
							if f.Seq < since || f.Seq == since && !f.Final {
								t.Errorf("seed %d, page %d: number %d after %d", seed, i, f.Seq, since)
							}
							maps.Copy(got[i], f.Parts)
							since, final = f.Seq, f.Final
							pause(mine)
						}
						c.Close()
					}
				})
			}
			want := map[string]string{}
			for n := range 40 {
				parts := map[string]string{}
				for range random.IntN(4) {
					parts["p"+strconv.Itoa(random.IntN(6))] = strconv.Itoa(random.IntN(n + 1))
				}
				maps.Copy(want, parts)
				topic.Publish(parts)
				pause(random)
			}
			want["end"] = "end"
			topic.End(map[string]string{"end": "end"})
			pages.Wait()
			for i := range got {
				if !maps.Equal(got[i], want) {
					t.Errorf("seed %d: page %d ends with %v, want %v", seed, i, got[i], want)
				}
			}
		})
	}
}
