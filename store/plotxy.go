package store

import (
	"context"
	"errors"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// XYPlot asks for one quantity of a measurement against another.
type XYPlot struct {
	Run         string
	Measurement int
	X, Y        procedure.Axis // pin 0: whichever pin is read
	Columns     int            // width of the plot
	Limit       int            // readings looked at, from the first on; 0: a million
}

const xyLimit = 1_000_000

// PlotXY returns a curve for each group (and pin, where both axes are those of
// any pin), in the order of the readings. Where the axes name different pins,
// the nth readings of both at one point of a group belong together. A curve
// longer than a plot can show is thinned to what a screen can tell apart.
// More is true where readings beyond the limit were left out.
func (s *Store) PlotXY(ctx context.Context, q XYPlot) (series []PlotSeries, more bool, err error) {
	p := pairing{x: q.X, y: q.Y, cross: q.X.Pin != q.Y.Pin && q.X.Pin != 0 && q.Y.Pin != 0}
	for _, a := range []procedure.Axis{q.X, q.Y} {
		if _, err := columnOf(a.Quantity); err != nil && a.Quantity != procedure.QuantityTime {
			return nil, false, err
		}
	}
	if q.Limit <= 0 {
		q.Limit = xyLimit
	}
	read := 0
	err = s.Readings(ctx, q.Run, q.Measurement, 0, func(_ int64, c *Columns) error {
		n := min(c.Len(), q.Limit-read)
		p.add(c, n)
		read += n
		if n < c.Len() {
			return errLimit
		}
		return nil
	})
	if errors.Is(err, errLimit) {
		more, err = true, nil
	}
	if err != nil {
		return nil, false, err
	}
	for i := range p.curves {
		thin(&p.curves[i].PlotSeries, q)
		series = append(series, p.curves[i].PlotSeries)
	}
	return series, more, nil
}

var errLimit = errors.New("limit reached")

// values returns a column of readings; times are converted into dst.
func values(dst []float64, c *Columns, q procedure.Quantity) []float64 {
	switch q {
	case procedure.QuantitySet:
		return c.Set
	case procedure.QuantityVoltage:
		return c.V
	case procedure.QuantityCurrent:
		return c.I
	}
	dst = dst[:0]
	for _, t := range c.T {
		dst = append(dst, float64(t)/1e9)
	}
	return dst
}

// pairing turns readings into points.
type pairing struct {
	x, y   procedure.Axis
	cross  bool // the axes belong to two pins
	curves []*xyCurve
	tx, ty []float64 // times of the readings at work, where an axis shows them
}

type xyCurve struct {
	PlotSeries
	point  uint32
	xs, ys []half // of this point, not yet paired
}

type half struct {
	value  float64
	hollow bool
}

func (p *pairing) curve(pin uint8, group uint16) *xyCurve {
	for i := len(p.curves) - 1; i >= 0; i-- {
		if k := p.curves[i]; k.Pin == pin && k.Group == group {
			return k
		}
	}
	k := &xyCurve{PlotSeries: PlotSeries{Pin: pin, Group: group}}
	p.curves = append(p.curves, k)
	return k
}

// add takes the first n readings of c.
func (p *pairing) add(c *Columns, n int) {
	p.tx, p.ty = p.tx[:0], p.ty[:0]
	xs, ys := values(p.tx, c, p.x.Quantity), values(p.ty, c, p.y.Quantity)
	for i := range n {
		pin := c.Pin[i]
		isX, isY := p.x.Pin == 0 || p.x.Pin == int(pin), p.y.Pin == 0 || p.y.Pin == int(pin)
		hollow := c.Flags[i].Has(bench.InCompliance)
		switch {
		case p.cross && (isX || isY):
			k := p.curve(uint8(p.y.Pin), c.Group[i])
			k.pair(c.Point[i], isX, half{xs[i], hollow}, half{ys[i], hollow})
		case isX && isY:
			p.curve(pin, c.Group[i]).add(xs[i], ys[i], hollow)
		}
	}
}

// pair adds half a point, and the whole where the other half has come.
func (k *xyCurve) pair(point uint32, isX bool, x, y half) {
	if k.point != point {
		k.point, k.xs, k.ys = point, k.xs[:0], k.ys[:0]
	}
	if isX {
		k.xs = append(k.xs, x)
	} else {
		k.ys = append(k.ys, y)
	}
	if len(k.xs) > 0 && len(k.ys) > 0 {
		a, b := k.xs[0], k.ys[0]
		k.xs, k.ys = slices.Delete(k.xs, 0, 1), slices.Delete(k.ys, 0, 1)
		k.add(a.value, b.value, a.hollow || b.hollow)
	}
}

func (k *xyCurve) add(x, y float64, hollow bool) {
	k.X, k.Y, k.Hollow = append(k.X, x), append(k.Y, y), append(k.Hollow, hollow)
}

// thin keeps of a long curve what a plot can show: its outline in each column
// and, since that hides them, the first point of each run in compliance.
func thin(s *PlotSeries, q XYPlot) {
	if q.Columns <= 0 || len(s.X) <= 4*q.Columns {
		return
	}
	px, py := make([]float64, len(s.X)), make([]float64, len(s.X))
	low, high := math.Inf(1), math.Inf(-1)
	for i := range s.X {
		px[i], py[i] = scaled(s.X[i], q.X.Log), scaled(s.Y[i], q.Y.Log)
		if !math.IsInf(px[i], 0) && !math.IsNaN(px[i]) {
			low, high = min(low, px[i]), max(high, px[i])
		}
	}
	if high > low {
		for i := range px {
			px[i] = (px[i] - low) / (high - low) * float64(q.Columns)
		}
	}
	keep := derive.Polyline(nil, px, py)
	for i, hollow := range s.Hollow {
		if hollow && (i == 0 || !s.Hollow[i-1]) {
			keep = append(keep, i)
		}
	}
	slices.Sort(keep)
	keep = slices.Compact(keep)
	for i, j := range keep {
		s.X[i], s.Y[i], s.Hollow[i] = s.X[j], s.Y[j], s.Hollow[j]
	}
	s.X, s.Y, s.Hollow = s.X[:len(keep)], s.Y[:len(keep)], s.Hollow[:len(keep)]
}

func scaled(v float64, log bool) float64 {
	if log {
		return math.Log10(math.Abs(v))
	}
	return v
}
