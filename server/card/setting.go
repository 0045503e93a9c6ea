package card

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ohmkeep/server/bench"
)

// setting is the settings of a channel, with its ranges worked out.
type setting struct {
	mode       bench.Mode
	level      float64 // V or A
	force      float64 // full scale of the forced quantity
	compliance float64 // A or V
	sense      float64 // full scale of the quantity that is not forced
	remote     bool
}

// channel is the host's record of a channel of a card. Only the holder of the
// connection may read or write it.
type channel struct {
	def      *bench.Channel
	number   int // on its card
	set      *setting
	on       bool
	aperture time.Duration // 0: not known
	// The ranges in use; the largest where nothing is set.
	force, senseV, senseI bench.Range
}

// forget resets the record to that of a channel whose card was made safe.
func (c *channel) forget() {
	last := func(r []bench.Range) bench.Range { return r[len(r)-1] }
	c.set, c.on, c.aperture = nil, false, 0
	c.force, c.senseV, c.senseI = last(c.def.ForceV), last(c.def.SenseV), last(c.def.SenseI)
}

// level is the level that the card must send back, V or A.
func (c *channel) level() float64 {
	if c.set == nil {
		return 0
	}
	return c.set.level
}

// take stores what the card has confirmed.
func (c *channel) take(want setting, s bench.Setup) {
	c.set = &want
	c.force, c.senseV, c.senseI, _ = c.def.RangesFor(s)
}

// resolve works out what a setup means for a channel. It says why it cannot be had.
func resolve(ch *bench.Channel, s bench.Setup) (setting, error) {
	want := setting{mode: s.Mode, level: s.Level + 0, compliance: s.Compliance, remote: s.Remote}
	switch {
	case s.Mode != bench.ForceVoltage && s.Mode != bench.ForceCurrent:
		return want, fmt.Errorf("there is no mode %q", s.Mode)
	case !finite(s.Level):
		return want, fmt.Errorf("the level must be a finite number, not %g", s.Level)
	case !finite(s.Range) || s.Range < 0 || !finite(s.SenseRange) || s.SenseRange < 0:
		return want, fmt.Errorf("a range must be a finite number above 0, or 0 for the smallest that will do, not %g, %g", s.Range, s.SenseRange)
	case !finite(s.Compliance) || s.Compliance <= 0:
		return want, fmt.Errorf("the compliance must be a finite number above 0, not %g", s.Compliance)
	case s.Remote && !ch.RemoteSense:
		return want, errors.New("there are no sense terminals for remote sense")
	}
	force, senseV, senseI, ok := ch.RangesFor(s)
	if !ok {
		return want, fmt.Errorf("forcing a %s of %g (range %g) with a compliance of %g (sense range %g) does not fit the ranges",
			s.Mode, s.Level, s.Range, s.Compliance, s.SenseRange)
	}
	want.force, want.sense = force.FullScale, senseI.FullScale
	if s.Mode == bench.ForceCurrent {
		want.sense = senseV.FullScale
	}
	return want, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
