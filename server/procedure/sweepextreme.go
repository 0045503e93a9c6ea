package procedure

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"ohmkeep/server/budget"
)

// extreme is the highest (side 1) or lowest (side -1) value of the curve at the
// levels that were asked for. Where several neighbours are as high but for their
// noise, the highest reading would be the one with the largest error: then it is
// the highest value of a smooth line through them.
func (p *pinPoints) extreme(side float64) budget.Value {
	at := p.withEnds()
	top := 0
	for j := range at {
		if side*at[j].y > side*at[top].y {
			top = j
		}
	}
	from, to := p.alike(at, top, side)
	coefs := make([]float64, to-from)
	coefs[top-from] = 1
	y := at[top].y
	if n := to - from; n >= leastAlike {
		y, coefs = smoothExtreme(at[from:to], side)
	}
	return p.sum(y, at[from:to], coefs)
}

// leastAlike is how many neighbours a smooth line is put through, and bentAlike
// how many one that may be bent.
const (
	leastAlike = 3
	bentAlike  = 7
)

// withEnds is the curve at its levels, with the exact ends of a long one, of
// which the outermost points have several levels.
func (p *pinPoints) withEnds() []resampled {
	n := len(p.points)
	low, high := p.m.Sweep.Range()
	at := make([]resampled, 0, n+2)
	if first := &p.points[0]; first.cell.n > p.m.repeats() && low < first.set {
		at = append(at, p.at(0, low))
	}
	at = append(at, p.nominal...)
	if last := &p.points[n-1]; last.cell.n > p.m.repeats() && high > last.set {
		at = append(at, p.at(n-1, high))
	}
	return at
}

// alike is the stretch around the extreme of what noise alone may tell apart.
func (p *pinPoints) alike(at []resampled, top int, side float64) (from, to int) {
	u := func(j int) float64 { return p.excess.times * p.noiseAt(at[j].idx[0], p.excess.absolute) }
	is := func(j int) bool { return side*(at[top].y-at[j].y) <= 3*(u(top)+u(j)) }
	for from = top; from > 0 && is(from-1); from-- {
	}
	for to = top + 1; to < len(at) && is(to); to++ {
	}
	return from, to
}

// smoothExtreme is the extreme of a straight line, or of a parabola through many
// points, at one of the levels: its value, and how each level moves it.
func smoothExtreme(at []resampled, side float64) (y float64, coefs []float64) {
	n, terms := len(at), 2
	if n >= bentAlike {
		terms = 3
	}
	span := max(math.Abs(at[n-1].x-at[0].x), math.SmallestNonzeroFloat64)
	rows := mat.NewDense(n, terms, nil)
	for j := range at {
		x := (at[j].x - at[0].x) / span
		rows.Set(j, 0, 1)
		rows.Set(j, 1, x)
		if terms == 3 {
			rows.Set(j, 2, x*x)
		}
	}
	var qr mat.QR
	qr.Factorize(rows)
	var q, hat mat.Dense
	qr.QTo(&q)
	basis := q.Slice(0, n, 0, terms)
	hat.Mul(basis, basis.T())
	best := math.Inf(-1)
	for j := range at {
		var v float64
		for k := range at {
			v += hat.At(j, k) * at[k].y
		}
		if side*v > best {
			best, y, coefs = side*v, v, hat.RawRowView(j)
		}
	}
	return y, coefs
}
