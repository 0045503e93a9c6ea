package health

import (
	"context"
	"sync"
	"sync/atomic"
	"time"
)

// LookEvery is the time between two looks of a monitor, and memoryEvery that between
// two at the memory alone, which may be gone in seconds.
const (
	LookEvery   = 10 * time.Second
	memoryEvery = 500 * time.Millisecond
)

// rateOver is the time over which the growth of the database is taken.
const rateOver = 10 * time.Minute

// Sources are where a monitor looks. None may be nil but Changed.
type Sources struct {
	Now      func() time.Time     // the wall clock, which may be set
	Elapsed  func() time.Duration // since the start, by a clock that is never set
	Disk     func() (free, total uint64, err error)
	Size     func() int64 // of the database with its log, bytes
	Running  func() bool  // whether something is measured
	Database func(context.Context) error
	Newest   func(context.Context) (time.Time, error) // the newest time that is stored
	// Fill puts in what other rooms know: damage, reports, link, certificate, backup.
	Fill func(context.Context, *Sample)
	// Memory is what is left of it.
	Memory func() Memory
	// Changed is told of each fact whose level has changed, at first of those that are
	// not good, for the log; nil: nobody is.
	Changed func(Fact)
}

// Monitor looks at the server from time to time. Safe for concurrent use.
type Monitor struct {
	from   Sources
	latest atomic.Pointer[Report]
	end    context.CancelFunc
	ended  chan struct{}

	mu     sync.Mutex    // over a look
	began  time.Time     // by the wall clock, when elapsed was 0
	behind time.Duration // by which what is stored was ahead of the clock at the start
	asked  bool          // what is stored
	grown  growth
}

// NewMonitor makes a monitor and has it look once.
func NewMonitor(ctx context.Context, from Sources) *Monitor {
	m := &Monitor{from: from, began: from.Now().Add(-from.Elapsed())}
	m.Look(ctx)
	return m
}

// Start has the monitor look by itself until it is closed.
func (m *Monitor) Start() {
	ctx, end := context.WithCancel(context.Background())
	m.end, m.ended = end, make(chan struct{})
	go func() {
		defer close(m.ended)
		tick, memory := time.NewTicker(LookEvery), time.NewTicker(memoryEvery)
		defer tick.Stop()
		defer memory.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				m.Look(ctx)
			case <-memory.C:
				if now := m.from.Memory(); now.level() != m.Latest().Fact("memory").Level {
					m.Look(ctx)
				}
			}
		}
	}()
}

// Close ends what Start began.
func (m *Monitor) Close() {
	if m.end != nil {
		m.end()
		<-m.ended
	}
}

// Latest is what was found last.
func (m *Monitor) Latest() *Report { return m.latest.Load() }

// Look finds out the state now.
func (m *Monitor) Look(ctx context.Context) *Report {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := m.from.Now()
	passed := m.from.Elapsed()
	s := Sample{At: now.Round(0)}
	var err error
	if s.FreeBytes, s.DiskBytes, err = m.from.Disk(); err != nil {
		s.DiskError, s.DiskBytes = err.Error(), 0
	}
	m.grown.add(passed, m.from.Size(), m.from.Running())
	s.PerHour = m.grown.perHour()
	if err := m.from.Database(ctx); err != nil && ctx.Err() == nil {
		s.Database = err.Error()
	}
	if !m.asked {
		if newest, err := m.from.Newest(ctx); err == nil {
			m.asked = true
			if !newest.IsZero() { // nothing is stored yet
				m.behind = newest.Sub(m.began)
			}
		}
	}
	s.Back = max(0, m.behind-passed, passed-now.Sub(m.began))
	s.Memory = m.from.Memory()
	m.from.Fill(ctx, &s)
	r := Judge(s)
	m.tell(&r)
	m.latest.Store(&r)
	return &r
}

// tell tells of what has changed since the look before.
func (m *Monitor) tell(r *Report) {
	if m.from.Changed == nil {
		return
	}
	before := m.latest.Load()
	for _, f := range r.Facts {
		was := Good
		if before != nil {
			was = before.Fact(f.Key).Level
		}
		if f.Level != was {
			m.from.Changed(f)
		}
	}
}

// growth is by how much the database has grown while something was measured.
type growth struct {
	looks []look
}

// look is the size of the database at one time since the start.
type look struct {
	at       time.Duration
	size     int64 // bytes
	measured bool  // something was measured
}

func (g *growth) add(at time.Duration, size int64, measured bool) {
	g.looks = append(g.looks, look{at, size, measured})
	for len(g.looks) > 2 && at-g.looks[0].at > rateOver {
		g.looks = g.looks[1:]
	}
}

// perHour is the growth in an hour of measuring, bytes; 0 where nothing was measured
// in the time that is kept. A database that became smaller has not grown.
func (g *growth) perHour() float64 {
	var grown int64
	var took time.Duration
	for i := 1; i < len(g.looks); i++ {
		a, b := g.looks[i-1], g.looks[i]
		if a.measured || b.measured {
			grown += max(0, b.size-a.size)
			took += b.at - a.at
		}
	}
	if took <= 0 {
		return 0
	}
	return float64(grown) / took.Hours()
}
