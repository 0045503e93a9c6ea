package health

import (
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"
	"runtime/debug"
	"runtime/metrics"
	"strconv"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/server/quantity"
)

// Memory is how much memory the program may still take before the system ends it.
type Memory struct {
	Limit uint64 // bytes; 0: this system does not tell
	Left  uint64 // of it, bytes; what the program would give back when asked counts as left
	Of    string // what sets the limit, for a sentence
	loose uint64 // of what is left: what the program holds and gives back when asked, bytes
}

// The bounds of the reserve: an eighth of the limit, within these. A report takes
// some megabytes between two looks, and a run at work needs little.
const (
	reserveLeast, reserveMost = 16 << 20, 128 << 20 // bytes
	reservePart               = 8
)

// Reserve is what is kept for the run at work, its pages and stop: what takes much
// memory is refused when less is left.
func (m *Memory) Reserve() uint64 {
	return min(max(m.Limit/reservePart, reserveLeast), reserveMost)
}

// level is how much it matters that no more is left.
func (m *Memory) level() Level {
	switch {
	case m.Limit == 0 || m.Left >= 2*m.Reserve():
		return Good
	case m.Left >= m.Reserve():
		return Attention
	}
	return Trouble
}

// scarcer reports whether less is left than by another limit, each in units of its
// own reserve.
func (m *Memory) scarcer(than *Memory) bool {
	if m.Limit == 0 || than.Limit == 0 {
		return than.Limit == 0
	}
	return float64(m.Left)/float64(m.Reserve()) < float64(than.Left)/float64(than.Reserve())
}

func (s *Sample) memory() Fact {
	m := &s.Memory
	f := Fact{Key: "memory", Title: "Memory", Level: m.level(), Words: "How much is left is not known: this system does not tell."}
	if m.Limit > 0 {
		f.Words = fmt.Sprintf("%s left of %s, the limit of %s.", quantity.Bytes(float64(m.Left)), quantity.Bytes(float64(m.Limit)), m.Of)
	}
	const remedy = "Let reports end, close pages that nobody looks at, or give the program more memory."
	switch f.Level {
	case Trouble:
		f.Words += " Reports, exports, imports, checks and backups are refused until there is more; a run at work, stop and make safe go on."
		f.Remedy = remedy + " Where none is left, the system ends the program and the run with it."
	case Attention:
		f.Remedy = remedy
	}
	return f
}

const (
	gaugeEvery = 20 * time.Millisecond // for which a look at the memory holds
	freeEvery  = 5 * time.Second       // between two times that garbage is given back
)

// Gauge looks at the memory, and refuses what takes much of it while there is
// little. Safe for concurrent use.
type Gauge struct {
	look func() Memory

	mu    sync.Mutex
	at    time.Time
	last  Memory
	freed time.Time // when garbage was given back
}

// NewGauge makes a gauge that looks by a function, such as MemoryLeft.
func NewGauge(look func() Memory) *Gauge { return &Gauge{look: look} }

// Now is the memory now. Where the system is short of what the program only has not
// given back, it is given back.
func (g *Gauge) Now() Memory {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := time.Now()
	if !g.at.IsZero() && now.Sub(g.at) < gaugeEvery {
		return g.last
	}
	g.last, g.at = g.look(), now
	m := &g.last
	if m.loose > m.Reserve()/4 && less(m.Left, m.loose) < 2*m.Reserve() && now.Sub(g.freed) >= freeEvery {
		g.freed = now
		go debug.FreeOSMemory()
	}
	return g.last
}

// Refuse is why work that takes much memory may not begin, or, where it is going
// on, not go on: that ends when half of the reserve is gone as well. It is nil
// where there is enough.
func (g *Gauge) Refuse(goingOn bool) error {
	m := g.Now()
	least := m.Reserve()
	if goingOn {
		least /= 2
	}
	if m.Limit == 0 || m.Left >= least {
		return nil
	}
	return problem.New(problem.Unavailable, fmt.Sprintf("The server is short of memory: %s left of %s. Reports, exports, imports, checks and backups have to wait until there is more; a run at work goes on. Try again in a little while.",
		quantity.Bytes(float64(m.Left)), quantity.Bytes(float64(m.Limit))))
}

// MemoryLeft finds out how much memory is left by the limit that is the nearest: the
// one that was given to the Go runtime (GOMEMLIMIT), those of the control groups
// that the process is in, the one of its address space, and what is free on this
// machine.
func MemoryLeft() Memory {
	held, garbage := goMemory()
	nearest := Memory{}
	if limit := debug.SetMemoryLimit(-1); limit < math.MaxInt64 && os.Getenv("GOMEMLIMIT") != "" {
		nearest = Memory{Limit: uint64(limit), Left: less(uint64(limit), held), Of: "GOMEMLIMIT"}
	}
	for _, m := range append(systemMemory(os.DirFS("/")), addressSpace()) {
		m.Left, m.loose = min(m.Left+garbage, m.Limit), garbage
		if m.scarcer(&nearest) {
			nearest = m
		}
	}
	return nearest
}

// softPart is the part of a limit up to which the Go runtime lets garbage gather.
const softPart = 0.8

// garbageAllowed is how much garbage may gather beside what is in use, in percent of
// it: with thousands of connections open as much again, the runtime's own default,
// is more than everything else.
const garbageAllowed = 50

// Within has the Go runtime collect its garbage in time: where half as much as is in
// use has gathered, unless GOGC says otherwise; and where the process has a limit of
// its own, and nobody has said so with GOMEMLIMIT: a limit that the runtime does not
// know ends the program while half of its memory is garbage.
func Within() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(garbageAllowed)
	}
	if os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	least := uint64(math.MaxInt64)
	for _, m := range append(systemMemory(os.DirFS("/")), addressSpace()) {
		if m.Limit > 0 {
			least = min(least, m.Limit)
		}
	}
	if least < math.MaxInt64 {
		debug.SetMemoryLimit(int64(softPart * float64(least)))
	}
}

func less(a, b uint64) uint64 { return a - min(a, b) }

// goMemory is what the Go runtime has of memory: what is in use, and what it would
// give back after a collection.
func goMemory() (held, garbage uint64) {
	s := []metrics.Sample{{Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"},
		{Name: "/memory/classes/heap/objects:bytes"}, {Name: "/memory/classes/heap/free:bytes"}, {Name: "/memory/classes/heap/unused:bytes"},
		{Name: "/gc/heap/live:bytes"}}
	metrics.Read(s)
	total, released, objects, free, unused, live := s[0].Value.Uint64(), s[1].Value.Uint64(), s[2].Value.Uint64(), s[3].Value.Uint64(), s[4].Value.Uint64(), s[5].Value.Uint64()
	// The unused parts of spans come back with the collection of whole ones alone.
	garbage = free + less(objects, live)
	return less(total, released+garbage+unused), garbage
}

// systemMemory lists the limits of the control groups and of the machine, from the
// files in which Linux tells them; nothing elsewhere. Left is without what this
// program would give back. root is the file system's root.
func systemMemory(root fs.FS) (out []Memory) {
	text, _ := fs.ReadFile(root, "proc/self/cgroup") // none elsewhere
	for line := range strings.Lines(string(text)) {
		f := strings.SplitN(strings.TrimSpace(line), ":", 3)
		if len(f) != 3 {
			continue
		}
		switch {
		case f[1] == "":
			out = append(out, groups(root, "sys/fs/cgroup", f[2], groupFiles{"memory.max", "memory.high", "memory.current", "inactive_file", "active_file"})...)
		case f[1] == "memory":
			out = append(out, groups(root, "sys/fs/cgroup/memory", f[2], groupFiles{"memory.limit_in_bytes", "", "memory.usage_in_bytes", "total_inactive_file", "total_active_file"})...)
		}
	}
	machine := fields(root, "proc/meminfo")
	if total, free := machine["MemTotal:"], machine["MemAvailable:"]; total > 0 {
		out = append(out, Memory{Limit: total << 10, Left: free << 10, Of: "this machine"})
	}
	return out
}

// groupFiles names the files of a control group, of version 2 or 1, and the fields
// of memory.stat of what the kernel drops when it needs room.
type groupFiles struct{ most, high, now, inactive, active string }

// groups are the limits of a control group and of those that it is in. A container
// sees its own group at the root.
func groups(root fs.FS, mount, name string, files groupFiles) (out []Memory) {
	for at := path.Clean("/" + name); ; at = path.Dir(at) {
		dir := path.Join(mount, at)
		limit, most := number(root, path.Join(dir, files.most)), uint64(math.MaxInt64>>12<<12) // version 1 says so of none
		if files.high != "" {
			if high := number(root, path.Join(dir, files.high)); high > 0 && (limit == 0 || high < limit) {
				limit = high // above it the kernel holds the program up
			}
		}
		if now := number(root, path.Join(dir, files.now)); limit > 0 && limit < most && now > 0 {
			stat := fields(root, path.Join(dir, "memory.stat"))
			used := less(now, stat[files.inactive]+stat[files.active])
			out = append(out, Memory{Limit: limit, Left: less(limit, used), Of: "its control group"})
		}
		if at == "/" {
			return out
		}
	}
}

// number is the first number in a file; 0 where there is none, such as "max".
func number(root fs.FS, name string) uint64 {
	text, err := fs.ReadFile(root, name)
	if err != nil {
		return 0
	}
	first, _, _ := strings.Cut(strings.TrimSpace(string(text)), " ")
	n, _ := strconv.ParseUint(first, 10, 64) // 0 otherwise
	return n
}

// fields are the numbers of a file of lines of a name and a number.
func fields(root fs.FS, name string) map[string]uint64 {
	text, err := fs.ReadFile(root, name)
	if err != nil {
		return nil
	}
	out := map[string]uint64{}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) >= 2 {
			if n, err := strconv.ParseUint(f[1], 10, 64); err == nil {
				out[f[0]] = n
			}
		}
	}
	return out
}
