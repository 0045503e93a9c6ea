package procedure

import (
	"math"

	"ohmkeep/server/dut"
)

// A curve is its points in order, and after them a few that are read again with
// each held level moved, to see how the curve follows it.

// backsAlong is about how often along a curve the levels that are held are read
// back: they give way under what the curve draws from them.
const backsAlong = 8

// readsBack reports whether point j of n reads the held levels back: those that
// are read again do.
func readsBack(j, n int) bool {
	return j == n-1 || j == n/2 || j%((n+backsAlong-1)/backsAlong) == 0
}

// nudgeNodes are the points of a curve that are read again: the last, the middle
// and the first, so that the way back is taken in two strides. A short curve has
// fewer.
func nudgeNodes(n int) []int {
	nodes := [...]int{n - 1, n / 2, 0}
	switch n {
	case 1:
		return nodes[2:]
	case 2:
		return nodes[1:]
	}
	return nodes[:]
}

// heldLevel is a level other than zero that pins are held at. Pins at one level
// may be on one channel, so they move together; the stepped pin moves alone.
type heldLevel struct {
	use     Use
	level   float64
	stepped bool
}

// maxHeld bounds the held levels whose influence is measured; those beyond it
// count with their whole deviation.
const maxHeld = 8

// bendingHeld stands for all held levels moved at once, as Point.Bending.
const bendingHeld = maxHeld

// movedAtNode is how often a node is read again where so many levels are held: once
// with each moved and, of a voltage, once with all moved (see nudges).
func (m *Measurement) movedAtNode(held int) int {
	if held > 0 && m.Use == UseCurrent {
		return held + 1
	}
	return held
}

// heldBeside gathers the levels that are held beside a swept pin, the stepped
// one first, without allocation.
func heldBeside(m *Measurement, d *dut.Device, pin int) (levels [maxHeld]heldLevel, n int) {
	add := func(h heldLevel) {
		for _, l := range levels[:n] {
			if l == h {
				return
			}
		}
		if n < maxHeld {
			levels[n] = h
			n++
		}
	}
	if m.Step != nil {
		add(heldLevel{use: m.Step.Use, stepped: true})
	}
	for i := range d.Pins {
		p := &d.Pins[i]
		if p.Number == pin || p.Number == m.Against || m.Step != nil && p.Number == m.Step.Pin {
			continue
		}
		if h := holdFor(m, d, *p); h.Use.TakesChannel() && h.Level != 0 {
			add(heldLevel{use: h.Use, level: h.Level})
		}
	}
	return levels, n
}

// moved is a level that is moved by a part of its stride to see what depends on it:
// towards zero, so that it keeps every rating, and from zero by a part of the largest
// step.
func (l heldLevel) moved(m *Measurement, level, part float64) float64 {
	if level != 0 || !l.stepped {
		return level * (1 - part*nudge)
	}
	low, high := m.Step.Sweep.Range()
	if math.Abs(low) > math.Abs(high) {
		high = low
	}
	return part * nudge * high
}

// is reports whether a hold stands at the level.
func (l heldLevel) is(m *Measurement, h *Hold) bool {
	if m.Step != nil && h.Pin == m.Step.Pin {
		return l.stepped
	}
	return !l.stepped && h.Use == l.use && h.Level == l.level
}

// sweepLayout says which point of a measurement is which of a curve.
type sweepLayout struct {
	n     int   // points of a curve
	first []int // by swept pin: its first point
	moved []int // by swept pin: how often a node is read again
	bends bool  // whether the first of these is with all levels moved
	per   int   // curves of one pin
}

func newSweepLayout(m *Measurement, d *dut.Device) sweepLayout {
	l := sweepLayout{n: m.Sweep.Count(), per: m.steps() * m.Sweep.directions(), bends: m.movedAtNode(1) > 1}
	at := 0
	for _, pin := range m.Pins {
		_, held := heldBeside(m, d, pin)
		l.first, l.moved = append(l.first, at), append(l.moved, m.movedAtNode(held))
		at += l.per * l.points(m.movedAtNode(held))
	}
	return l
}

// points is how many points a curve has with those of the moved levels.
func (l *sweepLayout) points(moved int) int { return l.n + len(nudgeNodes(l.n))*moved }

// place is what a point is: point j of its curve, as it is (held -1), with a held
// level moved or with all of them (bendingHeld).
func (l *sweepLayout) place(group int, point uint32) (j, held int) {
	pin := group / l.per
	if pin >= len(l.first) {
		return 0, -1
	}
	at := int(point) - l.first[pin]
	if at < 0 {
		return 0, -1
	}
	moved := l.moved[pin]
	at %= l.points(moved)
	if at < l.n {
		return at, -1
	}
	at -= l.n
	j, held = nudgeNodes(l.n)[at/moved], at%moved
	switch {
	case !l.bends:
		return j, held
	case held == 0:
		return j, bendingHeld
	}
	return j, held - 1
}
