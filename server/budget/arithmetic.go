package budget

import "math"

// Add is a + b.
func (a Value) Add(b Value) Value { return linear2(a.X+b.X, a, 1, b, 1) }

// Sub is a - b. A value less itself is 0 without any term.
func (a Value) Sub(b Value) Value { return linear2(a.X-b.X, a, 1, b, -1) }

// Scale is a times the exact factor f.
func (a Value) Scale(f float64) Value { return linear2(a.X*f, a, f, Value{}, 0) }

// Mul is a·b to first order (GUM 5.1.2).
func (a Value) Mul(b Value) Value { return linear2(a.X*b.X, a, b.X, b, a.X) }

// Div is a/b to first order; by zero it is not finite, and so is its interval. A
// value over itself is 1 without any term.
func (a Value) Div(b Value) Value {
	q := a.X / b.X
	v := linear2(q, a, 1, b, -q)
	for i := range v.Terms {
		v.Terms[i].C /= b.X
	}
	return v
}

// linear2 is a value of estimate x whose terms are fa times those of a and fb
// times those of b, a source of both once. Terms that cancel exactly are dropped.
func linear2(x float64, a Value, fa float64, b Value, fb float64) Value {
	v := Value{X: x}
	if len(a.Terms)+len(b.Terms) > 0 {
		v.Terms = make([]Term, 0, len(a.Terms)+len(b.Terms))
	}
	for _, t := range a.Terms {
		v.Terms = append(v.Terms, Term{t.Source, fa * t.C})
	}
	v.Terms = addTerms(v.Terms, b.Terms, fb)
	return v.dropped()
}

// addTerms adds f times the terms of more to those of into. Values of one kind
// have their sources in one order, so the place after the last find comes first.
func addTerms(into, more []Term, f float64) []Term {
	n, next := len(into), 0
search:
	for _, t := range more {
		for range n {
			if next >= n {
				next = 0
			}
			if into[next].Source == t.Source {
				into[next].C += f * t.C
				next++
				continue search
			}
			next++
		}
		into = append(into, Term{t.Source, f * t.C})
	}
	return into
}

// dropped is v without the terms that are exactly zero; NaN stays.
func (v Value) dropped() Value {
	kept := v.Terms[:0]
	for _, t := range v.Terms {
		if t.C != 0 {
			kept = append(kept, t)
		}
	}
	if len(kept) == 0 {
		kept = nil
	}
	v.Terms = kept
	return v
}

// Linear is the estimate x with the sensitivities c to the arguments: what a fit
// or any function with known derivatives gives. c and args must be as long as
// each other, otherwise the interval has no end.
func Linear(x float64, c []float64, args ...Value) Value {
	if len(c) != len(args) {
		return Of(x, Unknown("sensitivities and arguments differ in number", Model))
	}
	n := 0
	for _, a := range args {
		n = max(n, len(a.Terms))
	}
	v := Value{X: x, Terms: make([]Term, 0, n+len(args))}
	for i, a := range args {
		v.Terms = addTerms(v.Terms, a.Terms, c[i])
	}
	return v.dropped()
}

// Apply is f of the arguments, with sensitivities by central differences over
// plus and minus the standard uncertainty of each argument: GUM 5.1.3, note 2.
// An f that is not finite there has an interval without end. f must not keep x.
func Apply(f func(x []float64) float64, args ...Value) Value {
	x, c := make([]float64, len(args)), make([]float64, len(args))
	for i, a := range args {
		x[i] = a.X
	}
	for i, a := range args {
		u := a.Uc()
		if u == 0 {
			continue
		}
		x[i] = a.X + u
		up := f(x)
		x[i] = a.X - u
		c[i] = (up - f(x)) / (2 * u)
		x[i] = a.X
	}
	return Linear(f(x), c, args...)
}

// Uc is the combined standard uncertainty √Σ(c·u)² of independent sources: GUM
// 5.1.2. It is not finite where a term is not.
func (v Value) Uc() float64 {
	var uc float64
	for _, t := range v.Terms {
		uc = math.Hypot(uc, t.contribution())
	}
	return uc
}

// contribution is |c·u|, NaN where it is not known.
func (t Term) contribution() float64 {
	u := math.Abs(t.C * t.Source.U)
	if t.Source.U < 0 || math.IsInf(u, 0) {
		return math.NaN()
	}
	return u
}

// Covariance of two values by the sources they share: GUM 5.2.2, F.1.2.3.
func Covariance(a, b Value) float64 {
	var sum float64
	for _, s := range a.Terms {
		for _, t := range b.Terms {
			if s.Source == t.Source {
				sum += s.C * s.Source.U * t.C * t.Source.U
			}
		}
	}
	return sum
}

// Correlation coefficient of two values (-1 to 1) by the sources they share; NaN
// where one of them has no error.
func Correlation(a, b Value) float64 { return Covariance(a, b) / (a.Uc() * b.Uc()) }

// RootSumSquares combines independent standard uncertainties: GUM 5.1.2.
func RootSumSquares(u ...float64) float64 {
	var r float64
	for _, v := range u {
		r = math.Hypot(r, v)
	}
	return r
}

// bad says that v is no finite number.
func bad(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }
