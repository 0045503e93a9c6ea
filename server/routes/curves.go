package routes

import (
	"math"
	"slices"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/web"
)

const (
	plotColumns = 800  // what a screen can show across a plot
	curveRoom   = 8192 // points of one curve kept before they are condensed
	maxCurves   = 64   // curves drawn; a family beyond that cannot be told apart
)

// curves gathers the readings of one measurement into what its plot shows, in
// bounded memory, the same for the live page and for the permanent one.
type curves struct {
	shape procedure.Shape
	m     map[curveKey]*curve
	order []curveKey
}

// curveKey tells curves apart as the store does: by group and, where the axes
// are those of whichever pin is read, by pin.
type curveKey struct {
	group uint16
	pin   uint8
}

// curve is one line: against time condensed as it arrives, else as points.
type curve struct {
	time *derive.Decimator
	xy   points
	hits points   // compliance hits of a time plot, newest kept
	wait struct { // the half of a point that has arrived first
		point      uint32
		x, y       float64
		hasX, hasY bool
		hollow     bool
	}
}

// points are the columns of a plot's series.
type points struct {
	x, y   []float64
	hollow []bool
}

func (p *points) add(x, y float64, hollow bool) {
	p.x, p.y, p.hollow = append(p.x, x), append(p.y, y), append(p.hollow, hollow)
}

// keep retains the points at the given ascending indices.
func (p *points) keep(indices []int) {
	for i, j := range indices {
		p.x[i], p.y[i], p.hollow[i] = p.x[j], p.y[j], p.hollow[j]
	}
	n := len(indices)
	p.x, p.y, p.hollow = p.x[:n], p.y[:n], p.hollow[:n]
}

func newCurves(shape procedure.Shape) *curves {
	return &curves{shape: shape, m: map[curveKey]*curve{}}
}

// of returns the curve that a reading belongs to, or nil where there are more
// than can be drawn.
func (c *curves) of(key curveKey) *curve {
	if k := c.m[key]; k != nil {
		return k
	}
	if len(c.m) >= maxCurves {
		return nil
	}
	k := &curve{}
	if c.overTime() {
		k.time = derive.NewDecimator(plotColumns)
	}
	c.m[key] = k
	c.order = append(c.order, key)
	return k
}

// perPin reports whether each pin has a curve of its own.
func perPin(s procedure.Shape) bool {
	return s.X.Pin == 0 && s.Y.Pin == 0 && s.X.Quantity != procedure.QuantityPin
}

func (c *curves) keyOf(r *bench.Reading) curveKey {
	key := curveKey{r.Group, r.Pin}
	if !perPin(c.shape) {
		key.pin = 0
	}
	if c.shape.Merge {
		key.group = 0
	}
	return key
}

func (c *curves) overTime() bool { return c.shape.X.Quantity == procedure.QuantityTime }

// add takes readings in the order they were made.
func (c *curves) add(readings []bench.Reading) {
	var k *curve
	var last curveKey
	for i := range readings {
		r := &readings[i]
		if key := c.keyOf(r); i == 0 || key != last {
			k, last = c.of(key), key
		}
		switch {
		case k == nil:
		case k.time == nil:
			k.addXY(r, &c.shape)
		case c.shape.Y.Pin == 0 || c.shape.Y.Pin == int(r.Pin):
			k.addTime(r, c.shape.Y.Quantity)
		}
	}
}

func (k *curve) addTime(r *bench.Reading, q procedure.Quantity) {
	t, v := float64(r.T)/1e9, column(r, q)
	k.time.Add(t, v)
	if r.Flags&bench.InCompliance != 0 {
		if n := len(k.hits.x); n == plotColumns {
			newest := make([]int, n/2)
			for i := range newest {
				newest[i] = n - n/2 + i
			}
			k.hits.keep(newest)
		}
		k.hits.add(t, v, true)
	}
}

// addXY completes a point from one reading, or from the two readings of one
// point when its axes belong to different pins.
func (k *curve) addXY(r *bench.Reading, s *procedure.Shape) {
	w := &k.wait
	if w.point != r.Point || w.hasX && w.hasY {
		w.point, w.hasX, w.hasY, w.hollow = r.Point, false, false, false
	}
	if s.X.Pin == 0 || s.X.Pin == int(r.Pin) {
		w.x, w.hasX = column(r, s.X.Quantity), true
	}
	if s.Y.Pin == 0 || s.Y.Pin == int(r.Pin) {
		w.y, w.hasY = column(r, s.Y.Quantity), true
	}
	w.hollow = w.hollow || r.Flags&bench.InCompliance != 0
	if w.hasX && w.hasY {
		if len(k.xy.x) == curveRoom {
			k.condense(s)
		}
		k.xy.add(w.x, w.y, w.hollow)
	}
}

