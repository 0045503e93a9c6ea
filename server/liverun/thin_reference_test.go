package liverun

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// plainThin is thin as it is described, with sets, maps and sorting and without
// a thought of speed: what thin must give, point for point.
func plainThin(points []point, s *procedure.Shape) []point {
	for {
		n := len(points)
		width := plainColumn(points, s)
		kept := plainStretches(points, s, width, true)
		for k := 1; len(kept) > mostPoints && k <= widest; k++ {
			kept = plainStretches(kept, s, math.Ldexp(width, k), false)
		}
		if len(kept) > mostPoints {
			kept = plainOutline(kept, s, width)
		}
		if points = kept; len(points) == n {
			return points
		}
	}
}

func plainShown(p point, s *procedure.Shape) bool {
	return canDraw(p.x, s.X.Log) && canDraw(p.y, s.Y.Log)
}

func plainPlace(x float64, s *procedure.Shape) float64 {
	if s.X.Log {
		return math.Log10(x)
	}
	return x
}

func plainColumn(points []point, s *procedure.Shape) float64 {
	var places []float64
	for _, p := range points {
		if plainShown(p, s) {
			places = append(places, plainPlace(p.x, s))
		}
	}
	if len(places) == 0 || slices.Min(places) == slices.Max(places) {
		return math.SmallestNonzeroFloat64
	}
	least := (slices.Max(places) - slices.Min(places)) / Columns
	if least == 0 {
		return 1
	}
	width := math.Ldexp(1, -1074)
	for width < least {
		width *= 2
	}
	return width
}

// plainStretches keeps the seven points of every stretch.
func plainStretches(points []point, s *procedure.Shape, width float64, gaps bool) []point {
	keep := map[int]bool{}
	var open []int // the stretch at work
	var low, high float64
	end := func() {
		for _, pick := range []func(a, b point) bool{
			func(a, b point) bool { return plainPlace(a.x, s) < plainPlace(b.x, s) },
			func(a, b point) bool { return plainPlace(a.x, s) > plainPlace(b.x, s) },
			func(a, b point) bool { return a.y < b.y },
			func(a, b point) bool { return a.y > b.y },
			func(a, b point) bool { return a.hollow && !b.hollow },
		} {
			plainPick(points, open, pick, keep)
		}
		if len(open) > 0 {
			keep[open[0]], keep[open[len(open)-1]] = true, true
		}
		open = nil
	}
	for i, p := range points {
		if !plainShown(p, s) {
			if gaps {
				end()
				keep[i] = i == 0 || plainShown(points[i-1], s)
			}
			continue
		}
		x := plainPlace(p.x, s)
		if len(open) > 0 && max(high, x)-min(low, x) >= width {
			end()
		}
		if len(open) == 0 {
			low, high = x, x
		}
		low, high, open = min(low, x), max(high, x), append(open, i)
	}
	end()
	return plainKeep(points, keep)
}

// plainPick keeps the first of the points that comes before all others by pick.
func plainPick(points []point, among []int, before func(a, b point) bool, keep map[int]bool) {
	if len(among) == 0 {
		return
	}
	best := among[0]
	for _, i := range among {
		if before(points[i], points[best]) {
			best = i
		}
	}
	keep[best] = true
}

func plainKeep(points []point, keep map[int]bool) (kept []point) {
	for i, p := range points {
		if keep[i] {
			kept = append(kept, p)
		}
	}
	return kept
}

// plainOutline keeps the ends of the curve, and of every column the lowest, the
// highest and the first hollow point.
func plainOutline(points []point, s *procedure.Shape, width float64) []point {
	keep := map[int]bool{}
	columns := map[float64][]int{}
	var all []int
	for i, p := range points {
		if plainShown(p, s) {
			at := math.Floor(plainPlace(p.x, s) / width)
			columns[at], all = append(columns[at], i), append(all, i)
		}
	}
	lower, higher := func(a, b point) bool { return a.y < b.y }, func(a, b point) bool { return a.y > b.y }
	for _, c := range columns {
		plainPick(points, c, lower, keep)
		plainPick(points, c, higher, keep)
		for _, i := range c {
			if points[i].hollow {
				keep[i] = true
				break
			}
		}
	}
	if len(all) > 0 {
		keep[all[0]], keep[all[len(all)-1]] = true, true
		plainPick(points, all, func(a, b point) bool { return a.x < b.x }, keep)
		plainPick(points, all, func(a, b point) bool { return a.x > b.x }, keep)
	}
	return plainKeep(points, keep)
}

// Thinning keeps point for point what its description says, and a thinner that
// has thinned another curve before keeps nothing of that.
func TestThinIsAsDescribed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := shapes[rapid.SampledFrom([]string{"curves", "log curves", "log both"}).Draw(t, "shape")]
		var points []point
		for _, r := range drawReadings(t, 14_000) {
			points = append(points, point{r.V, r.I, r.Flags.Has(bench.InCompliance)})
		}
		want := plainThin(slices.Clone(points), &s)
		got := thin(slices.Clone(points), &s)
		if !slices.EqualFunc(got, want, samePoint) {
			t.Fatalf("%d points, %d as described", len(got), len(want))
		}
	})
}
