package store

import (
	"maps"
	"os"
	"sync"
	"sync/atomic"

	"ohmkeep/server/procedure"
)

// Counters are what the store has done since it was opened.
type Counters struct {
	Commits  int64
	Readings int64                      // stored
	Ended    map[procedure.Status]int64 // runs, by how they ended
}

// counters are kept beside the work: to read them costs the database nothing.
type counters struct {
	commits, readings atomic.Int64

	mu    sync.Mutex
	ended map[procedure.Status]int64
}

func (c *counters) runEnded(s procedure.Status) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ended == nil {
		c.ended = map[procedure.Status]int64{}
	}
	c.ended[s]++
}

// Counters returns what the store has done since it was opened.
func (s *Store) Counters() Counters {
	c := &s.counted
	c.mu.Lock()
	defer c.mu.Unlock()
	return Counters{c.commits.Load(), c.readings.Load(), maps.Clone(c.ended)}
}

// Size is that of the database on the disk with its write-ahead log, bytes.
func (s *Store) Size() (bytes int64) {
	for _, name := range []string{s.path, s.path + "-wal"} {
		if info, err := os.Stat(name); err == nil {
			bytes += info.Size()
		}
	}
	return bytes
}
