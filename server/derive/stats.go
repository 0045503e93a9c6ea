package derive

import "math"

// Accumulator gathers the statistics of a stream of readings (t in s, y in any
// unit) in constant memory and without allocation. Sums are kept about the
// running means (Welford 1962, Technometrics 4, 419-420), and counted from the
// first reading, so that a small scatter on a large value keeps its digits.
// Values that are not finite are left out and counted. The zero value is ready.
type Accumulator struct {
	n, skipped     int
	t0, y0         float64 // first reading; what follows to lag is relative to it
	tLast, yLast   float64
	tMean, yMean   float64
	stt, sty, syy  float64 // sums of squares and products about the means
	lag            float64 // Σ (y[i]-mean)(y[i+1]-mean)
	yMin, yMax     float64 // as read
	tAtMin, tAtMax float64 // as read
}

// Add takes the reading y at time t.
func (a *Accumulator) Add(t, y float64) {
	if !finite(t) || !finite(y) {
		a.skipped++
		return
	}
	if a.n == 0 {
		a.n, a.t0, a.y0 = 1, t, y
		a.yMin, a.yMax, a.tAtMin, a.tAtMax = y, y, t, t
		return
	}
	if y < a.yMin {
		a.yMin, a.tAtMin = y, t
	}
	if y > a.yMax {
		a.yMax, a.tAtMax = y, t
	}
	t, y = t-a.t0, y-a.y0
	a.n++
	n := float64(a.n)
	dt, dy := t-a.tMean, y-a.yMean
	shift := dy / n // the mean's move; the lag product moves with it
	oldLast, oldFirst := a.yLast-a.yMean, -a.yMean
	a.tMean += dt / n
	a.yMean += shift
	a.stt += dt * (t - a.tMean)
	a.sty += dt * (y - a.yMean)
	a.syy += dy * (y - a.yMean)
	a.lag += shift*(oldLast+oldFirst) + (n-2)*shift*shift + (a.yLast-a.yMean)*(y-a.yMean)
	a.tLast, a.yLast = t, y
}

// N is the number of readings taken in.
func (a *Accumulator) N() int { return a.n }

// Skipped is the number of readings left out because they were not finite.
func (a *Accumulator) Skipped() int { return a.skipped }

// from gives v relative to the first reading, or NaN while there is none.
func (a *Accumulator) from(base, v float64) float64 {
	if a.n == 0 {
		return math.NaN()
	}
	return base + v
}

// Mean of the readings; NaN without any.
func (a *Accumulator) Mean() float64 { return a.from(a.y0, a.yMean) }

// Min is the smallest reading; NaN without any.
func (a *Accumulator) Min() float64 { return a.from(0, a.yMin) }

// Max is the largest reading; NaN without any.
func (a *Accumulator) Max() float64 { return a.from(0, a.yMax) }

// Last is the newest reading; NaN without any.
func (a *Accumulator) Last() float64 { return a.from(a.y0, a.yLast) }

// TimeOfMin is when the smallest reading was taken (its first time).
func (a *Accumulator) TimeOfMin() float64 { return a.from(0, a.tAtMin) }

// TimeOfMax is when the largest reading was taken (its first time).
func (a *Accumulator) TimeOfMax() float64 { return a.from(0, a.tAtMax) }

// Span is the time from the first to the last reading, in s.
func (a *Accumulator) Span() float64 { return a.from(0, a.tLast) }

// SD is the standard deviation with n-1; NaN below two readings.
func (a *Accumulator) SD() float64 {
	if a.n < 2 {
		return math.NaN()
	}
	return math.Sqrt(max(a.syy, 0) / float64(a.n-1))
}

// SDMean is SD/√n, the type A standard uncertainty of the mean for readings that
// do not depend on each other (GUM 4.2.3); see Lag1 for whether they do.
func (a *Accumulator) SDMean() float64 { return a.SD() / math.Sqrt(float64(a.n)) }

// Lag1 is the lag-1 autocorrelation Σ(y[i]-m)(y[i+1]-m)/Σ(y[i]-m)², as in the
// NIST StRD univariate sets; NaN below two readings or without scatter.
func (a *Accumulator) Lag1() float64 {
	if a.n < 2 || a.syy == 0 {
		return math.NaN()
	}
	return a.lag / a.syy
}

// Drift is the least-squares slope of y against t (unit of y per s) and its
// standard deviation; NaN where there is no spread in time or, for the standard
// deviation, below three readings.
func (a *Accumulator) Drift() (slope, sd float64) {
	if a.n < 2 || a.stt == 0 {
		return math.NaN(), math.NaN()
	}
	slope = a.sty / a.stt
	if a.n < 3 {
		return slope, math.NaN()
	}
	rss := max(a.syy-slope*a.sty, 0)
	return slope, math.Sqrt(rss / float64(a.n-2) / a.stt)
}

// ResidualSD is the standard deviation of the readings about their line of
// least squares, with n-2; NaN below three readings or without a spread in time.
func (a *Accumulator) ResidualSD() float64 {
	if a.n < 3 || a.stt == 0 {
		return math.NaN()
	}
	return math.Sqrt(max(a.syy-a.sty*a.sty/a.stt, 0) / float64(a.n-2))
}

// ResidualLag1 is the lag-1 autocorrelation of the readings about their line of
// least squares, for readings that are evenly spaced in time; NaN where there is
// no scatter about the line. A drift that is taken off no longer looks like
// readings that resemble each other.
func (a *Accumulator) ResidualLag1() float64 {
	if a.n < 3 || a.stt == 0 {
		return math.NaN()
	}
	slope := a.sty / a.stt
	rss := a.syy - slope*a.sty
	if !(rss > 1e-12*a.syy) {
		return math.NaN() // all that is left is rounding
	}
	// From the sums about the means, with the ends taken off: u is the time and v
	// the reading about its mean, h the time from one to the next.
	h := a.tLast / float64(a.n-1)
	u1, un, v1, vn := -a.tMean, a.tLast-a.tMean, -a.yMean, a.yLast-a.yMean
	uv := 2*a.sty - u1*v1 + h*v1 - un*vn - h*vn
	uu := a.stt - un*un - h*un
	return (a.lag - slope*uv + slope*slope*uu) / rss
}
