package procedure

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// condition is a level that a value rests on: how the value follows it, and how
// far it really is from what was asked for.
type condition struct {
	follows budget.Value // unit of the value per V or A
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

// moved works out the condition that has moved between two points, for the
// sensed value of the pin of base. at is the point of the value itself, and after
// the same levels later, nil where they were not read again.
func moved(use Use, base, there, at, after *spot) (condition, bool) {
	a, b, c := base.situation(), there.situation(), at.situation()
	if a == nil || b == nil || c == nil || a.seg != b.seg || a.seg != c.seg || !base.trusted() || !there.trusted() {
		return condition{}, false
	}
	var by, off []budget.Value
	out := condition{voltage: true}
	for k := range a.seg.Drives {
		before, then, now := base.at.drive(k), there.at.drive(k), at.at.drive(k)
		if before == nil || then == nil || now == nil || before.set == then.set {
			continue // in another range it says less, and its errors are its own
		}
		out.drives = append(out.drives, k)
		out.voltage = a.seg.Drives[k].Mode == bench.ForceVoltage
		by = append(by, b.stand(k).Sub(a.stand(k)))
		is := c.stand(k)
		if after != nil && after.read() && after.situation() != nil && after.situation().seg == c.seg {
			is = between(is, after.situation().stand(k), "change of a level while it was held")
		}
		off = append(off, is.Sub(budget.Exact(now.set)))
	}
	if len(by) == 0 {
		return condition{}, false
	}
	k := base.sense.Drive
	out.follows = b.sensedOf(k, use).Sub(a.sensedOf(k, use)).Div(mean(by))
	out.off = alike(off)
	return out, true
}

// unmoved is a sensed value with what the levels bring that no condition speaks
// of: the whole difference from what was asked for, in a current or by a forced
// current in proportion.
func (at *situation) unmoved(y budget.Value, own int, use Use, read func(k int) *sensedAt, conditions []condition) budget.Value {
	var followed []int
	for _, c := range conditions {
		followed = append(followed, c.drives...)
	}
	for k, d := range at.seg.Drives {
		r := read(k)
		if r == nil || r.set == 0 || !at.known[k] || slices.Contains(followed, k) {
			continue
		}
		off := at.stand(k).Sub(budget.Exact(r.set))
		half := math.Abs(off.X) + sure*off.Uc()
		if k == own || use == UseVoltage || d.Mode == bench.ForceCurrent {
			half *= math.Abs(y.X / r.set)
		}
		y = assumedWithin(y, half, fmt.Sprintf("level of pin %d, which was not moved", d.Pin))
	}
	return y
}

// alike is the mean of levels that should be the same; what they differ by counts.
func alike(all []budget.Value) budget.Value {
	out := mean(all)
	most := 0.0
	for _, v := range all {
		most = max(most, math.Abs(v.X-out.X))
	}
	return widened(out, most, "difference between levels that should be the same", budget.HeldLevel)
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

// taken is a sensed value at the levels that were asked for: what the conditions
// bring is taken off, and the part's ground with all that the conditions do not
// hold moves the rest of a voltage.
func (at *situation) taken(y budget.Value, use Use, conditions []condition) budget.Value {
	rest := budget.Exact(1)
	if use == UseVoltage {
		rest = budget.Exact(0)
	}
	for _, c := range conditions {
		y = y.Sub(c.follows.Mul(c.off))
		if c.voltage {
			rest = rest.Sub(c.follows)
		}
	}
	return y.Sub(rest.Mul(at.ground()))
}

// only is one reading of a drive taken out of many: the sensed quantity is x, the
// other one the mean.
func (s *sensedAt) only(use Use, x float64) *sensedAt {
	out := &sensedAt{sense: s.sense, set: s.set, flags: s.flags}
	v, i := s.v.Mean(), s.i.Mean()
	if use == UseVoltage {
		i = x
	} else {
		v = x
	}
	out.v.Add(0, v)
	out.i.Add(0, i)
	return out
}

// sensed is the readings of what is not forced, with the errors of their range;
// nil where those are not known.
func (s *sensedAt) sensed(use Use) (*derive.Accumulator, *bench.RangeErrors) {
	switch {
	case use == UseVoltage && s.sense != nil:
		return &s.i, s.sense.I
	case use == UseVoltage:
		return &s.i, nil
	case s.sense != nil:
		return &s.v, s.sense.V
	}
	return &s.v, nil
}
