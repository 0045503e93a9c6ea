package liverun

import (
	"math"
	"slices"

	"ohmkeep/server/procedure"
)

const (
	// drawable is the largest magnitude that a plot has an axis for.
	drawable = 1e30
	// widest bounds the stretches of a curve that scatters: how much wider than a
	// column of the screen they may be, as a power of two.
	widest = 4
)

// thin keeps of a curve what a plot can show, at most mostPoints of its points,
// in their order and in their memory.
//
// It goes along the curve in stretches that are narrower than a column, and
// keeps of each the first, last, leftmost, rightmost, lowest, highest and the
// first in compliance: the line through them covers what the line through all
// covers, loops and spikes included, since a stretch ends where the curve moves
// on. A second time it keeps the same again, so that what has been thinned
// before does not fade. A column is a power of two wide, between 1/800 and 2/800
// of what the curve spans, so that it grows rarely, and by whole columns.
//
// A curve that scatters by more than a column is drawn in wider stretches, where
// points that cannot be drawn leave no gap any more; and a mere cloud, of which
// nothing can be left out unseen, by the outline that it has.
func thin(points []point, s *procedure.Shape) []point {
	for {
		// A stretch of another beginning may leave out one point more.
		n := len(points)
		if points = thinOnce(points, s); len(points) == n {
			return points
		}
	}
}

// thinOnce is one pass of thin.
func thinOnce(points []point, s *procedure.Shape) []point {
	t := thinner{points: points, logX: s.X.Log, logY: s.Y.Log}
	width := t.column()
	keep := t.stretches(width, true)
	for k := 1; len(keep) > mostPoints && k <= widest; k++ {
		t.take(keep)
		keep = t.stretches(math.Ldexp(width, k), false)
	}
	if len(keep) > mostPoints {
		t.take(keep)
		keep = t.outline(width)
	}
	t.take(keep)
	return t.points
}

type thinner struct {
	points     []point
	logX, logY bool
}

// take keeps the points at the given ascending indices.
func (t *thinner) take(indices []int) {
	for i, j := range indices {
		t.points[i] = t.points[j]
	}
	t.points = t.points[:len(indices)]
}

// canDraw reports whether an axis has a place for v.
func canDraw(v float64, log bool) bool {
	if log {
		return v >= 1/drawable && v <= drawable
	}
	return v >= -drawable && v <= drawable
}

func (t *thinner) shown(p *point) bool { return canDraw(p.x, t.logX) && canDraw(p.y, t.logY) }

// place returns the position of a point along the X axis.
func (t *thinner) place(x float64) float64 {
	if t.logX {
		return math.Log10(x)
	}
	return x
}

// column returns the width of a column of the screen in the measure of place.
func (t *thinner) column() float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for i := range t.points {
		if p := &t.points[i]; t.shown(p) {
			low, high = min(low, p.x), max(high, p.x)
		}
	}
	if !(high > low) {
		return math.SmallestNonzeroFloat64
	}
	part, exponent := math.Frexp((t.place(high) - t.place(low)) / Columns)
	if part == 0.5 {
		exponent--
	}
	return math.Ldexp(1, exponent)
}

// stretch is a part of a curve that is narrower than a column, by the indices
// of the points that must be kept of it; hollow is -1 where none is.
type stretch struct {
	first, last, left, right, low, high, hollow int
}

// appendTo adds the indices in order, each once.
func (s *stretch) appendTo(dst []int) []int {
	all := [...]int{s.first, s.left, s.right, s.low, s.high, s.hollow, s.last}
	for i := 1; i < len(all); i++ {
		for j := i; j > 0 && all[j] < all[j-1]; j-- {
			all[j], all[j-1] = all[j-1], all[j]
		}
	}
	before := -1
	for _, i := range all {
		if i > before {
			dst = append(dst, i)
			before = i
		}
	}
	return dst
}

// stretches cuts the curve into stretches narrower than width and returns what
// to keep of them. With gaps, the first of each row of points that cannot be
// drawn is kept, and ends a stretch; without, they are left out.
func (t *thinner) stretches(width float64, gaps bool) (keep []int) {
	keep = make([]int, 0, len(t.points))
	var s stretch
	open, gap := false, false
	var left, right float64
	for i := range t.points {
		p := &t.points[i]
		if !t.shown(p) {
			if gaps && !gap {
				if open {
					keep = s.appendTo(keep)
				}
				keep = append(keep, i)
				open, gap = false, true
			}
			continue
		}
		gap = false
		x := t.place(p.x)
		if open && max(right, x)-min(left, x) >= width {
			keep = s.appendTo(keep)
			open = false
		}
		if !open {
			s = stretch{i, i, i, i, i, i, -1}
			left, right, open = x, x, true
		}
		s.last = i
		if x < left {
			left, s.left = x, i
		}
		if x > right {
			right, s.right = x, i
		}
		if p.y < t.points[s.low].y {
			s.low = i
		}
		if p.y > t.points[s.high].y {
			s.high = i
		}
		if p.hollow && s.hollow < 0 {
			s.hollow = i
		}
	}
	if open {
		keep = s.appendTo(keep)
	}
	return keep
}

// outline returns the lowest, highest and first hollow point of each column,
// and the ends of the curve in both directions.
func (t *thinner) outline(width float64) []int {
	columns := map[float64]*stretch{}
	var ends stretch
	any := false
	for i := range t.points {
		p := &t.points[i]
		if !t.shown(p) {
			continue
		}
		if !any {
			ends, any = stretch{i, i, i, i, i, i, -1}, true
		}
		ends.last = i
		if p.x < t.points[ends.left].x {
			ends.left = i
		}
		if p.x > t.points[ends.right].x {
			ends.right = i
		}
		at := math.Floor(t.place(p.x) / width)
		c := columns[at]
		if c == nil {
			c = &stretch{low: i, high: i, hollow: -1}
			columns[at] = c
		}
		if p.y < t.points[c.low].y {
			c.low = i
		}
		if p.y > t.points[c.high].y {
			c.high = i
		}
		if p.hollow && c.hollow < 0 {
			c.hollow = i
		}
	}
	keep := []int{}
	if any {
		keep = append(keep, ends.first, ends.last, ends.left, ends.right)
	}
	for _, c := range columns {
		keep = append(keep, c.low, c.high)
		if c.hollow >= 0 {
			keep = append(keep, c.hollow)
		}
	}
	slices.Sort(keep)
	return slices.Compact(keep)
}
