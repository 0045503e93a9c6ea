package emulator

import (
	"context"
	"math"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
)

// side is the settings of one quantity of a channel, V or A.
type side struct {
	level float64 // forced, while this quantity is
	force float64 // full scale of the force range
	sense float64 // full scale of the sense range
	limit float64 // protection level while the other quantity is forced; 0: not set
}

// settings is the settings of a channel, as a host has made them.
type settings struct {
	mode        bench.Mode
	volts, amps side
	remote      bool
	aperture    float64 // s
	count       int
	averaging   bool
}

// channel is one channel of the card.
type channel struct {
	def     *bench.Channel
	number  int // what hosts call it
	set     settings
	on      bool
	tripped bool // the card switched it off by itself
	// told says that the link has this setup: after it was made safe it has none.
	told bool
	// limited is whether it was at its limit when it was last looked at.
	limited bool
}

// defaults are the settings after *RST.
func (ch *channel) defaults() settings {
	largest := func(ranges []bench.Range) float64 { return ranges[len(ranges)-1].FullScale }
	return settings{
		mode:     bench.ForceVoltage,
		volts:    side{force: largest(ch.def.ForceV), sense: largest(ch.def.SenseV)},
		amps:     side{force: largest(ch.def.ForceI), sense: largest(ch.def.SenseI)},
		aperture: protocol.DefaultAperture, count: 1,
	}
}

// sides are the quantity that is forced and the one that is limited.
func (s *settings) sides() (forced, limited *side) {
	if s.mode == bench.ForceCurrent {
		return &s.amps, &s.volts
	}
	return &s.volts, &s.amps
}

// setup returns the settings as a link takes them.
func (s *settings) setup() bench.Setup {
	forced, limited := s.sides()
	return bench.Setup{
		Mode: s.mode, Level: forced.level, Range: forced.force,
		Compliance: limited.limit, SenseRange: limited.sense, Remote: s.remote,
	}
}

// holds reports whether the level fits the range, also of what is not forced
// now.
func (s *side) holds(ranges []bench.Range) bool {
	r, ok := bench.RangeFor(ranges, s.level)
	return ok && r.FullScale <= s.force
}

// protected reports whether a limit was set for the mode that is set.
func (s *settings) protected() bool {
	_, limited := s.sides()
	return limited.limit > 0
}

// fits reports whether the settings go together.
func (ch *channel) fits(s *settings) bool {
	setup := s.setup()
	if !s.protected() {
		if ch.on {
			return false
		}
		setup.Compliance = math.SmallestNonzeroFloat64 // not set: any would do
	}
	_, _, _, ok := ch.def.RangesFor(setup)
	return ok && s.volts.holds(ch.def.ForceV) && s.amps.holds(ch.def.ForceI)
}

// window is the aperture as a link takes it.
func (s *settings) window() time.Duration {
	return time.Duration(math.Round(s.aperture * 1e9))
}

// repeats is the number of apertures that a reading averages.
func (s *settings) repeats() int {
	if s.averaging {
		return s.count
	}
	return 1
}

// change is the coupled settings of a message, gathered until they take effect
// together.
type change struct {
	at     []int // channels, in the order in which they were first named
	set    map[int]*settings
	setups map[int]bool // whether more than aperture and average is named
}

// of returns the place where a channel's new settings are gathered.
func (g *change) of(c *Card, i int, setup bool) *settings {
	s, is := g.set[i]
	if !is {
		if g.set == nil {
			g.set, g.setups = map[int]*settings{}, map[int]bool{}
		}
		now := c.channels[i].set
		s = &now
		g.set[i] = s
		g.at = append(g.at, i)
	}
	g.setups[i] = g.setups[i] || setup
	return s
}

func (g *change) drop() { *g = change{} }

// take makes the gathered settings take effect together: all of them, or none
// and -221. Each channel whose setup is named is one Set of the link.
func (c *Card) take(g *change) error {
	defer g.drop()
	for _, i := range g.at {
		if !c.channels[i].fits(g.set[i]) {
			return scpi.SettingsConflict
		}
	}
	for _, i := range g.at {
		ch := &c.channels[i]
		ch.set = *g.set[i]
		if !g.setups[i] {
			continue
		}
		ch.told = false
		if err := c.tell(ch); err != nil {
			return err
		}
	}
	return nil
}

// tell passes a channel's settings to the link, unless it has them already.
// Without a limit there is nothing that a link would take.
func (c *Card) tell(ch *channel) error {
	if ch.told || !ch.set.protected() {
		return nil
	}
	if err := c.called(c.link.Set(context.Background(), ch.def.ID, ch.set.setup())); err != nil {
		return err
	}
	ch.told = true
	return nil
}
