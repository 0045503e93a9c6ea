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
	Merge       bool           // all groups are one curve
	Columns     int            // width of the plot
	Limit       int            // readings looked at, from the first on; 0: a million
}

const (
	xyLimit = 1_000_000
	// mostPoints is how many points for each column a thinned curve may have.
	mostPoints = 8
)

// PlotXY returns a curve for each group (and pin, where both axes are those of
// any pin), in the order of the readings. Where the axes name different pins,
// the nth readings of both at one point of a group belong together. A curve
// longer than a plot can show is thinned to what a screen can tell apart; a long
// measurement is drawn from its summaries. Every point is a real reading.
// More is true where readings beyond the limit were left out.
func (s *Store) PlotXY(ctx context.Context, q XYPlot) (series []PlotSeries, more bool, err error) {
	p := pairing{plot: q, cross: q.X.Pin != q.Y.Pin && q.X.Pin != 0 && q.Y.Pin != 0}
	for _, a := range []procedure.Axis{q.X, q.Y} {
		if _, err := columnOf(a.Quantity); err != nil && a.Quantity != procedure.QuantityTime && a.Quantity != procedure.QuantityPin {
			return nil, false, err
		}
	}
	if q.Limit <= 0 {
		q.Limit = xyLimit
	}
	p.plot = q
	drawn := false
	if p.sketchable() {
		if drawn, more, err = s.sketch(ctx, &p); err != nil {
			return nil, false, err
		}
	}
	if !drawn {
		if more, err = s.readXY(ctx, &p); err != nil {
			return nil, false, err
		}
	}
	for _, k := range p.curves {
		if len(k.X) > 4*q.Columns {
			p.thin(k)
		}
		series = append(series, k.PlotSeries)
	}
	return series, more, nil
}

// readXY adds all readings up to the limit.
func (s *Store) readXY(ctx context.Context, p *pairing) (more bool, err error) {
	read := 0
	err = s.Readings(ctx, p.plot.Run, p.plot.Measurement, 0, func(_ int64, c *Columns) error {
		n := min(c.Len(), p.plot.Limit-read)
		p.add(c, n)
		read += n
		if n < c.Len() {
			return errLimit
		}
		return nil
	})
	if errors.Is(err, errLimit) {
		return true, nil
	}
	return false, err
}

var errLimit = errors.New("limit reached")

// values returns a column of readings; times and pins are converted into dst.
func values(dst *[]float64, c *Columns, q procedure.Quantity) []float64 {
	switch q {
	case procedure.QuantitySet:
		return c.Set
	case procedure.QuantityVoltage:
		return c.V
	case procedure.QuantityCurrent:
		return c.I
	}
	*dst = (*dst)[:0]
	if q == procedure.QuantityPin {
		for _, pin := range c.Pin {
			*dst = append(*dst, float64(pin))
		}
		return *dst
	}
	for _, t := range c.T {
		*dst = append(*dst, float64(t)/1e9)
	}
	return *dst
}

// pairing turns readings into points.
type pairing struct {
	plot   XYPlot
	cross  bool // the axes belong to two pins
	curves []*xyCurve

	tx, ty, px, py []float64 // reused: times where an axis shows them, places on the plot
	outline, keep  []int     // reused
}

type xyCurve struct {
	PlotSeries
	room   int // points kept before the curve is thinned
	point  uint32
	xs, ys []half // of this point, not yet paired
}

type half struct {
	value  float64
	hollow bool
}

func (p *pairing) curve(pin uint8, group uint16) *xyCurve {
	if p.plot.X.Quantity == procedure.QuantityPin {
		pin = 0
	}
	if p.plot.Merge {
		group = 0
	}
	for i := len(p.curves) - 1; i >= 0; i-- {
		if k := p.curves[i]; k.Pin == pin && k.Group == group {
			return k
		}
	}
	k := &xyCurve{PlotSeries: PlotSeries{Pin: pin, Group: group}, room: max(32*p.plot.Columns, 8192)}
	p.curves = append(p.curves, k)
	return k
}

// add takes the first n readings of c.
func (p *pairing) add(c *Columns, n int) {
	x, y := p.plot.X, p.plot.Y
	xs, ys := values(&p.tx, c, x.Quantity), values(&p.ty, c, y.Quantity)
	for i := range n {
		pin := c.Pin[i]
		isX, isY := x.Pin == 0 || x.Pin == int(pin), y.Pin == 0 || y.Pin == int(pin)
		hollow := c.Flags[i].Has(bench.InCompliance)
		switch {
		case p.cross && (isX || isY):
			k := p.curve(uint8(y.Pin), c.Group[i])
			k.pair(c.Point[i], isX, half{xs[i], hollow}, half{ys[i], hollow})
		case isX && isY:
			p.curve(pin, c.Group[i]).add(xs[i], ys[i], hollow)
		}
	}
	p.condense()
}

// condense thins the curves that have grown long.
func (p *pairing) condense() {
	for _, k := range p.curves {
		if p.plot.Columns > 0 && len(k.X) >= k.room {
			p.thin(k)
			k.room = max(k.room, 2*len(k.X)) // a cloud does not get thinner
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
func (p *pairing) thin(k *xyCurve) {
	if p.plot.Columns <= 0 {
		return
	}
	p.place(k)
	p.outline = derive.Polyline(p.outline[:0], p.px, p.py)
	// A curve that scatters by more than a column is drawn in wider ones.
	for width := 2; len(p.outline) > mostPoints*p.plot.Columns && width < p.plot.Columns; width *= 2 {
		for i := range p.px {
			p.px[i] /= 2
		}
		p.outline = derive.Polyline(p.outline[:0], p.px, p.py)
	}
	keep, rest := p.keep[:0], p.outline
	for i, hollow := range k.Hollow {
		if hollow && (i == 0 || !k.Hollow[i-1]) {
			for len(rest) > 0 && rest[0] < i {
				keep, rest = append(keep, rest[0]), rest[1:]
			}
			if len(rest) == 0 || rest[0] > i {
				keep = append(keep, i)
			}
		}
	}
	keep = append(keep, rest...)
	for i, j := range keep {
		k.X[i], k.Y[i], k.Hollow[i] = k.X[j], k.Y[j], k.Hollow[j]
	}
	k.X, k.Y, k.Hollow = k.X[:len(keep)], k.Y[:len(keep)], k.Hollow[:len(keep)]
	p.keep = keep
}

// place works out where the curve's points lie on the plot: px in columns,
// py in any measure that keeps their order.
func (p *pairing) place(k *xyCurve) {
	p.px, p.py = p.px[:0], p.py[:0]
	low, high := math.Inf(1), math.Inf(-1)
	for i := range k.X {
		x, y := scaled(k.X[i], p.plot.X.Log), k.Y[i]
		if p.plot.Y.Log { // in its order, without the logarithm
			if y = math.Abs(y); y == 0 {
				y = math.NaN()
			}
		}
		p.px, p.py = append(p.px, x), append(p.py, y)
		if x-x == 0 { // finite
			low, high = min(low, x), max(high, x)
		}
	}
	if high > low {
		scale := float64(p.plot.Columns) / (high - low)
		for i := range p.px {
			p.px[i] = (p.px[i] - low) * scale
		}
	}
}

func scaled(v float64, log bool) float64 {
	if log {
		return math.Log10(math.Abs(v))
	}
	return v
}
