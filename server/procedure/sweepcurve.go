package procedure

import (
	"ohmkeep/server/bench"
)

// maxCells is about how many cells of a curve are kept; a longer curve has
// several points in each.
const maxCells = 512

// cell is a stretch of a curve that was read in the same ranges: a point with
// its repeats or, on a long curve, several points.
type cell struct {
	sense  *Sense
	at     int     // its points, divided by how many a cell has
	set    float64 // sum of the levels asked for
	pos    float64 // sum of the places on the curve
	n      int
	v, i   float64 // means
	vv, ii float64 // sums of squares about the means
}

func (c *cell) add(o *Observation, j int) {
	c.n++
	c.set += o.Set
	c.pos += float64(j)
	n := float64(c.n)
	dv, di := o.V-c.v, o.I-c.i
	c.v += dv / n
	c.i += di / n
	c.vv += dv * (o.V - c.v)
	c.ii += di * (o.I - c.i)
}

// level is the mean of the levels asked for.
func (c *cell) level() float64 { return c.set / float64(c.n) }

// place is the middle of the cell on the curve.
func (c *cell) place() float64 { return c.pos / float64(c.n) }

// besideAt is what a drive read beside the curve: a level that is held, read
// back, or anything at a point with a held level moved.
type besideAt struct {
	j, held int // point of the curve; the level that was moved, or -1
	sense   *Sense
	set     float64
	v, i    float64 // means
	swept   float64 // current of the swept pin meanwhile, A
	n       int
	flags   bench.Flags
}

// curve gathers one curve of a sweep. It is filled without allocation and used
// again for the next curve.
type curve struct {
	cells     []cell
	beside    []besideAt
	low, high clampedAt // of readings at the compliance
	hits, n   int
	broken    int // readings that were no number
	flags     bench.Flags
}

// clampedAt is the lowest or highest reading at the compliance so far.
type clampedAt struct {
	y, v, i float64
	sense   *Sense
	set     bool
}

func (e *clampedAt) take(y float64, o *Observation, high bool) {
	if !e.set || (high && y > e.y) || (!high && y < e.y) {
		*e = clampedAt{y, o.V, o.I, o.Sense, true}
	}
}

func newCurve() curve { return curve{cells: make([]cell, 0, 2*maxCells)} }

func (c *curve) reset() { *c = curve{cells: c.cells[:0], beside: c.beside[:0]} }

// take takes a reading of point j of the curve; each cell has stride points.
func (c *curve) take(o *Observation, j, stride int) {
	at := j / stride
	k := len(c.cells) - 1
	if k < 0 || c.cells[k].at != at || c.cells[k].sense != o.Sense {
		k = c.room(o.Sense, at)
	}
	c.cells[k].add(o, j)
}

// room finds the cell for a stretch of points: a new one or, where there is no
// more room, the last that was read in the same ranges.
func (c *curve) room(sense *Sense, at int) int {
	if len(c.cells) == cap(c.cells) {
		for k := len(c.cells) - 1; k >= 0; k-- {
			if c.cells[k].sense == sense {
				return k
			}
		}
		return len(c.cells) - 1
	}
	c.cells = append(c.cells, cell{sense: sense, at: at})
	return len(c.cells) - 1
}

// takeBeside takes a reading that is none of the curve's own.
func (c *curve) takeBeside(o *Observation, j, held int) {
	if o.Sense == nil {
		return
	}
	for k := len(c.beside) - 1; k >= 0; k-- {
		if b := &c.beside[k]; b.j == j && b.held == held && b.sense == o.Sense {
			b.add(o)
			return
		}
	}
	b := besideAt{j: j, held: held, sense: o.Sense}
	if n := len(c.cells); n > 0 {
		b.swept = c.cells[n-1].i
	}
	b.add(o)
	c.beside = append(c.beside, b)
}

func (b *besideAt) add(o *Observation) {
	b.n++
	b.set, b.flags = o.Set, b.flags|o.Flags
	b.v += (o.V - b.v) / float64(b.n)
	b.i += (o.I - b.i) / float64(b.n)
}
