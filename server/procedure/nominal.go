package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// nudge is the part of its level by which a held level is moved to see what
// depends on it: far more than a channel's accuracy, and too little to switch
// anything. It goes towards zero, so that it keeps every rating.
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
func (p Point) eachMoved() []Point {
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
		out = append(out, n)
	}
	return out
}

// withNudges are points that belong together, and after them the same with each
// held level moved in turn.
func withNudges(points []Point) []Point {
	out := slices.Clone(points)
	for _, level := range heldLevels(points[0].Hold, points[0].Read) {
		for _, p := range points {
			out = append(out, p.nudged(level))
		}
	}
	return out
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
	for _, n := range nudges {
		c, off, ok := s.follows(n)
		if !ok {
			continue
		}
		y = y.Sub(c.Mul(off))
		rest = rest.Sub(c)
	}
	return y.Sub(rest.Mul(at.ground()))
}

// follows is by how much the spot's voltage follows a level that n has moved
// (V/V), and how far that level is from what was asked for, V.
func (s *spot) follows(n *spot) (c, off budget.Value, ok bool) {
	here, there := s.situation(), n.situation()
	if !n.read() || there == nil || here.seg != there.seg {
		return c, off, false
	}
	var moved, offs []budget.Value
	for k := range here.seg.Drives {
		a, b := s.at.drive(k), n.at.drive(k)
		if k == s.sense.Drive || a == nil || b == nil || a.set == b.set || a.sense.V != b.sense.V {
			continue
		}
		moved = append(moved, there.v[k].Sub(here.v[k]))
		offs = append(offs, here.v[k].Sub(budget.Exact(a.set)))
	}
	if len(moved) == 0 {
		return c, off, false
	}
	dv := there.v[n.sense.Drive].Sub(here.v[s.sense.Drive])
	off = mean(offs)
	for _, o := range offs {
		if half := math.Abs(o.X - off.X); half > 0 {
			off = off.With(budget.NewSource("difference between levels that should be the same", budget.HeldLevel, budget.Rectangular,
				budget.Rectangular.FromHalfWidth(half)), 1)
		}
	}
	return dv.Div(mean(moved)), off, true
}

func mean(all []budget.Value) budget.Value {
	sum := budget.Exact(0)
	for _, v := range all {
		sum = sum.Add(v)
	}
	return sum.Scale(1 / float64(len(all)))
}

// condition words which held level was not reached; "" where all were.
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
		g = budget.Of(siemens, budget.NewSource("how the current follows the voltage", budget.ForcedLevel, budget.Rectangular,
			budget.Rectangular.FromHalfWidth(math.Abs(siemens))))
	}
	return i.Sub(g.Mul(off))
}

// clampedAny reports whether a reading of any of the spots was at its compliance.
func clampedAny(spots ...*spot) bool {
	return slices.ContainsFunc(spots, func(s *spot) bool { return s.flags.Has(bench.InCompliance) })
}
