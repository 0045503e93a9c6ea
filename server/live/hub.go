package live

import (
	"context"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

const (
	writeWait   = 10 * time.Second // a page that takes longer for one frame is dropped
	stopWait    = 500 * time.Millisecond
	pongWait    = 60 * time.Second
	pingEvery   = 25 * time.Second // well under pongWait
	inboundSize = 512              // pages send nothing but control frames
)

// CloseTakenBack is the code that a socket is closed with when the access that
// it was opened with is taken back: the page must not come back by itself.
const CloseTakenBack = 4401

// Hub holds the topics by name and the sockets that watch them.
type Hub struct {
	log      *slog.Logger
	upgrader websocket.Upgrader

	mu      sync.Mutex
	topics  map[string]*Topic
	watches map[string]*watch          // pages that are drawn while watched
	ending  map[string]<-chan struct{} // loops of pages that nobody watches any more
	closing context.Context            // ends when the hub closes
	close   context.CancelFunc
	closed  bool
	viewers sync.WaitGroup
	watched int // viewers now
	joined  int // viewers ever
}

// NewHub makes a hub. CheckOrigin decides which pages may open a socket; it
// must not be nil, since a WebSocket handshake is a GET that cross-origin
// protection does not cover.
func NewHub(log *slog.Logger, checkOrigin func(*http.Request) bool) *Hub {
	closing, end := context.WithCancel(context.Background())
	return &Hub{
		log:     log,
		topics:  map[string]*Topic{},
		watches: map[string]*watch{},
		ending:  map[string]<-chan struct{}{},
		closing: closing, close: end,
		upgrader: websocket.Upgrader{
			ReadBufferSize: inboundSize, WriteBufferSize: 16 << 10,
			WriteBufferPool: &sync.Pool{}, CheckOrigin: checkOrigin,
		},
	}
}

// Open returns the topic of that name, making it where there is none.
func (h *Hub) Open(name string) *Topic {
	h.mu.Lock()
	defer h.mu.Unlock()
	t := h.topics[name]
	if t == nil {
		t = NewTopic(time.Now())
		h.topics[name] = t
	}
	return t
}

// Drop forgets a topic; pages that watch it keep it until they leave.
func (h *Hub) Drop(name string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.topics, name)
}

func (h *Hub) find(name string) *Topic {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.topics[name]
}

// join counts a viewer in, unless the hub is closing, and returns its number.
func (h *Hub) join() (viewer int, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return 0, false
	}
	h.viewers.Add(1)
	h.watched++
	h.joined++
	return h.joined, true
}

// leave counts a viewer out.
func (h *Hub) leave() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.watched--
	h.viewers.Done()
}

// Viewers is how many pages are connected.
func (h *Hub) Viewers() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.watched
}

// Serve upgrades the request and streams the topic from the number since on.
// It returns when the page leaves, falls behind, the request's context ends (its
// access was taken back), or the hub closes.
func (h *Hub) Serve(w http.ResponseWriter, r *http.Request, name string, since uint64) {
	viewer, ok := h.join()
	if !ok {
		http.Error(w, "the server is stopping", http.StatusServiceUnavailable)
		return
	}
	defer h.leave()
	conn, err := h.upgrader.Upgrade(w, r, nil)
	if err != nil {
		return // Upgrade has answered
	}
	defer conn.Close()
	topic := h.find(name)
	if topic == nil {
		send(conn, prepare(Frame{Seq: since, Reload: true, Final: true}))
		bye(conn, websocket.CloseNormalClosure, "")
		return
	}
	gone := make(chan struct{})
	go func() { defer close(gone); discard(conn) }()
	// A write that hangs must hold up neither the stop nor what ends because its access
	// was taken back. No goroutine waits for either: there may be thousands of viewers.
	hurry := func() { _ = conn.NetConn().SetWriteDeadline(time.Now().Add(stopWait)) }
	defer context.AfterFunc(h.closing, hurry)()
	defer context.AfterFunc(r.Context(), hurry)()
	h.stream(r.Context(), conn, topic, since, viewer, gone)
	conn.Close() // ends discard
	<-gone
}

// stream is the one goroutine that writes to conn.
func (h *Hub) stream(ctx context.Context, conn *websocket.Conn, topic *Topic, since uint64, viewer int, gone <-chan struct{}) {
	ping := time.NewTicker(pingEvery)
	defer ping.Stop()
	for {
		if ctx.Err() != nil {
			bye(conn, CloseTakenBack, "access taken back")
			return
		}
		s := topic.after(since, viewer)
		if s.message != nil {
			if err := send(conn, s.message); err != nil {
				h.log.Debug("viewer dropped", "err", err)
				bye(conn, websocket.CloseTryAgainLater, "fell behind")
				return
			}
			since = s.seq
		}
		if s.final {
			bye(conn, websocket.CloseNormalClosure, "")
			return
		}
		select {
		case <-s.wake:
		case <-ctx.Done(): // said at the head of the loop
		case <-ping.C:
			if conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeWait)) != nil {
				return
			}
		case <-gone:
			return
		case <-h.closing.Done():
			// What was published before the stop, such as how a run ended, still goes out.
			if s := topic.after(since, viewer); s.message != nil {
				_ = send(conn, s.message)
				if s.final {
					bye(conn, websocket.CloseNormalClosure, "")
					return
				}
			}
			bye(conn, websocket.CloseGoingAway, "server stops")
			return
		}
	}
}

func send(conn *websocket.Conn, m *websocket.PreparedMessage) error {
	if err := conn.SetWriteDeadline(time.Now().Add(writeWait)); err != nil {
		return err
	}
	return conn.WritePreparedMessage(m)
}

func bye(conn *websocket.Conn, code int, text string) {
	_ = conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, text), time.Now().Add(time.Second))
}

// discard reads until the page leaves, so that pings are answered and a close
// is noticed.
func discard(conn *websocket.Conn) {
	conn.SetReadLimit(inboundSize)
	_ = conn.SetReadDeadline(time.Now().Add(pongWait))
	conn.SetPongHandler(func(string) error { return conn.SetReadDeadline(time.Now().Add(pongWait)) })
	for {
		if _, _, err := conn.NextReader(); err != nil {
			return
		}
	}
}

// Close tells every page that the server stops and waits until all have been
// told. http.Server.Shutdown does not do this for hijacked connections.
func (h *Hub) Close() {
	h.mu.Lock()
	if !h.closed {
		h.closed = true
		h.close()
	}
	h.mu.Unlock()
	h.viewers.Wait()
}
