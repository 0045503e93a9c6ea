package procedure

import (
	"cmp"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// pinPoint is a point of a curve at the pin: voltage against the part's ground
// and current into the pin, with what is the same for all readings of a range,
// path or held level as sources, and what differs from reading to reading apart.
type pinPoint struct {
	cell   *cell
	set    float64        // the level asked for
	pos    float64        // place on the curve, in points
	x, y   budget.Value   // forced and sensed
	ux, uy float64        // standard uncertainty of the noise
	qx, qy float64        // and of the converter's step
	total  float64        // standard uncertainty of y
	totalX float64        // and of x
	slope  float64        // of the curve here, y per x
	off    []budget.Value // by drive: how far its level is from what was asked for
	known  []bool         // by drive: whether it was read back
	half   float64        // half-width of what is not known of how the curve follows held levels
}

// pinPoints is a curve at the pin, in rising order of its levels.
type pinPoints struct {
	m       *Measurement
	points  []pinPoint
	nominal []resampled    // of each point: the curve at the level asked for
	values  []budget.Value // x and y of each point, for sums over them
	coefs   []float64
	excess  scatter
	shape   *budget.Source
}

// atPins works the curve out at the pin.
func (c *curve) atPins(m *Measurement) *pinPoints {
	p := &pinPoints{m: m, points: make([]pinPoint, len(c.cells)), shape: withinOne("shape of the curve between its points", budget.Model, budget.Rectangular)}
	back := c.readBackValues()
	for k := range c.cells {
		p.points[k] = back.point(m, &c.cells[k])
	}
	slices.SortStableFunc(p.points, func(a, b pinPoint) int { return cmp.Compare(a.set, b.set) })
	for k := range p.points {
		q := &p.points[k]
		q.total = budget.RootSumSquares(q.y.Uc(), q.uy, q.qy)
		q.totalX = budget.RootSumSquares(q.x.Uc(), q.ux, q.qx)
	}
	for k := range p.points {
		p.points[k].slope = p.slopeAt(k)
	}
	p.toHeld(back)
	for k := range p.points {
		p.nominal = append(p.nominal, p.at(k, p.points[k].set))
	}
	p.excess = p.findScatter()
	p.values, p.coefs = make([]budget.Value, 0, 2*len(c.cells)), make([]float64, 2*len(c.cells))
	for k := range p.points {
		p.values = append(p.values, p.points[k].x, p.points[k].y)
	}
	return p
}

// readBack is what the held levels were along a curve.
type readBack struct {
	at     []besideAt
	v, i   []budget.Value // of each
	drives []int          // drives that were read back
}

func (c *curve) readBackValues() *readBack {
	r := &readBack{at: c.beside, v: make([]budget.Value, len(c.beside)), i: make([]budget.Value, len(c.beside))}
	for k := range c.beside {
		b := &c.beside[k]
		r.v[k] = b.sense.V.Reading(b.v, b.n, math.NaN(), b.sense.Cycles)
		r.i[k] = b.sense.I.Reading(b.i, b.n, math.NaN(), b.sense.Cycles)
		if b.held < 0 && !slices.Contains(r.drives, b.sense.Drive) {
			r.drives = append(r.drives, b.sense.Drive)
		}
	}
	return r
}

// along is what a drive that holds a level read where the curve was at a place
// with a current, A. Between two readings of it it is taken in the proportion of
// the swept current, since what the curve draws is what makes a level give way. A
// point of the curve with a held level moved has readings of its own.
func (r *readBack) along(drive int, pos, current float64, held int) (v, i budget.Value, ok bool) {
	before, after := -1, -1
	for k := range r.at {
		b := &r.at[k]
		if b.held != held || b.sense.Drive != drive {
			continue
		}
		if float64(b.j) <= pos && (before < 0 || b.j > r.at[before].j) {
			before = k
		}
		if float64(b.j) >= pos && (after < 0 || b.j < r.at[after].j) {
			after = k
		}
	}
	switch {
	case before < 0 && after < 0:
		return v, i, false
	case before < 0 || after == before:
		return r.v[after], r.i[after], true
	case after < 0:
		return r.v[before], r.i[before], true
	}
	a, b := &r.at[before], &r.at[after]
	f := (pos - float64(a.j)) / float64(b.j-a.j)
	if change := b.swept - a.swept; math.Abs(change) > 1e-3*math.Max(math.Abs(a.swept), math.Abs(b.swept)) {
		f = min(max((current-a.swept)/change, 0), 1)
	}
	return r.v[before].Scale(1 - f).Add(r.v[after].Scale(f)), r.i[before].Scale(1 - f).Add(r.i[after].Scale(f)), true
}

// point is a cell at the pin.
func (r *readBack) point(m *Measurement, c *cell) pinPoint {
	p := pinPoint{cell: c, set: c.level(), pos: c.place()}
	v, i, at := r.solve(c.sense, c.v, c.i, p.pos, -1)
	var vn, vq, in, iq float64
	if s := c.sense; s != nil {
		root := math.Sqrt(float64(c.n))
		vn, vq = s.V.Independent(c.n, s.Cycles)
		in, iq = s.I.Independent(c.n, s.Cycles)
		vn, in = vn/root, in/root
	}
	if at != nil {
		ref := against(m, at)
		v = v.Sub(ref)
		p.off, p.known = r.deviations(at, c.sense.Drive, ref)
	}
	if m.Use == UseCurrent {
		p.x, p.y, p.ux, p.uy, p.qx, p.qy = i, v, in, vn, iq, vq
	} else {
		p.x, p.y, p.ux, p.uy, p.qx, p.qy = v, i, vn, in, vq, iq
	}
	return p
}

// against is the potential that the curve's voltages are against.
func against(m *Measurement, at *situation) budget.Value {
	if m.Against != 0 {
		return at.at(m.Against)
	}
	return at.ground()
}

// solve is the voltage of the swept pin and the current into it, V and A, where
// its channel read v and i, and the whole situation where it is known.
func (r *readBack) solve(sense *Sense, v, i, pos float64, held int) (pv, pi budget.Value, at *situation) {
	if sense == nil {
		return budget.Exact(v), budget.Exact(i), nil
	}
	pv, pi = sense.V.Systematic(v), sense.I.Systematic(i)
	if sense.Segment == nil {
		return pv, pi, nil
	}
	at = solveFor(sense.Segment, func(k int) (budget.Value, budget.Value, bool) {
		if k == sense.Drive {
			return pv, pi, true
		}
		return r.along(k, pos, i, held)
	})
	return at.v[sense.Drive], at.through(sense.Drive), at
}

// deviations are how far the levels of drives are from what was asked for:
// voltages against the reference, and currents into the pins.
func (r *readBack) deviations(at *situation, swept int, ref budget.Value) (off []budget.Value, known []bool) {
	off, known = make([]budget.Value, len(at.v)), make([]bool, len(at.v))
	for k := range at.v {
		set, ok := r.set(k, -1, -1)
		if k == swept || !at.known[k] || !ok {
			continue
		}
		known[k] = true
		off[k] = at.v[k].Sub(ref).Sub(budget.Exact(set))
		if at.seg.Drives[k].Mode == bench.ForceCurrent {
			off[k] = at.i[k].Sub(budget.Exact(set))
		}
	}
	return off, known
}

// set is what a drive was set to: at point j with a level moved, or anywhere
// on the curve for j below 0.
func (r *readBack) set(drive, j, held int) (float64, bool) {
	for k := range r.at {
		if b := &r.at[k]; b.sense.Drive == drive && b.held == held && (j < 0 || b.j == j) {
			return b.set, true
		}
	}
	return 0, false
}

// notHeld is how a held level was read that was not reached: its channel was at
// its compliance. It is nil where all were.
func (c *curve) notHeld() *Sense {
	for k := range c.beside {
		if b := &c.beside[k]; b.held < 0 && b.flags.Has(bench.InCompliance) && b.sense.Segment != nil {
			return b.sense
		}
	}
	return nil
}
