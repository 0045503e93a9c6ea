// Package live carries rendered page fragments to every open page over
// WebSocket. A topic keeps the newest version of each fragment with the number
// of the change that made it, so a page that was away, or is slow, gets one
// frame with all that changed since the last number it saw: nothing is missed,
// nothing piles up, and a viewer can never hold the publisher back.
package live

import (
	"bytes"
	"encoding/json"
	"maps"
	"runtime"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// Frame is one message to a page. Parts maps an element's id to its new HTML.
type Frame struct {
	Seq   uint64            `json:"seq"`
	Parts map[string]string `json:"parts,omitempty"`
	// Final says that nothing more will come.
	Final bool `json:"final,omitempty"`
	// Reload asks the page to load itself again: its topic is gone.
	Reload bool `json:"reload,omitempty"`
}

type part struct {
	html string
	seq  uint64
}

// Topic is one page's stream of changes. The zero Topic is not ready; see
// NewTopic.
type Topic struct {
	mu    sync.Mutex
	parts map[string]part
	base  uint64 // seq before the first change
	seq   uint64
	final bool
	// wakes are closed at a change, one group of viewers after the other, and then
	// made anew for those who wait for the next; nil: nobody of that group waits.
	wakes [groups]chan struct{}

	latest *websocket.PreparedMessage // the frame that leads from seq-1 to seq
}

// NewTopic makes an empty topic. Its numbers start at the clock's
// microseconds, so that a number from before a restart is always behind.
func NewTopic(now time.Time) *Topic {
	base := uint64(now.UnixMicro())
	return &Topic{parts: map[string]part{}, base: base, seq: base}
}

// groups is into how many groups the viewers of a topic are divided to be woken. As
// many as write at once stand before a stop that somebody asks for meanwhile: of
// thousands that were all woken together it waited for every one.
const groups = 64

// wake wakes viewers one group after the other: whatever else has become due goes on
// between two of them.
func wake(waiting [groups]chan struct{}) {
	for _, group := range waiting {
		if group != nil {
			close(group)
			runtime.Gosched()
		}
	}
}

// Publish replaces the given fragments and wakes every viewer. Fragments equal
// to what is there already are left out; where nothing is left, nothing
// happens. It returns the topic's number.
func (t *Topic) Publish(parts map[string]string) uint64 { return t.publish(parts, false) }

// End publishes the last fragments. Later calls of Publish and End change nothing.
func (t *Topic) End(parts map[string]string) uint64 { return t.publish(parts, true) }

func (t *Topic) publish(parts map[string]string, final bool) uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.final {
		return t.seq
	}
	parts = maps.Clone(parts)
	maps.DeleteFunc(parts, func(id, html string) bool { return t.parts[id].html == html })
	if len(parts) == 0 && !final {
		return t.seq
	}
	t.seq++
	t.final = final
	for id, html := range parts {
		t.parts[id] = part{html, t.seq}
	}
	t.latest = prepare(Frame{Seq: t.seq, Parts: parts, Final: final})
	go wake(t.wakes)
	t.wakes = [groups]chan struct{}{}
	return t.seq
}

// Seq returns the number of the last change.
func (t *Topic) Seq() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.seq
}

// step is the next action of a viewer's writer.
type step struct {
	message *websocket.PreparedMessage // nil: nothing new
	seq     uint64                     // the viewer's number after message
	final   bool                       // nothing comes after message
	wake    <-chan struct{}            // closed when there is more
}

// after returns the next action for a viewer, counted from 0, that has seen
// everything up to since. All viewers that keep up share one encoded message.
func (t *Topic) after(since uint64, viewer int) step {
	t.mu.Lock()
	defer t.mu.Unlock()
	group := &t.wakes[viewer%groups]
	if *group == nil {
		*group = make(chan struct{})
	}
	s := step{seq: t.seq, final: t.final, wake: *group}
	switch {
	case since == t.seq:
	case since == t.seq-1 && t.latest != nil:
		s.message = t.latest
	default: // behind, new, or from another life of the server
		if since > t.seq || since < t.base {
			since = 0
		}
		f := Frame{Seq: t.seq, Parts: map[string]string{}, Final: t.final}
		for id, p := range t.parts {
			if p.seq > since {
				f.Parts[id] = p.html
			}
		}
		s.message = prepare(f)
	}
	return s
}

func prepare(f Frame) *websocket.PreparedMessage {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // six bytes for each < and >, and no page embeds a frame
	if err := e.Encode(f); err != nil {
		panic(err) // strings and numbers always encode
	}
	m, err := websocket.NewPreparedMessage(websocket.TextMessage, bytes.TrimSpace(b.Bytes()))
	if err != nil {
		panic(err) // fails only for a message type that is not text or binary
	}
	return m
}
