package derive

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Quadratic is a least-squares curve y = B[0] + B[1]·x + B[2]·x².
type Quadratic struct {
	B, SD      [3]float64
	N, DF      int
	ResidualSD float64
	R2         float64
}

// FitQuadratic fits a parabola by QR on x scaled to ±1. It needs four points and
// three different x. Checked with NIST StRD Pontius.
func FitQuadratic(x, y []float64) (Quadratic, error) {
	if err := checkPoints(x, y, 4); err != nil {
		return Quadratic{}, err
	}
	var scale float64
	for _, v := range x {
		scale = max(scale, math.Abs(v))
	}
	if scale == 0 {
		return Quadratic{}, ErrNoSpread
	}
	a, b := mat.NewDense(len(x), 3, nil), mat.NewVecDense(len(y), y)
	for i, v := range x {
		z := v / scale
		a.SetRow(i, []float64{1, z, z * z})
	}
	c, sd, rss, err := solve(a, b)
	if err != nil {
		return Quadratic{}, ErrNoSpread
	}
	q := Quadratic{N: len(x), DF: len(x) - 3}
	unit := 1.0
	for i := range c {
		q.B[i], q.SD[i] = c[i]/unit, sd[i]/unit
		unit *= scale
	}
	q.ResidualSD = math.Sqrt(rss / float64(q.DF))
	m, total := mean(y), 0.0
	for _, v := range y {
		total += (v - m) * (v - m)
	}
	q.R2 = 1 - rss/total
	return q, nil
}
