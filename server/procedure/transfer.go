package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
)

// transfer is one direction of a transfer curve: input against output, by points.
// It is filled without allocation.
type transfer struct {
	x, i, y []float64 // input V, current out of its channel A, output V
	flags   []bench.Flags
	line    derive.Accumulator // the input against what was set
	held    []heldAt           // levels read back, in the order of the points
	// the point at work
	open             bool
	point            uint32
	sx, si, sy       float64
	nx, ny           int
	at               bench.Flags
	set              float64
	low, high, uyMax float64 // of the output, over points that count
	clamped          int
}

// heldAt is what was read back of one held level at a point.
type heldAt struct {
	before int // points of the curve before it
	read   sensedAt
}

func (t *transfer) reset() {
	*t = transfer{x: t.x[:0], i: t.i[:0], y: t.y[:0], flags: t.flags[:0], held: t.held[:0]}
}

func (t *transfer) room(n int) {
	t.x, t.i, t.y, t.flags = make([]float64, 0, n), make([]float64, 0, n), make([]float64, 0, n), make([]bench.Flags, 0, n)
}

func (t *transfer) add(o *Observation, input bool) {
	if t.open && t.point != o.Point {
		t.close()
	}
	t.open, t.point = true, o.Point
	t.at |= o.Flags
	if input {
		t.sx += o.V
		t.si += o.I
		t.set = o.Set
		t.nx++
	} else {
		uv, _ := o.standard()
		t.sy += o.V
		t.ny++
		t.uyMax = max(t.uyMax, uv)
	}
}

// hold takes a level that was read back together with the point at work.
func (t *transfer) hold(o *Observation) {
	h := heldAt{before: len(t.x)}
	if t.open && t.point != o.Point {
		h.before++ // the point before is closed only by the next reading
	}
	h.read.add(o)
	t.held = append(t.held, h)
}

// close ends the point at work. One at its compliance is no measure of the set
// condition: it breaks the curve.
func (t *transfer) close() {
	if !t.open || t.nx == 0 || t.ny == 0 || len(t.x) == cap(t.x) {
		t.open = false
		return
	}
	x, y := t.sx/float64(t.nx), t.sy/float64(t.ny)
	if t.at.Has(bench.InCompliance) {
		x, y = math.NaN(), math.NaN()
		t.clamped++
	} else {
		if len(t.x) == t.clamped { // the first that counts
			t.low, t.high = y, y
		}
		t.low, t.high = min(t.low, y), max(t.high, y)
		t.line.Add(t.set, x)
	}
	t.x, t.i, t.y, t.flags = append(t.x, x), append(t.i, t.si/float64(t.nx)), append(t.y, y), append(t.flags, t.at)
	t.open, t.sx, t.si, t.sy, t.nx, t.ny, t.at = false, 0, 0, 0, 0, 0, 0
}

// crossing is where the output passes its middle in one direction, as the input
// was read.
type crossing struct {
	before int     // index of the point before it
	x, i   float64 // V, A
	half   float64 // the true one lies within so much to both sides, V
	flags  bench.Flags
	note   string
}

// leastSwing is the smallest change of an output that counts as switching, in
// volts. Common practice: no logic family swings less.
const leastSwing = 0.1

// cross finds the input at which the output passes level. Where the output snaps,
// the true threshold lies anywhere between the two levels around it; where it
// moves over several points, within what a straight line between two of them may
// miss of the curve. lag is how the output follows its input.
func (t *transfer) cross(level, swing float64, lag follower) (crossing, bool) {
	c, err := derive.FirstCrossing(t.x, t.y, level)
	if err != nil || c.Index+1 >= len(t.x) {
		return crossing{}, false
	}
	i := c.Index
	step, rise := t.x[i+1]-t.x[i], math.Abs(t.y[i+1]-t.y[i])
	out := crossing{before: i, x: c.X, i: (t.i[i] + t.i[i+1]) / 2, half: math.Abs(step) / 2, flags: t.flags[i] | t.flags[i+1]}
	if rise > 0.8*swing { // a snap says nothing about where between
		out.x = (t.x[i] + t.x[i+1]) / 2
	} else {
		out.half = min(out.half, math.Abs(step)*(t.bend(i)/4+t.uyMax*sure)/rise+math.Abs(step)*lag.left)
	}
	if late := float64(lag.points); late > 0 {
		// The input had gone on when the output was seen to have switched.
		out.x -= late * step / 2
		out.half += late * math.Abs(step) / 2
		out.note = "the output follows its channel too slowly for this settle: the threshold may lie up to " +
			fmt.Sprintf("%d steps before", lag.points)
	}
	if c.Count > 1 {
		out.note = fmt.Sprintf("the output passes the middle %d times: noise or oscillation near the threshold", c.Count)
	}
	return out, true
}

// bend is the largest second difference of the output around points i and i+1, V.
func (t *transfer) bend(i int) float64 {
	most := 0.0
	for k := max(i, 1); k <= i+1 && k+1 < len(t.y); k++ {
		if b := math.Abs(t.y[k+1] - 2*t.y[k] + t.y[k-1]); b > most { // not where the curve breaks
			most = b
		}
	}
	return most
}

// heldBy gives what was read back of a drive nearest to a point of the curve: at or
// before it, or behind it. Where there is nothing on that side it is the other
// one's; nil where the drive was never read back.
func (t *transfer) heldBy(drive, point int, behind bool) *sensedAt {
	var before, after *sensedAt
	for k := range t.held {
		h := &t.held[k]
		switch {
		case h.read.sense == nil || h.read.sense.Drive != drive:
		case h.before <= point:
			before = &h.read
		case after == nil:
			after = &h.read
		}
	}
	if after == nil || before != nil && !behind {
		return before
	}
	return after
}
