package procedure

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// nudge is the part of its level by which a held level is moved to see what
// depends on it: far more than a channel's accuracy, and too little to switch
// anything. It goes towards zero, so that it keeps every rating but that above a
// clamp supply; where that would be broken, the level stays (see clamps).
const nudge = 0.01

// thermalVoltage is kT/q at 300 K, in volts (CODATA 2018 constants).
const thermalVoltage = 0.025852

// heldLevels are the levels other than zero that a point's pins are held at by
// voltages, without those that are read, each once in rising order.
func heldLevels(hold []Hold, read []int) []float64 {
	var out []float64
	for _, h := range hold {
		if h.Use == UseVoltage && h.Level != 0 && !slices.Contains(read, h.Pin) && !slices.Contains(out, h.Level) {
			out = append(out, h.Level)
		}
	}
	slices.Sort(out)
	return out
}

// nudged is the point with one of its held levels moved.
func (p Point) nudged(level float64) Point {
	p.Hold = slices.Clone(p.Hold)
	for i := range p.Hold {
		if h := &p.Hold[i]; h.Use == UseVoltage && h.Level == level && !slices.Contains(p.Read, h.Pin) {
			h.Level = level * (1 - nudge)
		}
	}
	p.Auxiliary = true
	return p
}

// eachMoved are the same point with each level that it rests on moved in turn,
// whether its pins are held or read. Pins at one level move together: a strap may
// tie them to one channel. A level of zero stays.
func (p Point) eachMoved(d *dut.Device) []Point {
	type level struct {
		use   Use
		value float64
	}
	var seen []level
	var out []Point
	for _, h := range p.Hold {
		at := level{h.Use, h.Level}
		if h.Level == 0 || !h.Use.TakesChannel() || slices.Contains(seen, at) {
			continue
		}
		seen = append(seen, at)
		n := p
		n.Hold = slices.Clone(p.Hold)
		for i := range n.Hold {
			if o := &n.Hold[i]; o.Use == at.use && o.Level == at.value {
				o.Level = at.value * (1 - nudge)
			}
		}
		n.Auxiliary = true
		if !n.clamps(&p, d) {
			out = append(out, n)
		}
	}
	return out
}

// withNudges are points that belong together, and after them the same with each
// held level moved in turn.
func withNudges(d *dut.Device, points []Point) []Point {
	out := slices.Clone(points)
	for _, level := range heldLevels(points[0].Hold, points[0].Read) {
		for _, p := range points {
			if n := p.nudged(level); !n.clamps(&p, d) {
				out = append(out, n)
			}
		}
	}
	return out
}

// clamps reports whether a pin is held further above the supply that it clamps to
// than its rating allows, which it was not at the point before.
func (p *Point) clamps(before *Point, d *dut.Device) bool {
	above := func(of *Point, i int) bool {
		h := of.Hold[i]
		pin, ok := d.Pin(h.Pin)
		if !ok || pin.Clamp == 0 || pin.Clamp == h.Pin || h.Use != UseVoltage {
			return false
		}
		for _, s := range of.Hold {
			if s.Pin == pin.Clamp && s.Use == UseVoltage {
				return h.Level > s.Level+pin.AboveClamp
			}
		}
		return false
	}
	for i := range p.Hold {
		if above(p, i) && !above(before, i) {
			return true
		}
	}
	return false
}

// trusted reports whether the readings of a spot, and of the levels held beside
// it, carry nothing that makes them say nothing.
func (s *spot) trusted() bool {
	const not = untrusted | bench.InCompliance
	for _, h := range s.at.held {
		if h.flags&not != 0 {
			return false
		}
	}
	return s.flags&not == 0
}

// unfollowed is a voltage with what the levels bring of which it is not known how
// it follows them: the whole difference from what was asked for, to both sides.
// read gives what a drive read.
func (at *situation) unfollowed(y budget.Value, own int, read func(k int) *sensedAt, followed []int) budget.Value {
	for k, d := range at.seg.Drives {
		r := read(k)
		if k == own || r == nil || r.set == 0 || d.Mode != bench.ForceVoltage || !at.known[k] || slices.Contains(followed, k) {
			continue
		}
		off := at.v[k].Sub(budget.Exact(r.set))
		y = assumedWithin(y, math.Abs(off.X)+sure*off.Uc(), fmt.Sprintf("level of pin %d, which was not moved", d.Pin))
	}
	return y
}

