package procedure

import (
	"math"
	"slices"
)

// resampled is a curve at a level that was asked for, which no reading has met
// exactly: from up to three points around it, by a smooth curve.
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
// zero for its logarithm to mean something. largeFactor is the factor over three
// points from which on that of y is taken, and leastFactor that for x, which is known
// to go on by factors: below it both ways are the same.
const (
	surely      = 10
	largeFactor = 3
	leastFactor = 1.1
)

// parabola is a smooth curve through three points: of y itself or, where y changes
// by a large factor, of its logarithm. It is made of 1, x and x² or, where x goes on
// by factors, of 1, ln x and x: a junction with a resistance behind it, and a
// power of x, are just that, and no parabola through points a decade apart is.
type parabola struct {
	x, g       [3]float64
	logX, logY bool
	sign       float64
}

func (p *pinPoints) parabola(idx [3]int) parabola {
	var x, y, ux, uy [3]float64
	for i, k := range idx {
		r := &p.points[k]
		x[i], y[i], ux[i], uy[i] = r.x.X, r.y.X, r.totalX, r.total
	}
	return newParabola(x, y, ux, uy)
}

// newParabola is the curve through three points with these standard uncertainties.
func newParabola(x, y, ux, uy [3]float64) parabola {
	q := parabola{x: x, g: y, logX: differ(x, ux, leastFactor) && evenByFactor(x)}
	if differ(y, uy, largeFactor) {
		q.logY, q.sign = true, math.Copysign(1, y[0])
		for i := range q.g {
			q.g[i] = math.Log(math.Abs(y[i]))
		}
	}
	return q
}

// differ reports whether values that are clear of zero on one side differ by more than
// a factor.
func differ(v, u [3]float64, factor float64) bool {
	least, most := math.Inf(1), 0.0
	for i := range v {
		a := math.Abs(v[i])
		if !(v[i]*v[0] > 0) || a <= surely*u[i] {
			return false
		}
		least, most = min(least, a), max(most, a)
	}
	return most > factor*least
}

// evenByFactor reports whether three values of one sign, in order, are spaced more
// evenly by factors than by differences. A curve from next to nothing on by even
// steps has nothing of a logarithm.
func evenByFactor(v [3]float64) bool {
	uneven := func(a, b, c float64) float64 { return math.Abs((b-a)/(c-a) - 0.5) }
	return uneven(math.Log(math.Abs(v[0])), math.Log(math.Abs(v[1])), math.Log(math.Abs(v[2]))) < uneven(v[0], v[1], v[2])
}

// terms are the two parts of a curve that are not constant, with their derivatives.
type terms func(x, middle float64) (t, d [2]float64)

// From the middle point on, which takes no digits away: x and x², ln x and x, and ln x
// and its square.
var (
	powersOfX terms = func(x, c float64) (t, d [2]float64) {
		z := x - c
		return [2]float64{z, z * z}, [2]float64{1, 2 * z}
	}
	logAndX terms = func(x, c float64) (t, d [2]float64) {
		return [2]float64{math.Log(x / c), x/c - 1}, [2]float64{1 / x, 1 / c}
	}
	powersOfLog terms = func(x, c float64) (t, d [2]float64) {
		z := math.Log(x / c)
		return [2]float64{z, z * z}, [2]float64{1 / x, 2 * z / x}
	}
)

// weights are what each point has of the curve at x, of its slope there, and of its
// second term, by Cramer's rule.
func (q *parabola) weights(x float64, of terms) (w, dw, second [3]float64) {
	var at [3][2]float64
	for i := range at {
		at[i], _ = of(q.x[i], q.x[1])
	}
	t, d := of(x, q.x[1])
	cross := func(a, b [2]float64) float64 { return a[0]*b[1] - a[1]*b[0] }
	minus := func(a, b [2]float64) [2]float64 { return [2]float64{a[0] - b[0], a[1] - b[1]} }
	for i := range w {
		a := at[(i+1)%3]
		side := minus(at[(i+2)%3], a)
		all := cross(minus(at[i], a), side)
		w[i] = cross(minus(t, a), side) / all
		dw[i] = cross(d, side) / all
		second[i] = -side[0] / all
	}
	return w, dw, second
}

// otherLogs is by how many times that which two ways of going through points spaced by
// factors differ in slope both may be off. Where a leak lies beside a junction and takes
// up to a twentieth of the current, it is 2 to 3.8 times, for points a quarter apart to
// a decade.
const otherLogs = 4

// at is y and its slope at x, and what the curve may be off by there, with the sign of
// its bend, by what its slope may be off from the nearest of its points on. Between even
// steps that is all by which it differs from the straight line to the next point;
// between factors, where the curve is straight but for what leaks and resists, by how
// it differs from a parabola of ln x.
func (q *parabola) at(x float64, nearest int) (y, slope, bend float64, w [3]float64) {
	of := powersOfX
	if q.logX {
		of = logAndX
	}
	w, dw, second := q.weights(x, of)
	var g, dg, bent float64
	for i := range w {
		g += w[i] * q.g[i]
		dg += dw[i] * q.g[i]
		bent += second[i] * q.g[i]
	}
	next := 1
	if nearest == 1 {
		next = 0
	}
	off := math.Abs(bent * (q.x[next] - q.x[nearest]))
	if q.logX {
		off = dg
		_, dw, _ = q.weights(x, powersOfLog)
		for i := range dw {
			off -= dw[i] * q.g[i]
		}
		off *= otherLogs
	}
	bend = math.Copysign(off*math.Abs(x-q.x[nearest]), bent)
	if !q.logY {
		return g, dg, bend, w
	}
	y = q.sign * math.Exp(g)
	return y, y * dg, y * bend, w
}

// slopeAt is the slope of the curve at point k, y per x; 0 for a single point.
func (p *pinPoints) slopeAt(k int) float64 {
	if idx, ok := p.base(k, 0); ok {
		q := p.parabola(idx)
		_, slope, _, _ := q.at(p.points[k].x.X, 0)
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
		if r := p.bent(idx, k, level); r.sound() {
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

// bent is the curve at a level by the parabola through three points, of which k is
// the nearest.
func (p *pinPoints) bent(idx [3]int, k int, level float64) resampled {
	q := p.parabola(idx)
	r := resampled{x: level, idx: idx}
	var bend float64
	r.y, _, bend, r.w = q.at(level, slices.Index(idx[:], k))
	r.half = math.Copysign(math.Abs(bend)+p.points[k].half, bend)
	if q.logY {
		for i, j := range idx {
			r.w[i] *= r.y / p.points[j].y.X
		}
	}
	return r
}

// sound reports whether all of it is a number that rests on some reading. A logarithm
// that is taken too far ends in 0, whatever was read.
func (r *resampled) sound() bool {
	return finite(r.y) && finite(r.half) && finite(r.w[0]) && finite(r.w[1]) && finite(r.w[2]) && r.w != [3]float64{}
}
