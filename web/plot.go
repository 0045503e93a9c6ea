package web

import (
	"math"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// Axis is one axis of a plot.
type Axis struct {
	Label string // the quantity: "Voltage at pin 3 A"
	Unit  quantity.Unit
	Log   bool
	Whole bool // counts things: pins, units
}

// Series is one curve of a plot. X and Y are in SI base units and have equal
// length; a NaN leaves a gap. Hollow marks readings taken at compliance.
type Series struct {
	Label  string
	X, Y   []float64
	Hollow []bool
	Line   bool // joined; otherwise a mark for each reading
}

// Plot is one drawing. The data are already decimated to what a screen shows.
type Plot struct {
	ID     string // of the element; unique on the page, letters and hyphens
	Title  string
	Desc   string // for those who cannot see it
	X, Y   Axis
	Series []Series
	Band   procedure.Limit // drawn across the Y axis
	Empty  string          // what to say where there is nothing to draw
}

// The drawing's own units; the style sheet scales them to the page.
const (
	plotW, plotH = 640.0, 400.0
	areaX, areaY = 74.0, 14.0
	areaW, areaH = 552.0, 326.0
	manyMarks    = 120 // a joined series longer than this is drawn without marks
	tones        = 6   // style classes s0 to s5
	dashes       = 4   // style classes d0 to d3
)

// drawable is the largest magnitude that an axis is made for: far beyond any
// bench, and far from where the arithmetic of scales overflows.
const drawable = 1e30

// scale maps data to the drawing along one axis.
type scale struct {
	axis   Axis
	lo, hi float64 // ends of the axis; decimal logarithms on a log axis
	a, b   float64 // drawing = a + b·v
	offset float64 // taken off the labels where the span is tiny against the values
	step   float64 // between major lines, linear only
	minor  int     // minor spaces in a step
	unit   string  // with prefix, as the labels are in it
	factor float64 // label = (v - offset)·factor
}

// value returns v in the measure of the scale; ok is false where it cannot be
// drawn.
func (s *scale) value(v float64) (float64, bool) {
	if math.IsNaN(v) || math.Abs(v) > drawable {
		return 0, false
	}
	if !s.axis.Log {
		if math.Abs(v) < 1/drawable {
			v = 0
		}
		return v, true
	}
	if v < 1/drawable {
		return 0, false
	}
	return math.Log10(v), true
}

func (s *scale) at(v float64) float64 { return s.a + s.b*v }

// place sets the pixel positions of the axis's ends.
func (s *scale) place(from, to float64) {
	s.b = (to - from) / (s.hi - s.lo)
	s.a = from - s.b*s.lo
}

// extent is the range of values that a set of columns covers.
type extent struct {
	lo, hi float64
	any    bool
}

func (e *extent) add(v float64) {
	if !e.any {
		e.lo, e.hi, e.any = v, v, true
		return
	}
	e.lo, e.hi = min(e.lo, v), max(e.hi, v)
}

// ranges returns the extents that the axes must cover, and the number of
// readings that cannot be drawn on them.
func (p *Plot) ranges(sx, sy *scale) (ex, ey extent, left int) {
	for _, s := range p.Series {
		for i := range min(len(s.X), len(s.Y)) {
			x, okX := sx.value(s.X[i])
			y, okY := sy.value(s.Y[i])
			if !okX || !okY {
				if !math.IsNaN(s.X[i]) && !math.IsNaN(s.Y[i]) {
					left++
				}
				continue
			}
			ex.add(x)
			ey.add(y)
		}
	}
	return ex, ey, left
}

// withBand widens the Y axis to show a limit, unless that would press the
// data into less than a fifth of the drawing.
func (p *Plot) withBand(sy *scale, e extent) extent {
	wide := e
	for _, l := range []*float64{p.Band.Low, p.Band.High} {
		if l == nil {
			continue
		}
		if v, ok := sy.value(*l); ok {
			wide.add(v)
		}
	}
	if span := e.hi - e.lo; span > 0 && wide.hi-wide.lo > 5*span {
		return e
	}
	return wide
}

// scales lays out both axes. ok is false where there is nothing to draw.
func (p *Plot) scales() (sx, sy scale, left int, ok bool) {
	sx, sy = scale{axis: p.X}, scale{axis: p.Y}
	ex, ey, left := p.ranges(&sx, &sy)
	if !ex.any {
		return sx, sy, left, false
	}
	ey = p.withBand(&sy, ey)
	sx.fit(ex, 7)
	sy.fit(ey, 6)
	sx.place(areaX, areaX+areaW)
	sy.place(areaY+areaH, areaY)
	return sx, sy, left, true
}
