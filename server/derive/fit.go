package derive

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Line is a least-squares straight line y = Intercept + Slope·x. Units follow
// from x and y: with I in A and V in V, Slope is in Ω and Intercept in V.
type Line struct {
	N                    int
	DF                   int // degrees of freedom of the residuals
	Slope, Intercept     float64
	SlopeSD, InterceptSD float64 // standard deviations of the estimates
	Cov                  float64 // covariance of Slope and Intercept
	ResidualSD           float64
	R2                   float64 // through the origin: about zero, not about the mean
	RegSS, ResidualSS    float64 // analysis of variance
	F                    float64 // regression mean square / residual mean square
}

// FitLine fits y = a + b·x (ordinary least squares, y uncertain, x exact) from
// sums about the means, so that large offsets do not cost digits. It needs two
// points; with two the standard deviations are NaN. Checked with NIST StRD Norris.
func FitLine(x, y []float64) (Line, error) {
	if err := checkPoints(x, y, 2); err != nil {
		return Line{}, err
	}
	n := float64(len(x))
	mx, my := mean(x), mean(y)
	var sxx, sxy, syy float64
	for i := range x {
		dx, dy := x[i]-mx, y[i]-my
		sxx += dx * dx
		sxy += dx * dy
		syy += dy * dy
	}
	if sxx == 0 {
		return Line{}, ErrNoSpread
	}
	l := Line{N: len(x), DF: len(x) - 2, Slope: sxy / sxx}
	l.Intercept = my - l.Slope*mx
	var rss float64
	for i := range x {
		r := (y[i] - my) - l.Slope*(x[i]-mx)
		rss += r * r
	}
	l.finish(rss, l.Slope*sxy, syy)
	l.SlopeSD = l.ResidualSD / math.Sqrt(sxx)
	l.InterceptSD = l.ResidualSD * math.Sqrt(1/n+mx*mx/sxx)
	l.Cov = -mx * l.SlopeSD * l.SlopeSD
	return l, nil
}

// FitOrigin fits y = b·x through the origin: b = Σxy/Σx². Checked with NIST StRD
// NoInt1 and NoInt2. R2 and the sums of squares are about zero.
func FitOrigin(x, y []float64) (Line, error) {
	if err := checkPoints(x, y, 1); err != nil {
		return Line{}, err
	}
	var sxx, sxy, syy float64
	for i := range x {
		sxx += x[i] * x[i]
		sxy += x[i] * y[i]
		syy += y[i] * y[i]
	}
	if sxx == 0 {
		return Line{}, ErrNoSpread
	}
	l := Line{N: len(x), DF: len(x) - 1, Slope: sxy / sxx}
	var rss float64
	for i := range x {
		r := y[i] - l.Slope*x[i]
		rss += r * r
	}
	l.finish(rss, l.Slope*sxy, syy)
	l.SlopeSD = l.ResidualSD / math.Sqrt(sxx)
	return l, nil
}

// finish fills in what follows from the sums of squares.
func (l *Line) finish(rss, regSS, total float64) {
	l.ResidualSS, l.RegSS = rss, regSS
	l.ResidualSD, l.F, l.R2 = math.NaN(), math.NaN(), math.NaN()
	if l.DF > 0 {
		l.ResidualSD = math.Sqrt(rss / float64(l.DF))
		l.F = regSS / (rss / float64(l.DF))
	}
	if total > 0 {
		l.R2 = 1 - rss/total
	}
}

// At returns the line's y at x and its standard deviation.
// Source: GUM (JCGM 100:2008) H.3.4.
func (l Line) At(x float64) (y, sd float64) {
	v := l.InterceptSD*l.InterceptSD + x*x*l.SlopeSD*l.SlopeSD + 2*x*l.Cov
	return l.Intercept + l.Slope*x, math.Sqrt(max(v, 0))
}

// Correlation of slope and intercept, -1 to 1.
func (l Line) Correlation() float64 { return l.Cov / (l.SlopeSD * l.InterceptSD) }

// mean of v, with a second pass that removes the rounding of the first.
func mean(v []float64) float64 {
	n := float64(len(v))
	var sum, rest float64
	for _, y := range v {
		sum += y
	}
	m := sum / n
	for _, y := range v {
		rest += y - m
	}
	return m + rest/n
}

// LackOfFit tests a straight line against the scatter of repeated readings at
// the same x: F = (lack-of-fit mean square)/(pure-error mean square), and p, the
// probability of so large an F if the line holds. It needs three different x and
// at least one repeat. Source: NIST/SEMATECH e-Handbook 4.4.4.6; checked with Pontius.
func LackOfFit(x, y []float64) (f float64, df1, df2 int, p float64, err error) {
	l, err := FitLine(x, y)
	if err != nil {
		return 0, 0, 0, 0, err
	}
	groups := map[float64][]float64{}
	for i := range x {
		groups[x[i]] = append(groups[x[i]], y[i])
	}
	var pure float64
	for _, g := range groups {
		m := mean(g)
		for _, v := range g {
			pure += (v - m) * (v - m)
		}
	}
	df1, df2 = len(groups)-2, len(x)-len(groups)
	if df1 < 1 || df2 < 1 {
		return 0, df1, df2, 0, ErrTooFew
	}
	f = ((l.ResidualSS - pure) / float64(df1)) / (pure / float64(df2))
	if math.IsNaN(f) {
		return f, df1, df2, f, ErrNoSpread
	}
	f = max(f, 0)
	return f, df1, df2, distuv.F{D1: float64(df1), D2: float64(df2)}.Survival(f), nil
}
