package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/budget"
)

// Sums over the points of a curve: every result is one, with a coefficient for
// each point, and so are its sensitivities.

// sum is the value x that is the sum of the curve at its levels times a. What
// moved the forced value moves the curve there by its slope.
func (p *pinPoints) sum(x float64, at []resampled, a []float64) budget.Value {
	clear(p.coefs)
	shape := 0.0
	for j := range at {
		r := &at[j]
		for i, k := range r.idx {
			c := a[j] * r.w[i]
			p.coefs[2*k+1] += c
			p.coefs[2*k] -= c * p.points[k].slope
		}
		shape += a[j] * r.half
	}
	v := p.weighted(x)
	if shape != 0 {
		v = v.With(p.shape, shape)
	}
	if v.Uc() == 0 && p.errs() {
		// Readings that are all but the same, of which nothing is left in double
		// precision, are not known exactly.
		v = v.With(budget.Unknown("readings that differ by too little to be told apart", budget.Model), 1)
	}
	return v
}

// errs reports whether the points are known with any error at all: those of a bench
// without errors are not.
func (p *pinPoints) errs() bool {
	return slices.ContainsFunc(p.points, func(q pinPoint) bool { return len(q.x.Terms)+len(q.y.Terms) > 0 || q.ux+q.uy+q.qx+q.qy > 0 })
}

// weighted is the value x with the sensitivities to the points that stand in
// coefs: two of each, to its forced and to its sensed value.
func (p *pinPoints) weighted(x float64) budget.Value {
	v := budget.Linear(x, p.coefs, p.values...)
	if u := p.excess.times * p.noiseOf(); u > 0 {
		s := budget.NewSource("noise of the readings", budget.Noise, budget.Normal, u)
		if p.excess.df > 0 {
			s = &budget.Source{Name: "scatter of the readings", Class: budget.Scatter, Dist: budget.Student, U: u, DF: p.excess.df}
		}
		v = v.With(s, 1)
	}
	if u, dist := p.steps(); u > 0 {
		v = v.With(budget.NewSource("converter steps of the readings", budget.Step, dist, u), 1)
	}
	return v
}

// noiseOf is the standard uncertainty that the points' noise brings.
func (p *pinPoints) noiseOf() float64 {
	var square float64
	for k := range p.points {
		q := &p.points[k]
		x, y := p.coefs[2*k]*q.ux, p.coefs[2*k+1]*q.uy
		if p.excess.absolute {
			x, y = 0, p.coefs[2*k+1]/math.Sqrt(float64(q.cell.n))
		}
		square += x*x + y*y
	}
	return math.Sqrt(square)
}

// steps is the standard uncertainty that the converter's steps bring. Each
// reading has its own, but for neighbours that one code was read at without
// noise to tell them apart: they have one together.
func (p *pinPoints) steps() (u float64, dist budget.Distribution) {
	var square, most float64
	take := func(c float64) { square += c * c; most = max(most, c*c) }
	for side := range 2 {
		run := 0.0
		for k := range p.points {
			if k > 0 && !p.sameCode(k, side) {
				take(run)
				run = 0
			}
			run += p.coefs[2*k+side] * p.stepAt(k, side)
		}
		take(run)
	}
	if most > 0.8*square {
		return math.Sqrt(square), budget.Rectangular
	}
	return math.Sqrt(square), budget.Normal
}

func (p *pinPoints) stepAt(k, side int) float64 {
	if side == 0 {
		return p.points[k].qx
	}
	return p.points[k].qy
}

// sameCode reports whether point k was read with the same error of the step as
// the one before it: the readings differ by less than a step, and the noise is
// below half of one.
func (p *pinPoints) sameCode(k, side int) bool {
	a, b := &p.points[k-1], &p.points[k]
	u, apart := b.ux, b.x.X-a.x.X
	if side == 1 {
		u, apart = b.uy, b.y.X-a.y.X
	}
	q := p.stepAt(k, side)
	step := q * math.Sqrt(12)
	return a.cell.sense == b.cell.sense && u*math.Sqrt(float64(b.cell.n)) < step/2 && math.Abs(apart) < step
}

// leastSquares is a line by least squares through a curve at its levels, and how
// each of them moves it.
type leastSquares struct {
	slope, cut float64 // y per x, y at x = 0
	bySlope    []float64
	byCut      []float64
}

// straightLine fits a line. ok is false below two different levels.
func (p *pinPoints) straightLine(from, to int) (l leastSquares, ok bool) {
	at := p.nominal[from:to]
	var sum, mx, my, sxx, sxy float64
	for j := range at {
		w := p.readings(from + j)
		sum += w
		mx += w * (at[j].x - mx) / sum
		my += w * (at[j].y - my) / sum
	}
	for j := range at {
		w, dx := p.readings(from+j), at[j].x-mx
		sxx += w * dx * dx
		sxy += w * dx * (at[j].y - my)
	}
	if len(at) < 2 || !(sxx > 0) {
		return l, false
	}
	l = leastSquares{slope: sxy / sxx, bySlope: make([]float64, len(at)), byCut: make([]float64, len(at))}
	l.cut = my - l.slope*mx
	for j := range at {
		w := p.readings(from + j)
		l.bySlope[j] = w * (at[j].x - mx) / sxx
		l.byCut[j] = w/sum - mx*l.bySlope[j]
	}
	return l, true
}

