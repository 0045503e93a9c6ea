package liverun

import (
	"math"
	"math/bits"
	"slices"
)

// outline lists the lowest, highest and first hollow point of each column, and
// the ends of the curve in both directions.
func (t *thinner) outline() {
	t.marked = append(t.marked[:0], make([]uint64, (len(t.points)+63)/64)...)
	first := math.Floor(t.low / t.column)
	n := 1
	if t.high > t.low {
		n += int(math.Floor(t.high/t.column) - first)
	}
	t.columns = slices.Grow(t.columns[:0], n)[:n]
	for i := range t.columns {
		t.columns[i].first = -1
	}
	ends := extremes{first: -1}
	for i, x := range t.places {
		if x != x { // NaN
			continue
		}
		at := int32(i)
		if ends.first < 0 {
			ends = extremes{first: at, left: at, right: at}
		}
		ends.last = at
		if t.points[i].x < t.points[ends.left].x {
			ends.left = at
		}
		if t.points[i].x > t.points[ends.right].x {
			ends.right = at
		}
		k := 0
		if n > 1 {
			k = min(max(int(math.Floor(x/t.column)-first), 0), n-1)
		}
		t.enter(&t.columns[k], at)
	}
	if ends.first >= 0 {
		t.mark(ends.first, ends.last, ends.left, ends.right)
	}
	for i := range t.columns {
		if c := &t.columns[i]; c.first >= 0 {
			t.mark(c.low, c.high)
			if c.hollow >= 0 {
				t.mark(c.hollow)
			}
		}
	}
	t.listMarked()
}

// enter adds a point to its column.
func (t *thinner) enter(c *extremes, at int32) {
	p := &t.points[at]
	if c.first < 0 {
		*c = extremes{first: at, low: at, high: at, hollow: -1}
	}
	if p.y < t.points[c.low].y {
		c.low = at
	}
	if p.y > t.points[c.high].y {
		c.high = at
	}
	if p.hollow && c.hollow < 0 {
		c.hollow = at
	}
}

// mark marks points to keep.
func (t *thinner) mark(indices ...int32) {
	for _, i := range indices {
		t.marked[i/64] |= 1 << (i % 64)
	}
}

// listMarked lists the marked points in their order.
func (t *thinner) listMarked() {
	t.keep = t.keep[:0]
	for w, word := range t.marked {
		for ; word != 0; word &= word - 1 {
			t.keep = append(t.keep, int32(64*w+bits.TrailingZeros64(word)))
		}
	}
}
