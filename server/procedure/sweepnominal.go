package procedure

import "math"

// resampled is a curve at a level that was asked for, which no reading has met
// exactly: from up to three points around it, by a parabola.
type resampled struct {
	x, y float64
	idx  [3]int     // points it is made of
	w    [3]float64 // dy/dy of each
	half float64    // half-width of what the parabola may be off by; signed by its curvature
}

// spread is how far apart the points of a parabola should be against what blurs
// them.
const spread = 6

// base finds three points around point k whose forced values differ by need at
// least: k and one on either side or, at an end, two on one side. ok is false
// where there are no three with different values.
func (p *pinPoints) base(k int, need float64) (idx [3]int, ok bool) {
	n := len(p.points)
	need = max(need, spread*math.Hypot(p.points[k].ux, p.points[k].qx))
	for m := 1; ; m *= 2 {
		a, b, c := k-m, k, k+m
		switch {
		case a < 0:
			a, b, c = k, k+m, k+2*m
		case c >= n:
			a, b, c = k-2*m, k-m, k
		}
		if a < 0 || c >= n {
			return idx, ok
		}
		xa, xb, xc := p.points[a].x.X, p.points[b].x.X, p.points[c].x.X
		if p.apart(xa, xb)*p.apart(xb, xc) > 0 {
			idx, ok = [3]int{a, b, c}, true
			if min(math.Abs(xb-xa), math.Abs(xc-xb)) >= need {
				return idx, true
			}
		}
	}
}

// apart is the sign of b-a of two forced values, 0 where rounding may have made
// the difference.
func (p *pinPoints) apart(a, b float64) int {
	low, high := p.m.Sweep.Range()
	least := max(1e-15*max(math.Abs(low), math.Abs(high)), 1e-12*max(math.Abs(a), math.Abs(b)))
	if math.Abs(b-a) <= least {
		return 0
	}
	return sign(b - a)
}

// pair finds another point than k with a different forced value, the nearest.
func (p *pinPoints) pair(k int) (other int, ok bool) {
	for m := 1; m < len(p.points); m++ {
		for _, o := range [2]int{k + m, k - m} {
			if o >= 0 && o < len(p.points) && p.apart(p.points[o].x.X, p.points[k].x.X) != 0 {
				return o, true
			}
		}
	}
	return 0, false
}

// surely is by how many of its standard uncertainties a value must be away from
// zero for its logarithm to mean something.
const surely = 10

// parabola is what goes through three points: of y itself or, where y changes by
// a large factor, of its logarithm.
type parabola struct {
	x, g [3]float64
	log  bool
	sign float64
}

func (p *pinPoints) parabola(idx [3]int) parabola {
	var q parabola
	least, most, same := math.Inf(1), 0.0, true
	for i, k := range idx {
		q.x[i], q.g[i] = p.points[k].x.X, p.points[k].y.X
		same = same && q.g[i]*q.g[0] > 0 && math.Abs(q.g[i]) > surely*p.points[k].total
		least, most = min(least, math.Abs(q.g[i])), max(most, math.Abs(q.g[i]))
	}
	if same && most > 3*least {
		q.log, q.sign = true, math.Copysign(1, q.g[0])
		for i := range q.g {
			q.g[i] = math.Log(math.Abs(q.g[i]))
		}
	}
	return q
}

// weights are Lagrange's, and their derivatives, at x.
func (q *parabola) weights(x float64) (w, dw [3]float64) {
	for i := range w {
		a, b := (i+1)%3, (i+2)%3
		below := (q.x[i] - q.x[a]) * (q.x[i] - q.x[b])
		w[i] = (x - q.x[a]) * (x - q.x[b]) / below
		dw[i] = (2*x - q.x[a] - q.x[b]) / below
	}
	return w, dw
}

// at is y and its slope at x, and the part that the curvature has in it as far
// as the nearest point is away.
func (q *parabola) at(x float64, near, step float64) (y, slope, bend float64, w [3]float64) {
	w, dw := q.weights(x)
	var g, dg, curvature float64
	for i := range w {
		a, b := (i+1)%3, (i+2)%3
		g += w[i] * q.g[i]
		dg += dw[i] * q.g[i]
		curvature += 2 * q.g[i] / ((q.x[i] - q.x[a]) * (q.x[i] - q.x[b]))
	}
	away := math.Abs(x - near)
	bend = curvature / 2 * away * max(away, step)
	if !q.log {
		return g, dg, bend, w
	}
	y = q.sign * math.Exp(g)
	return y, y * dg, y * bend, w
}

// slopeAt is the slope of the curve at point k, y per x; 0 for a single point.
func (p *pinPoints) slopeAt(k int) float64 {
	if idx, ok := p.base(k, 0); ok {
		q := p.parabola(idx)
		_, slope, _, _ := q.at(p.points[k].x.X, p.points[k].x.X, 0)
		return slope
	}
	if o, ok := p.pair(k); ok {
		a, b := &p.points[k], &p.points[o]
		return (b.y.X - a.y.X) / (b.x.X - a.x.X)
	}
	return 0
}

// at is the curve at a level near point k.
func (p *pinPoints) at(k int, level float64) resampled {
	n := len(p.points)
	for {
		away := math.Abs(p.points[k].x.X - level)
		switch {
		case k+1 < n && math.Abs(p.points[k+1].x.X-level) < away:
			k++
			continue
		case k > 0 && math.Abs(p.points[k-1].x.X-level) < away:
			k--
			continue
		}
		break
	}
	here := &p.points[k]
	out := resampled{x: level, y: here.y.X, idx: [3]int{k, k, k}, w: [3]float64{1, 0, 0}}
	if here.x.X == level {
		out.half = here.half
		return out
	}
	if idx, ok := p.base(k, math.Abs(here.x.X-level)); ok {
		if r := p.bent(idx, here, level); r.sound() {
			return r
		}
	}
	if o, ok := p.pair(k); ok {
		f := (level - here.x.X) / (p.points[o].x.X - here.x.X)
		r := resampled{x: level, y: here.y.X + f*(p.points[o].y.X-here.y.X), idx: [3]int{k, o, k}, w: [3]float64{1 - f, f, 0}, half: here.half}
		if r.sound() {
			return r
		}
	}
	out.half = here.half + math.Abs(here.y.X) // nobody knows
	return out
}

// bent is the curve at a level by the parabola through three points.
func (p *pinPoints) bent(idx [3]int, here *pinPoint, level float64) resampled {
	q := p.parabola(idx)
	r := resampled{x: level, idx: idx}
	var bend float64
	r.y, _, bend, r.w = q.at(level, here.x.X, math.Abs(q.x[1]-q.x[0]))
	r.half = math.Copysign(math.Abs(bend)+here.half, bend)
	if q.log {
		for i, j := range idx {
			r.w[i] *= r.y / p.points[j].y.X
		}
	}
	return r
}

// sound reports whether all of it is a number.
func (r *resampled) sound() bool {
	return finite(r.y) && finite(r.half) && finite(r.w[0]) && finite(r.w[1]) && finite(r.w[2])
}