// readings is how many readings a point rests on: its weight.
func (p *pinPoints) readings(k int) float64 { return float64(p.points[k].cell.n) }

// throughZero is the slope of the line through zero, and how each level moves it.
func (p *pinPoints) throughZero() (slope float64, by []float64, ok bool) {
	var sxx, sxy float64
	for j := range p.nominal {
		r, w := &p.nominal[j], p.readings(j)
		sxx += w * r.x * r.x
		sxy += w * r.x * r.y
	}
	if !(sxx > 0) {
		return 0, nil, false
	}
	by = make([]float64, len(p.nominal))
	for j := range p.nominal {
		by[j] = p.readings(j) * p.nominal[j].x / sxx
	}
	return sxy / sxx, by, true
}

// scatter is what the readings show of noise beyond what their ranges have.
type scatter struct {
	times    float64 // the noise of the ranges, or in the unit of y where that is unknown
	absolute bool
	df       float64 // 0: the ranges explain it
}

// The least that a scatter is told by, and the part of neighbours with opposite
// signs that tells noise from shape: half for noise itself, four fifths for its
// fourth differences (correlation -0.8); a smooth curve has none.
const (
	leastScatterDF   = 5
	noisyLine        = 0.3
	noisyDifferences = 0.6
)

// findScatter compares the noise of the ranges with what the readings show: in
// the repeats of each point, about the straight line, and in the fourth
// differences of neighbours, by their median, which a step where the range
// changes does not move. What runs smoothly is the shape of a curve, not noise.
func (p *pinPoints) findScatter() scatter {
	out := scatter{times: 1, absolute: true}
	for k := range p.points {
		if q := &p.points[k]; q.uy > 0 || q.ux > 0 {
			out.absolute = false
		}
	}
	if out.absolute {
		out.times = 0
	}
	for _, find := range []func(absolute bool) (times, df float64){p.scatterOfRepeats, p.scatterOfLine, p.scatterOfNeighbours} {
		times, df := find(out.absolute)
		sure := 1 + 2.33/math.Sqrt(2*df)
		if df >= leastScatterDF && times > out.times && (out.absolute || times > sure) {
			out.times, out.df = times, df
		}
		if out.df > 0 && out.absolute {
			break // the first that tells is the best known
		}
	}
	return out
}

// noiseAt is the standard uncertainty of the noise of a point's y at its level;
// the unit of scatter.
func (p *pinPoints) noiseAt(k int, absolute bool) float64 {
	q := &p.points[k]
	if absolute {
		return 1 / math.Sqrt(float64(q.cell.n))
	}
	return math.Hypot(math.Hypot(q.uy, q.qy), q.slope*math.Hypot(q.ux, q.qx))
}

// scatterOfRepeats pools the repeats within points.
func (p *pinPoints) scatterOfRepeats(absolute bool) (times, df float64) {
	var square float64
	for k := range p.points {
		c := p.points[k].cell
		u := p.noiseAt(k, absolute) * math.Sqrt(float64(c.n))
		if c.n < 2 || u == 0 || p.m.Sweep.Count() > maxCells {
			continue // several points in a cell: they differ by the curve
		}
		s := c.ii
		if p.m.Use == UseCurrent {
			s = c.vv
		}
		square += s / (u * u)
		df += float64(c.n - 1)
	}
	return math.Sqrt(square / max(df, 1)), df
}

// scatterOfLine is the scatter about the straight line, unless that has a shape.
func (p *pinPoints) scatterOfLine(absolute bool) (times, df float64) {
	l, ok := p.straightLine(0, len(p.nominal))
	if !ok {
		return 0, 0
	}
	var square float64
	rest := make([]float64, 0, len(p.nominal))
	for k := range p.nominal {
		u := p.noiseAt(k, absolute)
		if u == 0 {
			continue
		}
		r := (p.nominal[k].y - l.slope*p.nominal[k].x - l.cut) / u
		rest = append(rest, r)
		square += r * r
	}
	if alternating(rest) < noisyLine {
		return 0, 0
	}
	df = float64(len(rest) - 2)
	return math.Sqrt(square / max(df, 1)), df
}

// scatterOfNeighbours is the scatter by fourth differences.
func (p *pinPoints) scatterOfNeighbours(absolute bool) (times, df float64) {
	binomial := [5]float64{1, -4, 6, -4, 1}
	var all, size []float64
	for k := 0; k+4 < len(p.nominal); k++ {
		var d, square float64
		for i, c := range binomial {
			u := c * p.noiseAt(k+i, absolute)
			d += c * p.nominal[k+i].y
			square += u * u
		}
		if square > 0 {
			all = append(all, d/math.Sqrt(square))
			size = append(size, math.Abs(d)/math.Sqrt(square))
		}
	}
	if len(all) < 8 || alternating(all) < noisyDifferences {
		return 0, 0
	}
	slices.Sort(size)
	const median = 0.6745 // of the magnitude of a normal error
	return size[len(size)/2] / median, float64(len(all)) / 4
}

// alternating is the part of neighbours that have opposite signs.
func alternating(v []float64) float64 {
	if len(v) < 2 {
		return 0
	}
	n := 0
	for k := 1; k < len(v); k++ {
		if v[k]*v[k-1] < 0 {
			n++
		}
	}
	return float64(n) / float64(len(v)-1)
}
