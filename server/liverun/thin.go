package liverun

import (
	"math"
	"sync"

	"ohmkeep/server/procedure"
)

const (
	// drawable is the largest magnitude that a plot has an axis for.
	drawable = 1e30
	// widest bounds the stretches of a curve that scatters: how much wider than a
	// column of the screen they may be, as a power of two.
	widest = 4
)

// thinners keeps the memory of thinning for the next curve: a run at work thins
// some ten thousand points hundreds of times.
var thinners = sync.Pool{New: func() any { return new(thinner) }}

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
	t := thinners.Get().(*thinner)
	defer thinners.Put(t)
	t.begin(points, s)
	for {
		// A stretch of another beginning may leave out one point more.
		n := len(t.points)
		if t.once(); len(t.points) == n {
			points, t.points = t.points, nil
			return points
		}
	}
}

// thinner is the thinning of one curve, with memory that is used again.
type thinner struct {
	points []point
	// places are the points' positions along the X axis; NaN where a point cannot
	// be drawn. low and high are the ends of what the curve spans there, and
	// column is a column's width: what is kept spans the same.
	places            []float64
	low, high, column float64

	keep    []int32    // indices of what is kept
	columns []extremes // of outline
	marked  []uint64   // of outline: a bit for each point
}

// begin takes a curve.
func (t *thinner) begin(points []point, s *procedure.Shape) {
	t.points, t.places = points, t.places[:0]
	low, high := math.Inf(1), math.Inf(-1)
	for i := range points {
		p := &points[i]
		at := math.NaN()
		if canDraw(p.x, s.X.Log) && canDraw(p.y, s.Y.Log) {
			at = p.x
			low, high = min(low, at), max(high, at)
		}
		t.places = append(t.places, at)
	}
	if s.X.Log {
		for i, x := range t.places {
			t.places[i] = math.Log10(x)
		}
		low, high = math.Log10(low), math.Log10(high)
	}
	t.low, t.high, t.column = low, high, columnOf(low, high)
}

// canDraw reports whether an axis has a place for v.
func canDraw(v float64, log bool) bool {
	if log {
		return v >= 1/drawable && v <= drawable
	}
	return v >= -drawable && v <= drawable
}

// columnOf returns the width of a column of the screen for a curve that spans
// low to high, in the measure of its places.
func columnOf(low, high float64) float64 {
	if !(high > low) {
		return math.SmallestNonzeroFloat64
	}
	part, exponent := math.Frexp((high - low) / Columns)
	if part == 0.5 {
		exponent--
	}
	return math.Ldexp(1, exponent)
}

// once is one pass of thin.
func (t *thinner) once() {
	t.stretches(t.column, true)
	for k := 1; len(t.keep) > mostPoints && k <= widest; k++ {
		t.take()
		t.stretches(math.Ldexp(t.column, k), false)
	}
	if len(t.keep) > mostPoints {
		t.take()
		t.outline()
	}
	t.take()
}

// take drops all points but those to keep.
func (t *thinner) take() {
	if len(t.keep) < len(t.points) {
		for i, j := range t.keep {
			t.points[i], t.places[i] = t.points[j], t.places[j]
		}
	}
	t.points, t.places = t.points[:len(t.keep)], t.places[:len(t.keep)]
}

// extremes are the points that must be kept of a part of a curve, by index;
// hollow is -1 where none is.
type extremes struct {
	first, last, left, right, low, high, hollow int32
}

// appendTo adds the indices in order, each once.
func (s *extremes) appendTo(dst []int32) []int32 {
	if s.last-s.first < 64 {
		return s.appendFew(dst)
	}
	all := [...]int32{s.first, s.left, s.right, s.low, s.high, s.hollow, s.last}
	for i := 1; i < len(all); i++ {
		for j := i; j > 0 && all[j] < all[j-1]; j-- {
			all[j], all[j-1] = all[j-1], all[j]
		}
	}
	before := int32(-1)
	for _, i := range all {
		if i > before {
			dst = append(dst, i)
			before = i
		}
	}
	return dst
}
