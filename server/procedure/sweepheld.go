package procedure

import (
	"math"
	"slices"

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
	bend   []float64 // by how much more or less it may follow at the level itself
}

// toHeld takes the curve to the held levels as they were asked for, by how it
// follows them. What was not measured counts with the whole deviation.
func (p *pinPoints) toHeld(r *readBack) {
	var all [maxHeld]followed
	for held := range all {
		all[held] = p.follow(r, held)
	}
	p.bends(r, all[:])
	for held := range all {
		f := all[held]
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
		if set, c, bend, ok := p.followAt(r, &f, j, held); ok {
			f.add(set, c, bend)
		}
	}
	return f
}

// add keeps the nodes in rising order.
func (f *followed) add(set, c, bend float64) {
	k := len(f.sets)
	for k > 0 && f.sets[k-1] > set {
		k--
	}
	if k < len(f.sets) && f.sets[k] == set || k > 0 && f.sets[k-1] == set {
		return
	}
	f.sets = slices.Insert(f.sets, k, set)
	f.c = slices.Insert(f.c, k, c)
	f.bend = slices.Insert(f.bend, k, bend)
}

// moved compares point j of the curve with what was read there with levels moved:
// what is sensed, and by how much more than at the point itself, where the curve is
// taken along to what is forced meanwhile.
func (p *pinPoints) moved(r *readBack, j, held int) (here *pinPoint, at *situation, y budget.Value, more float64) {
	for k := range p.points {
		if q := &p.points[k]; here == nil || math.Abs(q.pos-float64(j)) < math.Abs(here.pos-float64(j)) {
			here = q
		}
	}
	if here == nil || here.cell.sense == nil || here.cell.sense.Segment == nil {
		return nil, nil, y, 0
	}
	for k := range r.at {
		b := &r.at[k]
		if b.j != j || b.held != held || b.sense.Drive != here.cell.sense.Drive || b.flags.Has(bench.InCompliance) || b.sense.Segment == nil {
			continue
		}
		v, i, at := r.solve(b.sense, b.v, b.i, float64(j), held)
		x, y := v.Sub(budget.Exact(against(p.m, at).X)), i
		if p.m.Use == UseCurrent {
			x, y = y, x
		}
		return here, at, y, y.X - here.y.X - here.slope*(x.X-here.x.X)
	}
	return nil, nil, y, 0
}

// strode is by how much the drives of a held level have moved from where they were at
// a point of the curve, on average, V or A.
func (p *pinPoints) strode(r *readBack, f *followed, j int, here *pinPoint, at *situation) (by float64, ok bool) {
	ref := against(p.m, at).X
	for _, d := range f.drives {
		if !at.known[d] || !here.known[d] {
			return 0, false
		}
		now := at.v[d].X - ref
		if f.use == bench.ForceCurrent {
			now = at.i[d].X
		}
		before, _ := r.set(d, j, -1)
		by += (now - before - here.off[d].X) / float64(len(f.drives))
	}
	return by, true
}

// followAt is how the curve follows a held level at point j, and by how much more or
// less it may at the level itself: a current by how an exponential would.
func (p *pinPoints) followAt(r *readBack, f *followed, j, held int) (set, c, bend float64, ok bool) {
	here, at, y, more := p.moved(r, j, held)
	if here == nil {
		return 0, 0, 0, false
	}
	by, ok := p.strode(r, f, j, here, at)
	expected, _ := r.set(f.drives[0], j, held)
	before, _ := r.set(f.drives[0], j, -1)
	if !ok || !(math.Abs(by) > math.Abs(expected-before)/5) {
		return 0, 0, 0, false // it did not follow what it was set to
	}
	c = more / by
	if then := here.y.X + more; p.m.Use == UseVoltage && f.use == bench.ForceVoltage && then*here.y.X > 0 &&
		math.Abs(here.y.X) > sure*here.y.Uc() && math.Abs(then) > sure*y.Uc() {
		power := here.y.X * math.Log(then/here.y.X) / by
		c, bend = (c+power)/2, math.Abs(power-c)
	}
	return here.set, c, bend, true
}

// bends tells of held levels whether a curve's voltage follows them along straight
// lines: at the points where all of them were moved at once (see bends.go).
func (p *pinPoints) bends(r *readBack, all []followed) {
	for _, j := range nudgeNodes(p.m.Sweep.Count()) {
		here, at, _, more := p.moved(r, j, bendingHeld)
		if here == nil {
			continue
		}
		worst, node, most, stride := -1, 0, 0.0, 0.0
		for held := range all {
			f := &all[held]
			k := slices.Index(f.sets, here.set)
			if len(f.drives) == 0 || k < 0 {
				continue
			}
			by, ok := p.strode(r, f, j, here, at)
			if !ok || by == 0 {
				continue
			}
			more -= f.c[k] * by
			off := 0.0
			for _, d := range f.drives {
				off = max(off, atMost(here.off[d]))
			}
			if off /= math.Abs(by); off > most {
				worst, node, most, stride = held, k, off, math.Abs(by)
			}
		}
		if worst >= 0 {
			all[worst].bend[node] += steeperAt * math.Abs(more) / stride
		}
	}
}

// at is the sensitivity at a level of the curve, and what that may be off by: the bend
// at the nodes, and half of what a smooth curve through the nodes does beyond the
// straight lines between them. An exponential that changes by as much as is taken as it stands is off by no
// more.
func (f *followed) at(set float64) (c, half float64, ok bool) {
	n := len(f.sets)
	switch {
	case n == 0:
		return 0, 0, false
	case n == 1 || set <= f.sets[0]:
		return f.c[0], f.bend[0], true
	case set >= f.sets[n-1]:
		return f.c[n-1], f.bend[n-1], true
	}
	k := 1
	for f.sets[k] < set {
		k++
	}
	part := (set - f.sets[k-1]) / (f.sets[k] - f.sets[k-1])
	c = f.c[k-1] + part*(f.c[k]-f.c[k-1])
	bend := f.bend[k-1] + part*(f.bend[k]-f.bend[k-1])
	if n == 3 {
		if bent := f.smooth(set); finite(bent) {
			return bent, bend + math.Abs(bent-c)/2, true
		}
	}
	return c, bend + math.Abs(f.c[k]-f.c[k-1])*part*(1-part), true
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
