package liverun

import (
	"math"
	"math/bits"
)

// stretches cuts the curve into stretches narrower than width and lists what to
// keep of them. With gaps, the first of each row of points that cannot be
// drawn is kept, and ends a stretch; without, they are left out.
func (t *thinner) stretches(width float64, gaps bool) {
	points, places := t.points, t.places[:len(t.points)]
	keep := t.keep[:0]
	gap := false
	for i := 0; i < len(points); {
		if places[i] != places[i] { // NaN
			if gaps && !gap {
				keep = append(keep, int32(i))
			}
			gap = true
			i++
			continue
		}
		gap = false
		if i+1 < len(places) && math.Abs(places[i+1]-places[i]) >= width {
			keep = append(keep, int32(i)) // a stretch of one point, as most where a curve scatters
			i++
			continue
		}
		var s extremes
		s, i = stretch(points, places, i, width, gaps)
		keep = s.appendTo(keep)
	}
	t.keep = keep
}

// stretch goes along the curve from point i, which can be drawn, for as long as
// it stays narrower than width, and returns where the next stretch begins.
func stretch(points []point, places []float64, i int, width float64, gaps bool) (s extremes, next int) {
	at := int32(i)
	s = extremes{at, at, at, at, at, at, -1}
	left, right := places[i], places[i]
	low, high := points[i].y, points[i].y
	if points[i].hollow {
		s.hollow = at
	}
	for i++; i < len(places); i++ {
		x, at := places[i], int32(i)
		switch {
		case x < left:
			if right-x >= width {
				return s, i
			}
			left, s.left = x, at
		case x > right:
			if x-left >= width {
				return s, i
			}
			right, s.right = x, at
		case x != x: // NaN
			if gaps {
				return s, i
			}
			continue
		}
		s.last = at
		p := &points[i]
		if p.y < low {
			low, s.low = p.y, at
		}
		if p.y > high {
			high, s.high = p.y, at
		}
		if p.hollow && s.hollow < 0 {
			s.hollow = at
		}
	}
	return s, i
}

// appendFew is appendTo for a stretch of at most 64 points: no sorting, since
// most stretches of a curve that scatters have one to three points.
func (s *extremes) appendFew(dst []int32) []int32 {
	if s.first == s.last {
		return append(dst, s.first)
	}
	has := uint64(1) | 1<<(s.last-s.first) | 1<<(s.left-s.first) | 1<<(s.right-s.first) | 1<<(s.low-s.first) | 1<<(s.high-s.first)
	if s.hollow >= 0 {
		has |= 1 << (s.hollow - s.first)
	}
	for ; has != 0; has &= has - 1 {
		dst = append(dst, s.first+int32(bits.TrailingZeros64(has)))
	}
	return dst
}
