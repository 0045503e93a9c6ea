package rehearsal

import (
	"errors"
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

// channel is one force/sense channel with its errors and what is set on it.
type channel struct {
	def                            bench.Channel
	loopV, loopI                   []float64 // s, of its loop where it forces a voltage or a current, by range of current
	settling                       float64   // of the current that charges what it drives
	forceV, forceI, senseV, senseI []converter
	set                            *bench.Setup // nil until Set, and again after MakeSafe
	on                             bool
	mode                           circuit.Mode
	forces, limits                 *converter // ranges in use, while set
	leastLimit                     float64    // V or A
	high                           float64    // how much too high its current sense reads, as a part of the current
	level, limit                   float64    // what really comes out, V or A
	readV, readI                   *converter // ranges in use
	loop                           float64    // s
	way                            transit
	inCompliance                   bool
}

func newChannel(ch bench.Channel, seed uint64, w *bench.World) channel {
	c := channel{
		def: ch, settling: w.Settling,
		forceV: converters(ch.ForceV, seed, ch.Name+"/force V", w, false),
		forceI: converters(ch.ForceI, seed, ch.Name+"/force I", w, false),
		senseV: converters(ch.SenseV, seed, ch.Name+"/sense V", w, true),
		senseI: converters(ch.SenseI, seed, ch.Name+"/sense I", w, true),
		loopV:  drawLoops(ch.SenseI, seed, ch.Name+"/sense I", w),
		loopI:  drawLoops(ch.ForceI, seed, ch.Name+"/force I", w),
	}
	c.readV, c.readI = &c.senseV[len(c.senseV)-1], &c.senseI[len(c.senseI)-1]
	c.loop = c.loopV[len(c.loopV)-1]
	return c
}

// configure checks a setup and works out what it brings t seconds after the
// bench was drawn. A setup that is refused changes nothing.
func (c *channel) configure(s bench.Setup, high, t float64) error {
	if err := c.check(s); err != nil {
		return err
	}
	force, senseV, senseI, _ := c.def.RangesFor(s)
	c.set, c.high, c.readV, c.readI = &s, high, of(c.senseV, senseV), of(c.senseI, senseI)
	var limit bench.Range
	loops, loop := c.loopV, rangeIndex(c.senseI, senseI)
	if s.Mode == bench.ForceVoltage {
		limit, _ = bench.RangeFor(c.def.ForceI, s.Compliance)
		c.mode, c.forces, c.limits = circuit.ForceVoltage, of(c.forceV, force), of(c.forceI, limit)
	} else {
		limit, _ = bench.RangeFor(c.def.ForceV, s.Compliance)
		c.mode, c.forces, c.limits = circuit.ForceCurrent, of(c.forceI, force), of(c.forceV, limit)
		loops, loop = c.loopI, rangeIndex(c.forceI, force)
	}
	c.leastLimit, c.loop = limit.Step, loops[loop]
	c.bring(t)
	return nil
}

// bring works out what really comes out of the channel, t seconds after the
// bench was drawn.
func (c *channel) bring(t float64) {
	c.level = c.forces.force(c.set.Level, t)
	c.limit = max(c.limits.force(c.set.Compliance, t), c.leastLimit)
	if c.mode == circuit.ForceVoltage {
		c.limit /= 1 + c.high
	} else {
		c.level /= 1 + c.high
	}
}

// check returns why a setup is not possible.
func (c *channel) check(s bench.Setup) error {
	forced, limited, unit, limitUnit := c.def.ForceV, c.def.ForceI, "V", "A"
	switch s.Mode {
	case bench.ForceVoltage:
	case bench.ForceCurrent:
		forced, limited, unit, limitUnit = limited, forced, limitUnit, unit
	default:
		return fmt.Errorf("there is no mode %q", s.Mode)
	}
	most, mostLimit := forced[len(forced)-1].FullScale, limited[len(limited)-1].FullScale
	switch {
	case !finite(s.Level):
		return fmt.Errorf("the level must be a finite number, not %g", s.Level)
	case !finite(s.Range) || s.Range < 0 || !finite(s.SenseRange) || s.SenseRange < 0:
		return fmt.Errorf("a range must be a finite number above 0, or 0 for the smallest that will do, not %g, %g", s.Range, s.SenseRange)
	case !finite(s.Compliance) || s.Compliance <= 0:
		return fmt.Errorf("the compliance must be a finite number above 0, not %g", s.Compliance)
	case s.Remote && !c.def.RemoteSense:
		return errors.New("there are no sense terminals for remote sense")
	}
	if _, ok := bench.RangeFor(forced, math.Max(math.Abs(s.Level), s.Range)); !ok {
		return fmt.Errorf("level %g %s in range %g is over the largest range, %g %s", s.Level, unit, s.Range, most, unit)
	}
	if _, ok := bench.RangeFor(limited, s.Compliance); !ok {
		return fmt.Errorf("compliance %g %s is over the largest range, %g %s", s.Compliance, limitUnit, mostLimit, limitUnit)
	}
	if _, _, _, ok := c.def.RangesFor(s); !ok {
		return fmt.Errorf("level %g %s (range %g), compliance %g %s (sense range %g) do not fit the ranges",
			s.Level, unit, s.Range, s.Compliance, limitUnit, s.SenseRange)
	}
	return nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// apply sets the circuit's channel.
func (c *channel) apply(to *circuit.Channel) {
	to.Remote = c.set != nil && c.set.Remote
	if !c.on {
		to.Set(circuit.Off, 0, 1)
		return
	}
	to.Set(c.mode, c.level, c.limit)
}

// chargingCurrent is what the channel can put into its capacitance while it
// goes to a voltage that it holds, A; 0 where it does not hold a voltage.
func (c *channel) chargingCurrent(i1 float64) float64 {
	switch {
	case c.mode == circuit.ForceVoltage && !c.inCompliance:
		return c.limit
	case c.mode == circuit.ForceCurrent && c.inCompliance:
		return math.Abs(c.level) + math.Abs(i1)
	}
	return 0
}
