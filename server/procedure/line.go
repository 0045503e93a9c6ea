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

// end is a point with the standard uncertainties of its voltage and current.
type end struct{ x, v, i, uv, ui float64 }

func (l *line) add(x, y float64, e end) {
	if l.x.N() == 0 || x < l.least.x {
		l.least = e
	}
	if l.x.N() == 0 || x > l.most.x {
		l.most = e
	}
	l.xy.Add(x, y)
	l.x.Add(0, x)
	l.sxx += x * x
	l.sxy += x * y
	l.syy += y * y
}

// fit is the slope of the line with its standard uncertainty: the scatter about
// the line, and the accuracy at its ends as a relative part.
func (l *line) fit() (slope, u float64) {
	slope, sd := l.xy.Drift()
	if l.x.N() < 3 || math.IsNaN(sd) {
		sd = 0
	}
	a, b := l.least, l.most
	rel := math.Hypot(
		relative(differenceU(a.v, a.uv, b.v, b.uv), b.v-a.v),
		relative(differenceU(a.i, a.ui, b.i, b.ui), b.i-a.i))
	return slope, math.Hypot(sd, rel*math.Abs(slope))
}

// intercept is y where x is 0, with its standard uncertainty; uy is that of y
// from the ranges' accuracy.
func (l *line) intercept(uy float64) (y, u float64) {
	slope, sd := l.xy.Drift()
	mean := l.x.Mean()
	y = l.xy.Mean() - slope*mean
	if n := float64(l.x.N()); n > 2 && !math.IsNaN(sd) {
		sxx := l.x.SD() * l.x.SD() * (n - 1)
		residual := sd * math.Sqrt(sxx)
		u = residual * math.Sqrt(1/n+mean*mean/sxx)
	}
	return y, math.Hypot(u, uy)
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
	rel := math.Hypot(relative(far.uv, far.v), relative(far.ui, far.i))
	return slope, math.Hypot(sd, rel*math.Abs(slope))
}

// inverse turns a slope and its standard uncertainty into that of the turned
// axes; NaN for a slope that cannot be told from zero.
func inverse(slope, u float64) (float64, float64) {
	if !(math.Abs(slope) > u) {
		return math.NaN(), math.NaN()
	}
	return 1 / slope, u / (slope * slope)
}
