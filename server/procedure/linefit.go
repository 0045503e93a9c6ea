package procedure

import (
	"math"

	"ohmkeep/server/derive"
)

// line gathers a straight line as the points arrive, without keeping them: with
// intercept from the sums about the means that derive.Accumulator keeps, through
// the origin from the plain sums of products.
type line struct {
	xy, x         derive.Accumulator
	sxx, sxy, syy float64
	// The points at the ends of x, for the part of the uncertainty that repeats
	// do not lower.
	least, most end
}

// end is a point with its standard uncertainties.
type end struct{ x, y, ux, uy float64 }

func (l *line) add(e end) {
	if l.x.N() == 0 || e.x < l.least.x {
		l.least = e
	}
	if l.x.N() == 0 || e.x > l.most.x {
		l.most = e
	}
	l.xy.Add(e.x, e.y)
	l.x.Add(0, e.x)
	l.sxx += e.x * e.x
	l.sxy += e.x * e.y
	l.syy += e.y * e.y
}

// fit is the slope of the line with its standard uncertainty: the scatter about
// the line, and the accuracy at its ends, carried over to the slope between them.
func (l *line) fit() (slope, u float64) {
	slope, sd := l.xy.Drift()
	if l.x.N() < 3 || math.IsNaN(sd) {
		sd = 0
	}
	a, b := l.least, l.most
	ux, uy := differenceU(a.x, a.ux, b.x, b.ux), differenceU(a.y, a.uy, b.y, b.uy)
	return slope, math.Hypot(sd, math.Hypot(uy, slope*ux)/(b.x-a.x))
}

// intercept is y where x is 0, with its standard uncertainty.
func (l *line) intercept() (y, u float64) {
	slope, sd := l.xy.Drift()
	mean := l.x.Mean()
	y = l.xy.Mean() - slope*mean
	if n := float64(l.x.N()); n > 2 && !math.IsNaN(sd) {
		sxx := l.x.SD() * l.x.SD() * (n - 1)
		residual := sd * math.Sqrt(sxx)
		u = residual * math.Sqrt(1/n+mean*mean/sxx)
	}
	return y, math.Hypot(u, max(l.least.uy, l.most.uy))
}

// origin is the slope of the line through zero with its standard uncertainty.
func (l *line) origin() (slope, u float64) {
	slope = l.sxy / l.sxx
	sd := 0.0
	if n := l.x.N(); n > 1 {
		sd = math.Sqrt(max(l.syy-slope*l.sxy, 0) / float64(n-1) / l.sxx)
	}
	far := l.most
	if math.Abs(l.least.x) > math.Abs(far.x) {
		far = l.least
	}
	return slope, math.Hypot(sd, math.Hypot(far.uy, slope*far.ux)/math.Abs(far.x))
}

// inverse turns a slope and its standard uncertainty into that of the turned
// axes. A slope that cannot be told from zero gives the least that it can be the
// inverse of, and known is false.
func inverse(slope, u float64) (x, ux float64, known bool) {
	if math.Abs(slope) > u {
		return 1 / slope, u / (slope * slope), true
	}
	return 1 / (math.Abs(slope) + sure*u), 0, false
}
