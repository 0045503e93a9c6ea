package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// flagPair is what was flagged at one point of a transfer curve, and how well
// its input voltage is known.
type flagPair struct {
	flags bench.Flags
	u     float64 // standard uncertainty of the input, V
}

// transfer is one direction of a transfer curve: input against output. It is
// filled without allocation.
type transfer struct {
	x, y  []float64
	flags []flagPair
	// the point at work
	open             bool
	point            uint32
	sx, sy           float64
	nx, ny           int
	at               flagPair
	low, high, uyMax float64 // of the output, over points that count
	clamped          int
}

func (t *transfer) reset() {
	*t = transfer{x: t.x[:0], y: t.y[:0], flags: t.flags[:0]}
}

func (t *transfer) add(o *Observation, input bool) {
	if t.open && t.point != o.Point {
		t.close()
	}
	uv, _ := o.standard()
	t.open, t.point = true, o.Point
	t.at.flags |= o.Flags
	if input {
		t.sx += o.V
		t.nx++
		t.at.u = max(t.at.u, uv)
	} else {
		t.sy += o.V
		t.ny++
		t.uyMax = max(t.uyMax, uv)
	}
}

// close ends the point at work. One at its compliance is no measure of the set
// condition: it breaks the curve.
func (t *transfer) close() {
	if !t.open || t.nx == 0 || t.ny == 0 || len(t.x) == cap(t.x) {
		t.open = false
		return
	}
	x, y := t.sx/float64(t.nx), t.sy/float64(t.ny)
	if t.at.flags.Has(bench.InCompliance) {
		x, y = math.NaN(), math.NaN()
		t.clamped++
	} else {
		if t.low == 0 && t.high == 0 {
			t.low, t.high = y, y
		}
		t.low, t.high = min(t.low, y), max(t.high, y)
	}
	t.x, t.y, t.flags = append(t.x, x), append(t.y, y), append(t.flags, t.at)
	t.open, t.sx, t.sy, t.nx, t.ny, t.at = false, 0, 0, 0, 0, flagPair{}
}

// crossing is a threshold found in one direction.
type crossing struct {
	x, u  float64 // V, standard uncertainty
	step  float64 // part of u from the step of the sweep
	flags bench.Flags
	note  string
}

// leastSwing is the smallest change of an output that counts as switching, in
// volts. Common practice: no logic family swings less.
const leastSwing = 0.1

// cross finds the input at which the output passes level. The true threshold
// lies somewhere between the two levels around it, hence the part of a
// rectangular distribution one step wide.
func (t *transfer) cross(level, swing float64) (crossing, bool) {
	c, err := derive.FirstCrossing(t.x, t.y, level)
	if err != nil || c.Index+1 >= len(t.x) {
		return crossing{}, false
	}
	i := c.Index
	out := crossing{x: c.X, flags: t.flags[i].flags | t.flags[i+1].flags}
	if math.Abs(t.y[i+1]-t.y[i]) > 0.8*swing { // a snap says nothing about where between
		out.x = (t.x[i] + t.x[i+1]) / 2
	}
	out.step = budget.Resolution(math.Abs(t.x[i+1] - t.x[i]))
	out.u = budget.RootSumSquares(max(t.flags[i].u, t.flags[i+1].u), out.step)
	if c.Count > 1 {
		out.note = fmt.Sprintf("the output passes the middle %d times: noise or oscillation near the threshold", c.Count)
	}
	return out, true
}

// thresholdDeriver keeps the transfer curves of the pin at work, and the results
// of those before it.
type thresholdDeriver struct {
	kit
	dir  [2]transfer
	pin  int // index of the pin at work; -1 before the first reading
	done []Result
}

func (t *thresholdDeriver) Add(o Observation) {
	dirs := t.m.Sweep.directions()
	if o.Flags.Has(bench.Auxiliary) {
		return
	}
	i, dir := int(o.Group)/dirs, int(o.Group)%dirs
	if i >= len(t.m.Pins) {
		return
	}
	if i != t.pin {
		t.finish()
		t.pin = i
	}
	if dir == 1 && t.dir[0].open {
		t.dir[0].close()
	}
	t.dir[dir].add(&o, int(o.Pin) == t.m.Pins[i])
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
	var found [2]*crossing
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
		x, ok := c.cross((low+high)/2, swing)
		if !ok || !(swing >= max(leastSwing, 10*c.uyMax)) {
			out = t.add(out, t.notSwitched(v, d))
			continue
		}
		found[d] = &x
		v.of, v.flags, v.note = guessed(x.x, x.u), x.flags, x.note
		out = t.add(out, v)
	}
	if found[0] != nil && found[1] != nil {
		out = t.add(out, t.hysteresis(found))
	}
	return out
}

// notSwitched is the result where the output did not answer: the end of the
// sweep, beyond which the threshold must lie if there is one.
func (t *thresholdDeriver) notSwitched(v value, dir int) value {
	low, high := t.m.Sweep.Range()
	first, last := t.m.Sweep.At(dir*t.m.Sweep.Count()), t.m.Sweep.At((dir+1)*t.m.Sweep.Count()-1)
	v.of, v.counted, v.only, v.bound = budget.Exact(last), true, true, sign(last-first)
	v.note = fmt.Sprintf("%s did not switch between %s and %s", t.label(t.m.Observe), volts(low), volts(high))
	if n := t.dir[dir].clamped; n > 0 {
		v.flags = bench.InCompliance
		v.note += fmt.Sprintf("; %d points were at the compliance", n)
	}
	return v
}

// hysteresis is rising less falling. Both come from the same range of the same
// channel, so that the accuracy counts as for any difference.
func (t *thresholdDeriver) hysteresis(found [2]*crossing) value {
	rise, fall := found[0], found[1]
	if edge(t.m.Sweep, 0) != "rising" {
		rise, fall = fall, rise
	}
	accuracy := func(c *crossing) float64 { return math.Sqrt(max(c.u*c.u-c.step*c.step, 0)) }
	u := budget.RootSumSquares(differenceU(rise.x, accuracy(rise), fall.x, accuracy(fall)), rise.step, fall.step)
	return value{key: "hysteresis", pin: t.m.Pins[t.pin], of: guessed(rise.x-fall.x, u), flags: rise.flags | fall.flags}
}
