package procedure

import (
	"math"

	"ohmkeep/server/dut"
)

// MaxPoints is the largest number of points that one measurement may expand to.
const MaxPoints = 1_000_000

// Len is the number of points of the sweep, both directions together.
func (s *Sweep) Len() int { return s.Count() * s.directions() }

// Count is the number of points in one direction.
func (s *Sweep) Count() int {
	if s.Spacing == List {
		return len(s.List)
	}
	return s.Points
}

func (s *Sweep) directions() int {
	if s.Back {
		return 2
	}
	return 1
}

// At is the level of point i, 0 to Len()-1. The ends are exact: the first point
// is From and the last To (or the ends of the list); with Back the second half
// runs from there down again, the end point being read once in each direction.
func (s *Sweep) At(i int) float64 {
	n := s.Count()
	if i >= n {
		i = 2*n - 1 - i
	}
	switch {
	case s.Spacing == List:
		return s.List[i]
	case i == 0:
		return s.From
	case i == n-1:
		return s.To
	}
	f := float64(i) / float64(n-1)
	if s.Spacing == Log {
		return s.From * math.Exp(f*math.Log(s.To/s.From))
	}
	return s.From*(1-f) + s.To*f
}

// Range is the lowest and the highest level.
func (s *Sweep) Range() (low, high float64) {
	if s.Spacing != List {
		return min(s.From, s.To), max(s.From, s.To)
	}
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range s.List {
		low, high = min(low, v), max(high, v)
	}
	return low, high
}

// check reports what is wrong with the sweep itself; what the levels do to a
// pin is for the ratings. The unit is for the messages.
func (s *Sweep) check(ps *dut.Problems, at, unit string) bool {
	before := len(*ps)
	switch s.Spacing {
	case Linear, Log:
		s.checkEnds(ps, at, unit)
	case List:
		s.checkList(ps, at)
	default:
		ps.Add(at+"spacing", "%q is not one of linear, log, list", clip(string(s.Spacing)))
	}
	return len(*ps) == before
}

func (s *Sweep) checkEnds(ps *dut.Problems, at, unit string) {
	if len(s.List) > 0 {
		ps.Add(at+"list", "a %s sweep has no list: remove it, or choose the spacing list", s.Spacing)
	}
	for _, e := range []struct {
		name string
		v    float64
	}{{"from", s.From}, {"to", s.To}} {
		if !finite(e.v) {
			ps.Add(at+e.name, "must be a finite number")
			return
		}
		if s.Spacing == Log && e.v == 0 {
			ps.Add(at+e.name, "a log sweep cannot start or end at 0 %s: choose a small level, or a linear sweep", unit)
			return
		}
	}
	if s.Spacing == Log && math.Signbit(s.From) != math.Signbit(s.To) {
		ps.Add(at+"to", "a log sweep cannot pass through 0: give both ends the same sign")
	}
	if s.From == s.To {
		ps.Add(at+"to", "both ends are %g %s: a sweep needs two different levels", s.From, unit)
	}
	if s.Points < 2 || s.Points > MaxPoints {
		ps.Add(at+"points", "must be 2 to %d, not %d", MaxPoints, s.Points)
	}
}

func (s *Sweep) checkList(ps *dut.Problems, at string) {
	if s.From != 0 || s.To != 0 || s.Points != 0 {
		ps.Add(at+"spacing", "a list sweep takes its levels from the list alone: leave from, to and points out")
	}
	if len(s.List) < 1 || len(s.List) > MaxPoints {
		ps.Add(at+"list", "must have 1 to %d levels, not %d", MaxPoints, len(s.List))
	}
	for i, v := range s.List {
		if !finite(v) {
			ps.Add(at+"list", "level %d is not a finite number", i+1)
			return
		}
	}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// Preview is the levels of the sweep in the order they come, at most so many:
// both ends and others spread evenly between where there are more. It is nil
// for a sweep that has fewer than two points or is not valid.
func (s *Sweep) Preview(most int) []float64 {
	n := s.Len()
	var ps dut.Problems
	if most < 2 || n < 1 || !s.check(&ps, "", "") {
		return nil
	}
	shown := min(n, most)
	out := make([]float64, shown)
	for i := range out {
		at := 0
		if shown > 1 {
			at = int(int64(i) * int64(n-1) / int64(shown-1))
		}
		out[i] = s.At(at)
	}
	return out
}
