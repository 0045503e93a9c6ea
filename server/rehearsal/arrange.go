package rehearsal

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
)

// Arrangement is everything about a rehearsal bench that can be changed while
// its outputs are off: which bench is drawn, in which world, what is in its
// socket, what is wrong with it.
type Arrangement struct {
	Seed   uint64
	World  bench.World
	Seat   Seat
	Faults []bench.BenchFault
}

// hardware is what was drawn of a bench, for one insertion of a part.
type hardware struct {
	def      *bench.Definition
	seed     uint64
	world    bench.World
	switches []switches // by path index
	outputs  []output   // in the order of the channels
	ripple   ripple
}

func drawHardware(def *bench.Definition, seed uint64, w bench.World, seat *Seat) hardware {
	return hardware{def, seed, w, drawSwitches(def, seed, &w, seat.insertion()), drawOutputs(def, seed, &w), newRipple(&w, def.LineHz, seed)}
}

// changes reports whether anything of the bench moves while nothing is set:
// then an operating point does not hold for long.
func (hw *hardware) changes() bool {
	return hw.world.Drift > 0 || hw.world.Thermal > 0 && hw.world.ThermalChange > 0
}

// Arrange changes everything that an arrangement names, or nothing. It is
// refused while an output is on. Another seed, or another world, is another
// bench: its noise begins anew.
func (b *Bench) Arrange(a Arrangement) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.energised() {
		return errEnergised
	}
	return b.arrange(a)
}

// Arranged returns how the bench is arranged.
func (b *Bench) Arranged() Arrangement {
	b.mu.Lock()
	defer b.mu.Unlock()
	a := b.arrangement()
	a.Seat, a.Faults = a.Seat.clone(), slices.Clone(a.Faults)
	return a
}

func (b *Bench) arrangement() Arrangement {
	return Arrangement{b.hw.seed, b.hw.world, b.seat, b.faults}
}

// arrange makes the bench and its circuit anew. What is refused changes
// nothing.
func (b *Bench) arrange(a Arrangement) error {
	if ps := a.World.Check(); len(ps) > 0 {
		return fmt.Errorf("rehearsal: world: %w", ps.Err())
	}
	seat := a.Seat.clone()
	hw := drawHardware(&b.def, a.Seed, a.World, &seat)
	ill, err := effectsOf(&b.def, a.Seed, a.Faults)
	if err != nil {
		return err
	}
	net, err := b.assemble(&hw, &seat, &ill)
	if err != nil {
		return err
	}
	channels := b.channels
	another := b.noise == nil || a.Seed != b.hw.seed || a.World != b.hw.world
	if another {
		channels = nil
		for k, ch := range b.def.Channels {
			c := newChannel(ch, a.Seed, &a.World)
			if b.channels != nil {
				c.set, c.on, c.way = b.channels[k].set, b.channels[k].on, b.channels[k].way
			}
			channels = append(channels, c)
		}
	}
	for k := range channels {
		if c := &channels[k]; c.set != nil {
			if err := c.configure(*c.set, ill.drift[c.def.ID], b.time()); err != nil {
				return err
			}
		}
	}
	if another {
		b.noise, b.phase = stream(a.Seed, "noise"), symmetric(stream(a.Seed, "hum"), math.Pi)
	}
	b.hw, b.net, b.ill, b.seat, b.faults, b.channels = hw, net, ill, seat, slices.Clone(a.Faults), channels
	b.changing = hw.changes()
	b.net.warmJoints(b.time())
	return b.changed(nil)
}

var errEnergised = errors.New("rehearsal: switch all outputs off before a part is seated")

// Seat puts another part into the socket. It is refused while an output is on.
func (b *Bench) Seat(s Seat) error {
	return b.rearrange(func(a *Arrangement) { a.Seat = s })
}

// Replace seats a part and replaces the faults of the bench, both or neither.
// It is refused while an output is on.
func (b *Bench) Replace(seat Seat, faults []bench.BenchFault) error {
	return b.rearrange(func(a *Arrangement) { a.Seat, a.Faults = seat, faults })
}

// rearrange changes part of the arrangement while all outputs are off.
func (b *Bench) rearrange(change func(*Arrangement)) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.energised() {
		return errEnergised
	}
	a := b.arrangement()
	change(&a)
	return b.arrange(a)
}

// SetFaults replaces the faults of the bench, also while it is energised.
func (b *Bench) SetFaults(faults []bench.BenchFault) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	a := b.arrangement()
	a.Faults = faults
	return b.arrange(a)
}