// assumedWithin is a value that may be off by half to both sides, as is assumed.
func assumedWithin(v budget.Value, half float64, name string) budget.Value {
	s := budget.NewSource(name, budget.HeldLevel, budget.Rectangular, budget.Rectangular.FromHalfWidth(half))
	s.Assumed = true
	return v.With(s, 1)
}

// nominal is what a spot's voltage would be against the part's ground if every
// level that is held stood at what was asked for. nudges are the spots of the
// same pin with each held level moved in turn; where they have not come, the
// difference itself counts.
func (s *spot) nominal(nudges []*spot) budget.Value {
	at := s.situation()
	if at == nil {
		return s.voltage()
	}
	y := at.v[s.sense.Drive]
	rest := budget.Exact(1) // what follows the ground: everything else
	var followed []int      // drives
	for _, n := range nudges {
		c, off, drives := s.follows(n)
		if len(drives) == 0 {
			continue
		}
		y = y.Sub(c.Mul(off))
		rest = rest.Sub(c)
		followed = append(followed, drives...)
	}
	return at.unfollowed(y.Sub(rest.Mul(at.ground())), s.sense.Drive, s.at.drive, followed)
}

// follows is by how much the spot's voltage follows a level that n has moved
// (V/V), how far that level is from what was asked for, V, and which drives hold
// it; none where n does not say.
func (s *spot) follows(n *spot) (c, off budget.Value, drives []int) {
	here, there := s.situation(), n.situation()
	if !n.read() || there == nil || here.seg != there.seg || !n.trusted() {
		return c, off, nil
	}
	var moved, offs []budget.Value
	for k := range here.seg.Drives {
		a, b := s.at.drive(k), n.at.drive(k)
		if k == s.sense.Drive || a == nil || b == nil || a.set == b.set {
			continue
		}
		drives = append(drives, k)
		moved = append(moved, there.v[k].Sub(here.v[k]))
		offs = append(offs, here.v[k].Sub(budget.Exact(a.set)))
	}
	if len(moved) == 0 {
		return c, off, nil
	}
	dv := there.v[n.sense.Drive].Sub(here.v[s.sense.Drive])
	off = mean(offs)
	for _, o := range offs {
		if half := math.Abs(o.X - off.X); half > 0 {
			off = off.With(budget.NewSource("difference between levels that should be the same", budget.HeldLevel, budget.Rectangular,
				budget.Rectangular.FromHalfWidth(half)), 1)
		}
	}
	return dv.Div(mean(moved)), off, drives
}

func mean(all []budget.Value) budget.Value {
	sum := budget.Exact(0)
	for _, v := range all {
		sum = sum.Add(v)
	}
	return sum.Scale(1 / float64(len(all)))
}

// lost words which held level was not reached; "" where all were.
func (k *kit) lost(spots ...*spot) string {
	for _, s := range spots {
		if pin, is := s.lost(); is {
			return k.lostPin(pin)
		}
	}
	return ""
}

// lostPin words that the level of a pin was not reached.
func (k *kit) lostPin(pin int) string {
	return k.label(pin) + " was at its compliance: the condition was not reached"
}

// atLevel takes the current of a spot to the level that was asked for, by a
// conductance that is known to within itself: from none to twice as much.
func atLevel(i, v budget.Value, level float64, siemens float64) budget.Value {
	off := v.Sub(budget.Exact(level))
	g := budget.Exact(siemens)
	if siemens != 0 {
		follows := budget.NewSource("how the current follows the voltage", budget.ForcedLevel, budget.Rectangular,
			budget.Rectangular.FromHalfWidth(math.Abs(siemens)))
		follows.Assumed = true
		g = budget.Of(siemens, follows)
	}
	return i.Sub(g.Mul(off))
}

// clampedAny reports whether a reading of any of the spots was at its compliance.
func clampedAny(spots ...*spot) bool {
	return slices.ContainsFunc(spots, func(s *spot) bool { return s.flags.Has(bench.InCompliance) })
}
