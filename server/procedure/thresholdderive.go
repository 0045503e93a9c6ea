package procedure

import (
	"cmp"
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// thresholdDeriver keeps the transfer curves of the pin at work, and the results
// of those before it.
type thresholdDeriver struct {
	kit
	dir     [2]transfer
	in, out *Sense // of the pin at work, and of the output
	pin     int    // index of the pin at work; -1 before the first reading
	done    []Result
}

func newThresholdDeriver(kt kit) *thresholdDeriver {
	t := &thresholdDeriver{kit: kt, pin: -1}
	n := kt.m.Sweep.Count()
	for k := range t.dir {
		t.dir[k].room(n)
	}
	return t
}

func (t *thresholdDeriver) Add(o Observation) {
	dirs := t.m.Sweep.directions()
	i, dir := int(o.Group)/dirs, int(o.Group)%dirs
	if i >= len(t.m.Pins) {
		return
	}
	if i != t.pin {
		t.finish()
		t.pin = i
	}
	if o.Flags.Has(bench.Auxiliary) {
		t.dir[dir].hold(&o)
		return
	}
	if dir == 1 && t.dir[0].open {
		t.dir[0].close()
	}
	input := int(o.Pin) == t.m.Pins[i]
	if input {
		t.in = o.Sense
	} else {
		t.out = o.Sense
	}
	t.dir[dir].add(&o, input)
}

// finish keeps the results of the pin at work and makes room for the next.
func (t *thresholdDeriver) finish() {
	if t.pin < 0 {
		return
	}
	t.done = t.current(t.done)
	t.dir[0].reset()
	t.dir[1].reset()
}

func (t *thresholdDeriver) Results() []Result {
	out := append([]Result(nil), t.done...)
	if t.pin >= 0 {
		out = t.current(out)
	}
	return out
}

// current appends what can be said of the pin at work: each direction once it is
// whole, since the middle of the swing is not known before.
func (t *thresholdDeriver) current(out []Result) []Result {
	n, dirs := t.m.Sweep.Count(), t.m.Sweep.directions()
	var found [2]*value
	low, high := math.Inf(1), math.Inf(-1)
	for d := range dirs {
		c := &t.dir[d]
		if c.open && len(c.x) == n-1 && c.nx >= t.m.repeats() && c.ny >= t.m.repeats() {
			c.close()
		}
		if len(c.x) > c.clamped {
			low, high = min(low, c.low), max(high, c.high)
		}
	}
	swing := high - low
	for d := range dirs {
		c := &t.dir[d]
		if len(c.x) < n {
			continue
		}
		v := value{key: edge(t.m.Sweep, d), pin: t.m.Pins[t.pin]}
		x, ok := c.cross((low+high)/2, swing, t.following())
		if !ok || !(swing >= max(leastSwing, 10*c.uyMax)) {
			out = t.add(out, t.notSwitched(v, d))
			continue
		}
		v.of, v.flags, v.note, v.lost = t.threshold(c, &x), x.flags, x.note, t.lostLevel(c)
		found[d] = &v
		out = t.add(out, v)
	}
	if found[0] != nil && found[1] != nil {
		out = t.add(out, t.hysteresis(found))
	}
	return out
}

// threshold is the crossing as a voltage of the pin against the part's ground,
// with the supply at what was asked for. Supplies are read back at some points of
// the sweep only: it lies between what those before and behind it give.
func (t *thresholdDeriver) threshold(c *transfer, x *crossing) budget.Value {
	follow := withinOne("how the threshold follows the supply", budget.HeldLevel, budget.Rectangular)
	follow.Assumed = true
	input, output := t.readAt(c, x)
	before, behind := t.thresholdAt(c, x, input, output, false, follow), t.thresholdAt(c, x, input, output, true, follow)
	of := between(before, behind, "supply between two readings of it")
	if t.in != nil {
		// Single readings scatter about the line of what was set by noise and hum.
		if extra := c.line.ResidualSD(); extra > t.in.V.Noise {
			of = of.With(budget.NewSource("scatter of "+t.in.V.Name+" about the sweep", budget.Scatter, budget.Normal, extra/math.Sqrt2), 1)
		}
	}
	return widened(of, x.half, "step of the sweep", budget.Step)
}

// readAt is what input and output read where the output switched.
func (t *thresholdDeriver) readAt(c *transfer, x *crossing) (input, output *sensedAt) {
	input, output = &sensedAt{sense: t.in}, &sensedAt{sense: t.out}
	input.v.Add(0, x.x)
	input.i.Add(0, x.i)
	output.v.Add(0, c.y[x.before])
	output.i.Add(0, 0)
	return input.fix(), output.fix()
}

// thresholdAt is the crossing with the levels as they were read back before or
// behind it.
func (t *thresholdDeriver) thresholdAt(c *transfer, x *crossing, input, output *sensedAt, behind bool, follow *budget.Source) budget.Value {
	if t.in == nil || t.in.Segment == nil {
		v, _ := input.values()
		return v
	}
	seg := t.in.Segment
	at := solve(seg, func(k int) *sensedAt {
		switch {
		case k == t.in.Drive:
			return input
		case t.out != nil && k == t.out.Drive:
			return output
		}
		return c.heldBy(k, x.before, behind)
	})
	ground := at.ground()
	v := at.v[t.in.Drive].Sub(ground)
	if k := t.supplyOf(seg, at); k >= 0 {
		set := c.heldBy(k, x.before, behind).set
		part, within := followsSupply(v.X, set)
		off := at.v[k].Sub(ground).Sub(budget.Exact(set))
		v = v.Sub(budget.Exact(part).With(follow, within).Mul(off))
	}
	return v
}

// followsSupply is the part of a change of its supply by which a threshold follows,
// both in V, and what that may be off by. It is taken as in proportion, as that of a
// CMOS input is, within not at all, as that of an input with a reference of its own,
// and all of it. Common practice.
func followsSupply(threshold, supply float64) (part, within float64) {
	part = 0.5
	if at := threshold / supply; at >= 0 && at <= 1 {
		part = at
	}
	return part, max(part, 1-part)
}

// supplyOf is the drive of the supply that the pin at work leads to, or of the
// first one that was read back; -1 where none was. A supply that is swept itself is
// none that is held.
func (t *thresholdDeriver) supplyOf(seg *Segment, at *situation) int {
	pin, _ := t.d.Pin(t.m.Pins[t.pin])
	found := -1
	for k, d := range seg.Drives {
		p, _ := t.d.Pin(d.Pin)
		if k == t.in.Drive || !at.known[k] || d.Mode != bench.ForceVoltage || p.Function != dut.Supply {
			continue
		}
		if d.Pin == pin.Clamp {
			return k
		}
		if found < 0 {
			found = k
		}
	}
	return found
}

// lostLevel says which held level was not reached; "" where all were.
func (t *thresholdDeriver) lostLevel(c *transfer) string {
	for k := range c.held {
		h := &c.held[k].read
		if h.flags.Has(bench.InCompliance) && h.sense != nil && h.sense.Segment != nil {
			return t.lostPin(h.sense.Segment.Drives[h.sense.Drive].Pin)
		}
	}
	return ""
}

// follower is how the output follows its input at one point of the sweep.
type follower struct {
	left   float64 // part of a change that is still to come when it is read
	points int     // that pass before more than half of a snap is seen
}

// following works it out from the plan.
func (t *thresholdDeriver) following() follower {
	if t.out == nil || t.out.Segment == nil || t.m.Settle.UntilStable {
		return follower{}
	}
	s := t.out.Segment.settlingOf(t.out.Drive)
	f := follower{left: s.left(t.m.Settle.Time)}
	if half := s.charge + math.Ln2*s.tau; t.m.Settle.Time < half {
		f.points = int(math.Ceil((half - t.m.Settle.Time) / (t.m.Settle.Time + t.out.Cycles/t.out.Segment.lineHz())))
	}
	return f
}

// notSwitched is the result where the output did not answer: the last level of the
// sweep that was reached, as it was read, beyond which the threshold must lie if
// there is one.
func (t *thresholdDeriver) notSwitched(v value, dir int) value {
	low, high := t.m.Sweep.Range()
	n := t.m.Sweep.Count()
	c, first, last := &t.dir[dir], t.m.Sweep.At(dir*n), t.m.Sweep.At((dir+1)*n-1)
	end := len(c.x) - 1
	for end >= 0 && !finite(c.x[end]) { // at the compliance
		end--
	}
	v.only, v.bound = true, sign(last-first)
	if end >= 0 {
		v.of, v.lost = t.threshold(c, &crossing{before: end, x: c.x[end], i: c.i[end]}), t.lostLevel(c)
	} else {
		v.of, v.counted, v.bound = budget.Exact(first), true, 0 // it was nowhere
	}
	v.note = fmt.Sprintf("%s did not switch between %s and %s", t.label(t.m.Observe), volts(low), volts(high))
	if n := c.clamped; n > 0 {
		v.flags = bench.InCompliance
		v.note += fmt.Sprintf("; %d points were at the compliance", n)
	}
	return v
}

// hysteresis is rising less falling. Both come from the same range of the same
// channel, whose gain and offset fall out as far as they do.
func (t *thresholdDeriver) hysteresis(found [2]*value) value {
	rise, fall := found[0], found[1]
	if rise.key != "rising" {
		rise, fall = fall, rise
	}
	return value{key: "hysteresis", pin: t.m.Pins[t.pin], of: rise.of.Sub(fall.of), flags: rise.flags | fall.flags,
		note: joinLabel(rise.note, fall.note), lost: cmp.Or(rise.lost, fall.lost)}
}
