package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/bench"
)

// Version is the firmware version that the bench reports.
const Version = "1"

// onSpread is the largest deviation of a path's real on-resistance from the
// stated one, as a part of it. Invented.
const onSpread = 0.05

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
	Seed       uint64 // of the bench: channel errors, path resistances, noise
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
	seed   uint64
	straps []bench.Strap
	index  map[bench.PathID]int
	onR    []float64 // Ω by path index

	mu       sync.Mutex
	epoch    uint64 // counts MakeSafe
	cut      context.CancelCauseFunc
	seat     Seat
	faults   []bench.BenchFault
	ill      faultEffects
	closed   []bool // by path index
	channels []channel
	net      *network
	began    time.Time // the bench's time is counted from here
	stale    bool      // something changed while all outputs were off
	staleAt  int64
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
		def: cfg.Definition, clock: cfg.Clock, seed: cfg.Seed, straps: slices.Clone(cfg.Straps),
		index: map[bench.PathID]int{}, onR: make([]float64, len(cfg.Definition.Paths)),
		closed: make([]bool, len(cfg.Definition.Paths)), onSolve: cfg.OnSolve,
		noise: stream(cfg.Seed, "noise"), phase: symmetric(stream(cfg.Seed, "hum"), math.Pi),
	}
	if b.clock == nil {
		b.clock = bench.RealClock{}
	}
	b.began = b.clock.Now()
	for i, p := range b.def.Paths {
		b.index[p.ID] = i
		b.onR[i] = max(p.Resistance, strapR) * (1 + symmetric(stream(b.seed, fmt.Sprintf("path/%d", p.ID)), onSpread))
	}
	for _, ch := range b.def.Channels {
		b.channels = append(b.channels, newChannel(ch, b.seed))
	}
	if err := b.rebuild(cfg.Seat, cfg.Faults); err != nil {
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

// rebuild makes the circuit anew for a seat and bench faults. What is refused
// changes nothing.
func (b *Bench) rebuild(seat Seat, faults []bench.BenchFault) error {
	ill, err := effectsOf(&b.def, b.seed, faults)
	if err != nil {
		return err
	}
	seat = seat.clone()
	net, err := b.assemble(&seat, &ill)
	if err != nil {
		return err
	}
	b.net, b.ill, b.seat, b.faults = net, ill, seat, slices.Clone(faults)
	for k := range b.channels {
		if c := &b.channels[k]; c.set != nil {
			if err := c.configure(*c.set, ill.drift[c.def.ID]); err != nil {
				return err
			}
		}
	}
	return b.changed(nil)
}

// assemble makes the circuit of a seat with the paths as they are.
func (b *Bench) assemble(seat *Seat, ill *faultEffects) (*network, error) {
	return build(&b.def, ill, b.onR, seat, slices.Concat(b.straps, seat.PinMap.Straps), b.closed)
}

var errEnergised = errors.New("rehearsal: switch all outputs off before a part is seated")

// Seat puts another part into the socket. It is refused while an output is on.
func (b *Bench) Seat(s Seat) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.energised() {
		return errEnergised
	}
	return b.rebuild(s, b.faults)
}

// Replace seats a part and replaces the faults of the bench, both or neither.
// It is refused while an output is on.
func (b *Bench) Replace(seat Seat, faults []bench.BenchFault) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.energised() {
		return errEnergised
	}
	return b.rebuild(seat.clone(), faults)
}

// SetFaults replaces the faults of the bench, also while it is energised.
func (b *Bench) SetFaults(faults []bench.BenchFault) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.rebuild(b.seat, faults)
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

func (b *Bench) report(code int, ch bench.ChannelID, format string, args ...any) {
	f := bench.Fault{At: b.clock.Now(), Code: code, Channel: ch, Message: fmt.Sprintf(format, args...)}
	if len(b.reports) < maxReports {
		b.reports = append(b.reports, f)
	}
}
