package procedure

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// condition is a level that a value rests on: how the value follows it, and how
// far it really is from what was asked for.
type condition struct {
	follows budget.Value // unit of the value per V or A
	bend    float64      // by how much more or less it may follow at the level itself, the same unit
	off     budget.Value // V or A
	voltage bool
	drives  []int // that hold it
}

// sensedOf is what a drive's pin shows besides what is forced on it: the current
// into it, or its voltage against the return.
func (at *situation) sensedOf(k int, use Use) budget.Value {
	if use == UseVoltage {
		return at.i[k]
	}
	return at.v[k]
}

// stand is the level that a drive forces, as it really was at its pin: V against
// the return, or A.
func (at *situation) stand(k int) budget.Value {
	if at.seg.Drives[k].Mode == bench.ForceCurrent {
		return at.i[k]
	}
	return at.v[k]
}

// trusted reports whether the readings of a spot, and of the levels held and the
// pins measured beside it, carry nothing that makes them say nothing.
func (s *spot) trusted() bool {
	const not = untrusted | bench.InCompliance
	for _, h := range s.at.held {
		if h.flags&not != 0 {
			return false
		}
	}
	for _, o := range s.at.spots {
		if o.flags&not != 0 {
			return false
		}
	}
	return s.flags&not == 0
}

// movedFrom is by how much drives have moved since another situation, on average, V
// or A.
func (at *situation) movedFrom(before *situation, drives []int) budget.Value {
	by := make([]budget.Value, len(drives))
	for i, k := range drives {
		by[i] = at.stand(k).Sub(before.stand(k))
	}
	return mean(by)
}

// follow works out the condition that has moved between two points, for the
// sensed value of the pin of base. at is the point of the value itself, and after
// the same levels later, nil where they were not read again.
func follow(use Use, base, there, at, after *spot) (condition, bool) {
	if !base.read() || !there.read() || !base.trusted() || !there.trusted() {
		return condition{}, false
	}
	a, b, c := base.situation(), there.situation(), at.situation()
	if a == nil || b == nil || c == nil || a.seg != b.seg || a.seg != c.seg {
		return condition{}, false
	}
	var off []budget.Value
	var out condition
	for k := range a.seg.Drives {
		before, then, now := base.at.drive(k), there.at.drive(k), at.at.drive(k)
		if before == nil || then == nil || now == nil || before.set == then.set {
			continue
		}
		out.drives = append(out.drives, k)
		out.voltage = a.seg.Drives[k].Mode == bench.ForceVoltage
		is := c.stand(k)
		if after != nil && after.read() && after.situation() != nil && after.situation().seg == c.seg {
			is = between(is, after.situation().stand(k), "change of a level while it was held")
		}
		off = append(off, is.Sub(budget.Exact(now.set)))
	}
	if len(off) == 0 {
		return condition{}, false
	}
	k := base.sense.Drive
	then, ok := there.settledAt(use, base)
	if !ok {
		return condition{}, false
	}
	before, moved := a.sensedOf(k, use), b.movedFrom(a, out.drives)
	out.follows, out.off = then.Sub(before).Div(moved), alike(off, a.seg.whichOf(out.drives[0]))
	if use == UseVoltage && out.voltage {
		out.follows.X, out.bend = conductanceAt(before, then, moved.X, at.at.junction)
	}
	return out, true
}

// perKelvin is k/q, in volts (CODATA 2018 constants).
const perKelvin = 1.380649e-23 / 1.602176634e-19

// junctionVolts is kT/q of the coldest junction that a part may have, in volts.
func (m *Measurement) junctionVolts() float64 {
	kelvin, _ := m.junction()
	if kelvin.Uc() > 0 {
		kelvin.X -= roomWithin
	}
	return perKelvin * kelvin.X
}

// steepest is the largest conductance, in siemens, that a current can have: that
// of a junction with a kT/q of so many volts that carries all of it, or all that it
// may be.
func steepest(i budget.Value, volts float64) float64 { return atMost(i) / volts }

// conductanceAt is the slope, in siemens, of a current by a voltage at the first of
// two points that are by volts apart, and what it may be off by. It lies between
// that of a straight line and that of an exponential through both, where the
// current rises with a resistance, a junction, a transistor or what is in between;
// bend is twice as much. Of a current that cannot be told from zero, or turns
// round, no more is known than a junction's slope.
func conductanceAt(i, then budget.Value, by, volts float64) (slope, bend float64) {
	line := (then.X - i.X) / by
	if !(then.X*i.X > 0 && math.Abs(i.X) > sure*i.Uc() && math.Abs(then.X) > sure*then.Uc()) {
		return line, steepest(i, volts)
	}
	power := i.X * math.Log(then.X/i.X) / by
	return (line + power) / 2, math.Abs(power - line)
}

// conditions are those that points beside a spot tell of, each with one level
// moved or, of a voltage, all of them. base is the point from which they have been
// moved.
func (s *spot) conditions(use Use, base, after *spot, moved []*spot) []condition {
	var out []condition
	for _, n := range moved {
		if n.at.bending {
			continue
		}
		if c, ok := follow(use, base, n, s, after); ok {
			out = append(out, c)
		}
	}
	for _, n := range moved {
		if n.at.bending {
			n.bends(use, base, out)
		}
	}
	return out
}

// taken is what a spot's pin senses, at the levels that were asked for. Conditions
// tell how it follows those that were moved; of any other the whole difference
// counts. The own level of a spot whose kind takes that into account is asIs, and
// so is that of one at its compliance, which rests on no level.
func (s *spot) taken(use Use, conditions []condition, asIs bool) budget.Value {
	at := s.situation()
	if at == nil {
		v, i := s.values()
		if use == UseVoltage {
			return i
		}
		return v
	}
	return at.taken(s.sense.Drive, use, s.at.drive, conditions, asIs || s.clamped())
}

