package procedure

import (
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// followed is how a curve follows one held level, at the points that were read
// again with it moved.
type followed struct {
	drives []int   // that the level moved
	level  float64 // of the first of them
	use    bench.Mode
	sets   []float64 // rising, of the points
	c      []float64 // sensed per held
}

// toHeld takes the curve to the held levels as they were asked for, by how it
// follows them. What was not measured counts with the whole deviation.
func (p *pinPoints) toHeld(r *readBack) {
	for held := range maxHeld {
		f := p.follow(r, held)
		if len(f.drives) == 0 {
			continue
		}
		free := withinOne("held level that the curve follows in a way not known", budget.HeldLevel, budget.Rectangular)
		free.Assumed = true
		for k := range p.points {
			p.points[k].toLevel(&f, free, p.m.Use, p.m.junctionVolts())
		}
	}
	p.unfollowed(r)
}

// follow gathers how the curve follows a held level.
func (p *pinPoints) follow(r *readBack, held int) followed {
	var f followed
	for k := range r.at {
		b := &r.at[k]
		before, ok := r.set(b.sense.Drive, b.j, -1)
		if b.held != held || !ok || before == b.set {
			continue
		}
		known := false
		for _, d := range f.drives {
			known = known || d == b.sense.Drive
		}
		if !known {
			f.drives = append(f.drives, b.sense.Drive)
		}
		if len(f.drives) == 1 && b.sense.Segment != nil {
			f.level, f.use = before, b.sense.Segment.Drives[b.sense.Drive].Mode
		}
	}
	if len(f.drives) == 0 {
		return f
	}
	nodes := nudgeNodes(p.m.Sweep.Count())
	for _, j := range nodes {
		if set, c, ok := p.followAt(r, &f, j, held); ok {
			f.add(set, c)
		}
	}
	return f
}

// add keeps the nodes in rising order.
func (f *followed) add(set, c float64) {
	k := len(f.sets)
	for k > 0 && f.sets[k-1] > set {
		k--
	}
	if k < len(f.sets) && f.sets[k] == set || k > 0 && f.sets[k-1] == set {
		return
	}
	f.sets = append(f.sets[:k], append([]float64{set}, f.sets[k:]...)...)
	f.c = append(f.c[:k], append([]float64{c}, f.c[k:]...)...)
}

// followAt compares point j of the curve with what was read there with the level
// moved.
func (p *pinPoints) followAt(r *readBack, f *followed, j, held int) (set, c float64, ok bool) {
	var here *pinPoint
	for k := range p.points {
		if q := &p.points[k]; here == nil || math.Abs(q.pos-float64(j)) < math.Abs(here.pos-float64(j)) {
			here = q
		}
	}
	if here == nil || here.cell.sense == nil || here.cell.sense.Segment == nil {
		return 0, 0, false
	}
	for k := range r.at {
		b := &r.at[k]
		if b.j != j || b.held != held || b.sense.Drive != here.cell.sense.Drive || b.flags.Has(bench.InCompliance) || b.sense.Segment == nil {
			continue
		}
		v, i, at := r.solve(b.sense, b.v, b.i, float64(j), held)
		ref := against(p.m, at)
		x, y := v.X-ref.X, i.X
		if p.m.Use == UseCurrent {
			x, y = y, x
		}
		var moved float64
		for _, d := range f.drives {
			if !at.known[d] || !here.known[d] {
				return 0, 0, false
			}
			now := at.v[d].X - ref.X
			if f.use == bench.ForceCurrent {
				now = at.i[d].X
			}
			before, _ := r.set(d, j, -1)
			moved += (now - before - here.off[d].X) / float64(len(f.drives))
		}
		expected, _ := r.set(f.drives[0], j, held)
		before, _ := r.set(f.drives[0], j, -1)
		if !(math.Abs(moved) > math.Abs(expected-before)/5) {
			return 0, 0, false // it did not follow what it was set to
		}
		return here.set, (y - here.y.X - here.slope*(x-here.x.X)) / moved, true
	}
	return 0, 0, false
}

// at is the sensitivity at a level of the curve, and what that may be off by: half
// of what a smooth curve through the nodes does beyond the straight lines between
// them. An exponential that changes by as much as is taken as it stands is off by no
// more.
func (f *followed) at(set float64) (c, half float64, ok bool) {
	n := len(f.sets)
	switch {
	case n == 0:
		return 0, 0, false
	case n == 1 || set <= f.sets[0]:
		return f.c[0], 0, true
	case set >= f.sets[n-1]:
		return f.c[n-1], 0, true
	}
	k := 1
	for f.sets[k] < set {
		k++
	}
	part := (set - f.sets[k-1]) / (f.sets[k] - f.sets[k-1])
	c = f.c[k-1] + part*(f.c[k]-f.c[k-1])
	if n == 3 {
		if bent := f.smooth(set); finite(bent) {
			return bent, math.Abs(bent-c) / 2, true
		}
	}
	return c, math.Abs(f.c[k]-f.c[k-1]) * part * (1 - part), true
}

// smooth is the sensitivity at a level by the curve through three nodes.
func (f *followed) smooth(set float64) float64 {
	q := newParabola([3]float64(f.sets), [3]float64(f.c), [3]float64{}, [3]float64{})
	y, _, _, _ := q.at(set, 1)
	return y
}

// toLevel takes the point to a held level as it was asked for. volts is kT/q of the
// part.
func (q *pinPoint) toLevel(f *followed, free *budget.Source, use Use, volts float64) {
	var all []budget.Value
	for _, d := range f.drives {
		if d < len(q.known) && q.known[d] {
			all = append(all, q.off[d])
			q.known[d] = false // done with
		}
	}
	if len(all) == 0 {
		return
	}
	off := mean(all)
	c, half, ok := f.at(q.set)
	if !ok {
		q.y = q.y.With(free, mayMove(q.y, use, f.use, f.level, off, volts))
		return
	}
	q.y = q.y.Sub(off.Scale(c))
	q.half += half * math.Abs(off.X)
}

// unfollowed counts the levels other than zero of which the points with the
// level moved have not come.
func (p *pinPoints) unfollowed(r *readBack) {
	for _, d := range r.drives {
		level, _ := r.set(d, -1, -1)
		if level == 0 {
			continue
		}
		free := withinOne("held level that the curve follows in a way not known", budget.HeldLevel, budget.Rectangular)
		free.Assumed = true
		for k := range p.points {
			q := &p.points[k]
			if d < len(q.known) && q.known[d] {
				mode := q.cell.sense.Segment.Drives[d].Mode
				q.y = q.y.With(free, mayMove(q.y, p.m.Use, mode, level, q.off[d], p.m.junctionVolts()))
			}
		}
	}
}
