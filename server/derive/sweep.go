package derive

import (
	"errors"
	"math"
)

// ErrNoCrossing says that a curve does not reach the level asked for.
var ErrNoCrossing = errors.New("the curve does not cross the level")

// Crossing is where a curve meets a level.
type Crossing struct {
	X      float64 // interpolated between the two points
	Index  int     // of the point before
	Rising bool    // y rises as the points go on
	Count  int     // crossings in the whole curve; more than one is chatter or noise
}

// FirstCrossing finds where y first crosses level, in the order the points were
// taken, by linear interpolation. Points that are not finite break the curve: no
// crossing is interpolated over them. x may run either way.
func FirstCrossing(x, y []float64, level float64) (Crossing, error) {
	if len(x) != len(y) {
		return Crossing{}, ErrLength
	}
	var first Crossing
	count, side, last := 0, 0.0, -1 // last point not on the level, and its side
	for i := range y {
		if !finite(x[i]) || !finite(y[i]) {
			side, last = 0, -1
			continue
		}
		d := y[i] - level
		if d == 0 && last >= 0 {
			continue // decided by the next point off the level
		}
		if last >= 0 && d*side < 0 {
			count++
			if count == 1 {
				first = between(x, y, level, last, i)
			}
		}
		if d != 0 {
			side, last = math.Copysign(1, d), i
		}
	}
	if count == 0 {
		return Crossing{}, ErrNoCrossing
	}
	first.Count = count
	return first, nil
}

// between interpolates the crossing between points from and to; where points in
// between lie on the level it is the middle of them.
func between(x, y []float64, level float64, from, to int) Crossing {
	c := Crossing{Index: from, Rising: y[to] > y[from]}
	if to == from+1 {
		f := (level - y[from]) / (y[to] - y[from])
		c.X = x[from] + f*(x[to]-x[from])
	} else {
		c.X = (x[from+1] + x[to-1]) / 2
	}
	return c
}

// Thresholds of an input from an up and a down sweep, in the unit of x.
type Thresholds struct {
	Up, Down   Crossing
	Hysteresis float64 // Up - Down: positive for a sound Schmitt input
	Middle     float64
}

// FindThresholds gives the input levels at which the output crosses level while
// the input rises and while it falls. Each sweep is in the order it was taken.
func FindThresholds(xUp, yUp, xDown, yDown []float64, level float64) (Thresholds, error) {
	up, err := FirstCrossing(xUp, yUp, level)
	if err != nil {
		return Thresholds{}, err
	}
	down, err := FirstCrossing(xDown, yDown, level)
	if err != nil {
		return Thresholds{}, err
	}
	return Thresholds{up, down, up.X - down.X, (up.X + down.X) / 2}, nil
}

// Extremes of a curve. Points that are not finite are left out.
type Extremes struct {
	N                      int
	XMin, XMax             float64
	YMin, YMax             float64
	XAtYMin, XAtYMax       float64
	SteepestSlope          float64 // of neighbouring points, largest by magnitude
	XAtSteepest            float64 // midway between them
	SlopeStart, SlopeEnd   float64 // first and last slope between neighbours
	MeanSlope, MeanSlopeSD float64 // least squares over all points
}

// FindExtremes describes a sweep. Neighbours with the same x give no slope. What
// cannot be computed is NaN.
func FindExtremes(x, y []float64) Extremes {
	nan := math.NaN()
	e := Extremes{0, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan}
	var fit Accumulator
	prev := -1
	for i := range min(len(x), len(y)) {
		if !finite(x[i]) || !finite(y[i]) {
			prev = -1
			continue
		}
		fit.Add(x[i], y[i])
		e.N++
		if e.N == 1 {
			e.XMin, e.XMax = x[i], x[i]
		}
		e.XMin, e.XMax = min(e.XMin, x[i]), max(e.XMax, x[i])
		if prev >= 0 && x[i] != x[prev] {
			e.slope((y[i]-y[prev])/(x[i]-x[prev]), (x[i]+x[prev])/2)
		}
		prev = i
	}
	e.YMin, e.YMax = fit.Min(), fit.Max()
	e.XAtYMin, e.XAtYMax = fit.TimeOfMin(), fit.TimeOfMax()
	e.MeanSlope, e.MeanSlopeSD = fit.Drift()
	return e
}

func (e *Extremes) slope(s, at float64) {
	if math.IsNaN(e.SlopeStart) {
		e.SlopeStart = s
	}
	e.SlopeEnd = s
	if !(math.Abs(s) <= math.Abs(e.SteepestSlope)) {
		e.SteepestSlope, e.XAtSteepest = s, at
	}
}
