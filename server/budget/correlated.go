package budget

import (
	"errors"
	"math"
)

// ErrCovariance says that a matrix is no covariance matrix of the estimates.
var ErrCovariance = errors.New("the covariances are not symmetric, not finite or not possible")

// Correlated returns values with the estimates x and the covariance matrix cov
// (units of x[i]·x[j]), estimated with df degrees of freedom: readings taken at
// the same time, or the parameters of a fit. They are made of independent sources
// that share one pool (Cholesky's decomposition), so that every function of them
// has the variance of GUM 5.2.2 and, where it is linear, Student's t with df.
// names are those of the sources, one for each estimate.
func Correlated(names []string, class Class, x []float64, cov [][]float64, df float64) ([]Value, error) {
	l, err := cholesky(cov)
	if err != nil || len(x) != len(l) || len(names) != len(l) {
		return nil, ErrCovariance
	}
	pool := &Pool{Name: "one estimate of scatter"}
	sources := make([]*Source, len(x))
	for i := range x {
		sources[i] = &Source{Name: names[i], Class: class, Dist: Student, U: l[i][i], DF: df, Pool: pool}
		if math.IsInf(df, 1) {
			sources[i].Dist = Normal
		}
	}
	values := make([]Value, len(x))
	for i := range x {
		values[i] = Value{X: x[i]}
		for j := 0; j <= i; j++ {
			if l[i][j] != 0 {
				values[i].Terms = append(values[i].Terms, Term{sources[j], l[i][j] / l[j][j]})
			}
		}
	}
	return values, nil
}

// cholesky returns the lower triangle l with l·lᵀ = m. A row that depends on
// those before it, to rounding, has a zero on its diagonal.
func cholesky(m [][]float64) ([][]float64, error) {
	const rounding = 1e-12
	l := make([][]float64, len(m))
	for i := range m {
		if len(m[i]) != len(m) || bad(m[i][i]) || m[i][i] < 0 {
			return nil, ErrCovariance
		}
		l[i] = make([]float64, len(m))
		rest := m[i][i]
		for j := range i {
			scale := math.Sqrt(m[i][i] * m[j][j])
			if !(math.Abs(m[i][j]-m[j][i]) <= rounding*scale) {
				return nil, ErrCovariance
			}
			sum := m[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if l[j][j] > 0 {
				l[i][j] = sum / l[j][j]
			} else if math.Abs(sum) > 1e3*rounding*scale {
				return nil, ErrCovariance
			}
			rest -= l[i][j] * l[i][j]
		}
		if !(rest >= -1e3*rounding*m[i][i]) {
			return nil, ErrCovariance
		}
		if rest > rounding*m[i][i] {
			l[i][i] = math.Sqrt(rest)
		}
	}
	return l, nil
}