// condense keeps of a long curve what a screen can tell apart.
func (k *curve) condense(s *procedure.Shape) {
	px, py := make([]float64, len(k.xy.x)), make([]float64, len(k.xy.x))
	low, high := math.Inf(1), math.Inf(-1)
	for i := range px {
		px[i], py[i] = scaled(k.xy.x[i], s.X.Log), scaled(k.xy.y[i], s.Y.Log)
		if !math.IsInf(px[i], 0) {
			low, high = min(low, px[i]), max(high, px[i])
		}
	}
	if high > low {
		for i := range px {
			px[i] = (px[i] - low) / (high - low) * plotColumns
		}
	}
	keep := derive.Polyline(nil, px, py)
	if len(keep) > curveRoom/2 { // nothing but noise: every second point
		for i := range len(keep) / 2 {
			keep[i] = keep[2*i]
		}
		keep = keep[:len(keep)/2]
	}
	k.xy.keep(keep)
}

// series is what the curve looks like now.
func (k *curve) series(label string, line bool) []web.Series {
	if k.time == nil {
		return []web.Series{{Label: label, X: slices.Clone(k.xy.x), Y: slices.Clone(k.xy.y), Hollow: slices.Clone(k.xy.hollow), Line: line}}
	}
	s := web.Series{Label: label, Line: true}
	for _, c := range k.time.Columns(nil) {
		s.X, s.Y = append(s.X, c.TFirst), append(s.Y, c.VFirst)
		if c.N > 1 {
			mid := (c.TFirst + c.TLast) / 2
			s.X = append(s.X, mid, mid, c.TLast)
			s.Y = append(s.Y, c.VMin, c.VMax, c.VLast)
		}
	}
	out := []web.Series{s}
	if len(k.hits.x) > 0 {
		out = append(out, web.Series{Label: "at compliance", X: slices.Clone(k.hits.x), Y: slices.Clone(k.hits.y), Hollow: slices.Clone(k.hits.hollow)})
	}
	return out
}

// plot is the drawing of what has been gathered.
func (c *curves) plot(id, title string, d *dut.Device) web.Plot {
	p := emptyPlot(c.shape, id, title)
	for _, key := range c.order {
		p.Series = append(p.Series, c.m[key].series(c.label(key, d), c.shape.Line)...)
	}
	return p
}

func (c *curves) label(key curveKey, d *dut.Device) string {
	return curveLabel(c.shape, key, len(c.order), d)
}

// emptyPlot is a measurement's drawing with nothing in it yet.
func emptyPlot(shape procedure.Shape, id, title string) web.Plot {
	return web.Plot{
		ID: id, Title: title, Band: shape.Band,
		X:     web.Axis{Label: shape.X.Label, Unit: shape.X.Unit, Log: shape.X.Log, Whole: shape.X.Quantity == procedure.QuantityPin},
		Y:     web.Axis{Label: shape.Y.Label, Unit: shape.Y.Unit, Log: shape.Y.Log},
		Empty: "No readings yet.",
	}
}

// curveLabel names a curve by its group and pin; a curve that is alone needs
// no name.
func curveLabel(shape procedure.Shape, key curveKey, of int, d *dut.Device) string {
	var parts []string
	if of > 1 && key.pin != 0 {
		if p, ok := d.Pin(int(key.pin)); ok {
			parts = append(parts, p.Label())
		}
	}
	if !shape.Merge && int(key.group) < len(shape.Groups) && shape.Groups[key.group] != "" && (of > 1 || len(shape.Groups) > 1) {
		parts = append(parts, shape.Groups[key.group])
	}
	return strings.Join(parts, ", ")
}

func scaled(v float64, log bool) float64 {
	if log {
		return math.Log10(math.Abs(v))
	}
	return v
}

func column(r *bench.Reading, q procedure.Quantity) float64 {
	switch q {
	case procedure.QuantityTime:
		return float64(r.T) / 1e9
	case procedure.QuantitySet:
		return r.Set
	case procedure.QuantityVoltage:
		return r.V
	case procedure.QuantityPin:
		return float64(r.Pin)
	}
	return r.I
}