// taken is spot.taken of one drive, where read gives what each drive read.
func (at *situation) taken(own int, use Use, read func(k int) *sensedAt, conditions []condition, asIs bool) budget.Value {
	y, rest := at.sensedOf(own, use), budget.Exact(1)
	if use == UseVoltage {
		rest = budget.Exact(0)
	}
	var followed []int
	if asIs {
		followed = append(followed, own)
	}
	bent := 0.0
	for _, c := range conditions {
		y = y.Sub(c.follows.Mul(c.off))
		bent += c.bend * atMost(c.off)
		if c.voltage {
			rest = rest.Sub(c.follows)
		}
		followed = append(followed, c.drives...)
	}
	// The part's ground, with all that the conditions do not hold, moves the rest of
	// a voltage.
	y = y.Sub(rest.Mul(at.ground()))
	y = widened(y, bent, "how it follows a level in between", budget.HeldLevel)
	return at.unmoved(y, own, use, read, followed)
}

// mayMove is by how much a level that is off may have moved what is sensed, where
// that was not measured: a voltage by as much, anything by a current in proportion,
// and a current by what a junction with a kT/q of so many volts makes of it.
func mayMove(y budget.Value, use Use, held bench.Mode, level float64, off budget.Value, volts float64) float64 {
	switch {
	case held == bench.ForceCurrent && level == 0:
		return math.Abs(y.X) // all of it may be by the current
	case held == bench.ForceCurrent:
		return atMost(off) * math.Abs(y.X/level)
	case use == UseVoltage:
		return atMost(off) * steepest(y, volts)
	}
	return atMost(off)
}

// unmoved is a sensed value with what the levels may bring that no condition speaks
// of.
func (at *situation) unmoved(y budget.Value, own int, use Use, read func(k int) *sensedAt, followed []int) budget.Value {
	x := y
	for k, d := range at.seg.Drives {
		r := read(k)
		if r == nil || r.set == 0 || !at.known[k] || slices.Contains(followed, k) {
			continue
		}
		half := mayMove(x, use, d.Mode, r.set, at.stand(k).Sub(budget.Exact(r.set)), at.junction)
		y = assumedWithin(y, half, fmt.Sprintf("level of pin %d, which was not moved", d.Pin), budget.HeldLevel)
	}
	return y
}

// atLevel takes the current of a pin from the voltage that it was sensed at to the
// level that was asked for, by a conductance that was not measured. It may be any
// up to that of a junction that carries the largest current which the pin has
// shown.
func (m *Measurement) atLevel(i, v budget.Value, level, siemens float64, shown ...budget.Value) budget.Value {
	most := steepest(i, m.junctionVolts())
	for _, o := range shown {
		most = max(most, steepest(o, m.junctionVolts()))
	}
	off := v.Sub(budget.Exact(level))
	return assumedWithin(i.Sub(off.Scale(siemens)), most*atMost(off), "how the current follows the voltage", budget.ForcedLevel)
}

// atMost is the magnitude of a value, with what it may be off by.
func atMost(v budget.Value) float64 { return math.Abs(v.X) + sure*v.Uc() }

func mean(all []budget.Value) budget.Value {
	sum := budget.Exact(0)
	for _, v := range all {
		sum = sum.Add(v)
	}
	return sum.Scale(1 / float64(len(all)))
}

// alike is the mean of levels that should be the same. Nobody knows which of them
// matters, and it may be a single one: the mean is known no better than the least
// known of them, and is off by up to the largest difference from it, most probably
// by all of that. which is the source that says so, from -1 to 1: the same wherever
// the same levels matter.
func alike(all []budget.Value, which *budget.Source) budget.Value {
	x, worst, most := mean(all).X, all[0], 0.0
	for _, v := range all {
		if d := v.X - x; math.Abs(d) > math.Abs(most)*(1+1e-9) { // of two, the first
			most = d
		}
		if v.Uc() > worst.Uc() {
			worst = v
		}
	}
	out := worst.Add(budget.Exact(x - worst.X))
	if most == 0 {
		return out
	}
	return out.With(which, most)
}

// whichOf is the source of which level matters of those that should be the same as
// that of a drive, from -1 to 1.
func (s *Segment) whichOf(drive int) *budget.Source {
	if s.which == nil {
		s.which = map[int]*budget.Source{}
	}
	if s.which[drive] == nil {
		s.which[drive] = withinOne("which of the levels that should be the same matters", budget.HeldLevel, budget.Arcsine)
	}
	return s.which[drive]
}

// between is anywhere between two values of the same thing.
func between(a, b budget.Value, name string) budget.Value {
	return widened(mean([]budget.Value{a, b}), math.Abs(a.X-b.X)/2, name, budget.HeldLevel)
}

// widened is a value that may be off by half to both sides besides.
func widened(v budget.Value, half float64, name string, class budget.Class) budget.Value {
	if half == 0 {
		return v
	}
	return v.With(budget.NewSource(name, class, budget.Rectangular, budget.Rectangular.FromHalfWidth(half)), 1)
}

// assumedWithin is a value that may be off by half to both sides, as is assumed.
func assumedWithin(v budget.Value, half float64, name string, class budget.Class) budget.Value {
	if half == 0 {
		return v
	}
	s := budget.NewSource(name, class, budget.Rectangular, budget.Rectangular.FromHalfWidth(half))
	s.Assumed = true
	return v.With(s, 1)
}
