package rehearsal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/bench"
)

// Version is the firmware version that the bench reports.
const Version = "1"

// Codes of the faults that the bench reports.
const (
	CodeHotSwitching = 1
	CodeNoSolution   = 2
)

// maxReports is the largest number of fault reports that are kept until
// somebody fetches them.
const maxReports = 256

// Config is the configuration of a rehearsal bench. Clock nil is the real
// clock.
type Config struct {
	Definition bench.Definition
	Clock      bench.Clock
	Seed       uint64       // of the bench: channel errors, path resistances, noise
	World      *bench.World // what the bench has of a real one; nil: ServedWorld
	Seat       Seat
	Faults     []bench.BenchFault
	Straps     []bench.Strap // besides those of the seat's pin map
	// OnSolve is told every operating point that the bench goes through. It is
	// called with the bench locked: it must not call the bench.
	OnSolve func(Solved)
}

// Bench is a rehearsal bench. It implements bench.Link.
type Bench struct {
	def    bench.Definition
	clock  bench.Clock
	straps []bench.Strap
	index  map[bench.PathID]int

	mu       sync.Mutex
	epoch    uint64 // counts MakeSafe
	cut      context.CancelCauseFunc
	hw       hardware
	seat     Seat
	faults   []bench.BenchFault
	ill      faultEffects
	closed   []bool // by path index
	channels []channel
	net      *network
	began    time.Time // the bench's time is counted from here
	stale    bool      // something changed while all outputs were off
	staleAt  int64
	changing bool  // an operating point does not hold for long
	solvedAt int64 // ns, of the last operating point
	noise    *rand.Rand
	phase    float64 // of the line hum, rad
	reports  []bench.Fault
	onSolve  func(Solved)
}

var _ bench.Link = (*Bench)(nil)

// New makes a bench with all outputs off and all paths open.
func New(cfg Config) (*Bench, error) {
	if err := checkDefinition(&cfg.Definition); err != nil {
		return nil, err
	}
	b := &Bench{
		def: cfg.Definition, clock: cfg.Clock, straps: slices.Clone(cfg.Straps), index: map[bench.PathID]int{},
		closed: make([]bool, len(cfg.Definition.Paths)), onSolve: cfg.OnSolve,
	}
	if b.clock == nil {
		b.clock = bench.RealClock{}
	}
	b.began = b.clock.Now()
	for i, p := range b.def.Paths {
		b.index[p.ID] = i
	}
	world := ServedWorld()
	if cfg.World != nil {
		world = *cfg.World
	}
	if err := b.arrange(Arrangement{cfg.Seed, world, cfg.Seat, cfg.Faults}); err != nil {
		return nil, err
	}
	return b, nil
}

func checkDefinition(d *bench.Definition) error {
	if err := d.Validate(); err != nil {
		return fmt.Errorf("rehearsal: bench: %w", err)
	}
	for i, ch := range d.Channels {
		if int(ch.ID) != i+1 {
			return fmt.Errorf("rehearsal: channels are numbered from 1 in order; %d is in place %d", ch.ID, i+1)
		}
	}
	return nil
}

// assemble makes the circuit of a seat with the paths as they are.
func (b *Bench) assemble(hw *hardware, seat *Seat, ill *faultEffects) (*network, error) {
	return build(hw, ill, seat, slices.Concat(b.straps, seat.PinMap.Straps), b.closed)
}

// Seated returns the part in the socket and the faults of the bench.
func (b *Bench) Seated() (Seat, []bench.BenchFault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.seat.clone(), slices.Clone(b.faults)
}

// Definition returns the bench's own definition.
func (b *Bench) Definition() bench.Definition { return b.def }

func (b *Bench) energised() bool {
	return slices.ContainsFunc(b.channels, func(c channel) bool { return c.on })
}

// now returns the bench's time in ns.
func (b *Bench) now() int64 { return int64(b.clock.Now().Sub(b.began)) }

// time returns the bench's time in seconds.
func (b *Bench) time() float64 { return seconds(b.now()) }

func (b *Bench) report(code int, ch bench.ChannelID, format string, args ...any) {
	f := bench.Fault{At: b.clock.Now(), Code: code, Channel: ch, Message: fmt.Sprintf(format, args...)}
	if len(b.reports) < maxReports {
		b.reports = append(b.reports, f)
	}
}
