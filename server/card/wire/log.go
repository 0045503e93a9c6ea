package wire

import (
	"sync"
	"time"

	"ohmkeep/server/cardinfo"
)

const (
	leastLog = 8 << 10 // bytes; below it a log would hold hardly a dozen exchanges
	// perEvent is the memory of an event beside its bytes, in bytes. With it
	// half of a log is for events and half for what was said: a message of the
	// protocol has about as many bytes.
	perEvent = 64
)

// Log is a ring of the newest traffic on the connections of a bench, byte for
// byte. It takes all its memory when it is made and never more. A nil Log
// keeps nothing. It is safe for concurrent use.
type Log struct {
	mu     sync.Mutex
	events []entry // ring: event n is at n % len
	bytes  []byte  // ring: the byte at position p is at p % len
	oldest uint64  // number of the oldest event that is kept; last+1 where none is
	last   uint64  // number of the newest; 0 before the first
	end    uint64  // position after the newest byte
}

// entry is an event without its bytes.
type entry struct {
	at         time.Time
	connection string
	dir        cardinfo.Direction
	from       uint64 // position of its first byte
	size       int
}

// NewLog makes a log that takes about maxBytes of memory, 8 KiB at the least.
func NewLog(maxBytes int) *Log {
	maxBytes = max(maxBytes, leastLog)
	return &Log{
		events: make([]entry, maxBytes/2/perEvent),
		bytes:  make([]byte, maxBytes/2),
		oldest: 1,
	}
}

// Add keeps a copy of b as an event of now. What is longer than an eighth of
// the log becomes several events.
func (l *Log) Add(connection string, dir cardinfo.Direction, b []byte) {
	if l == nil || len(b) == 0 {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	at := time.Now() // within the lock, so that times and numbers have one order
	for most := len(l.bytes) / 4; len(b) > most; b = b[most:] {
		l.add(at, connection, dir, b[:most])
	}
	l.add(at, connection, dir, b)
}

func (l *Log) add(at time.Time, connection string, dir cardinfo.Direction, b []byte) {
	l.last++
	if l.last-l.oldest >= uint64(len(l.events)) {
		l.oldest++
	}
	l.events[l.last%uint64(len(l.events))] = entry{at, connection, dir, l.end, len(b)}
	n := copy(l.bytes[l.end%uint64(len(l.bytes)):], b)
	copy(l.bytes, b[n:])
	l.end += uint64(len(b))
	for l.end-l.events[l.oldest%uint64(len(l.events))].from > uint64(len(l.bytes)) {
		l.oldest++
	}
}

// Recent returns the events after the one with that number, oldest first, at
// most the newest n. What the log holds no more is left out.
func (l *Log) Recent(after uint64, n int) []cardinfo.Event {
	if l == nil || n <= 0 {
		return nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	first := max(after+1, l.oldest)
	if kept := l.last + 1; first < kept && kept-first > uint64(n) {
		first = kept - uint64(n)
	}
	if first > l.last {
		return nil
	}
	out := make([]cardinfo.Event, 0, l.last-first+1)
	said := make([]byte, 0, l.end-l.events[first%uint64(len(l.events))].from)
	for i := first; i <= l.last; i++ {
		e := l.events[i%uint64(len(l.events))]
		start := len(said)
		at := e.from % uint64(len(l.bytes))
		head := min(uint64(e.size), uint64(len(l.bytes))-at)
		said = append(said, l.bytes[at:at+head]...)
		said = append(said, l.bytes[:uint64(e.size)-head]...)
		out = append(out, cardinfo.Event{N: i, At: e.at, Connection: e.connection, Dir: e.dir,
			Bytes: said[start:len(said):len(said)]})
	}
	return out
}

// Last is the number of the newest event, 0 before the first.
func (l *Log) Last() uint64 {
	if l == nil {
		return 0
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last
}
