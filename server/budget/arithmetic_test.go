package budget

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/testkit"
)

// drawValues gives values that share some of their sources.
func drawValues(t *rapid.T, n int) []Value {
	var pool []*Source
	for range rapid.IntRange(1, 6).Draw(t, "sources") {
		pool = append(pool, NewSource("s", Model, Normal, float64(rapid.IntRange(1, 100).Draw(t, "u"))*1e-6))
	}
	values := make([]Value, n)
	for i := range values {
		values[i] = Exact(rapid.Float64Range(1, 10).Draw(t, "x"))
		for _, s := range pool {
			if rapid.Bool().Draw(t, "depends") {
				values[i] = values[i].With(s, float64(rapid.IntRange(-16, 16).Draw(t, "c"))/8)
			}
		}
	}
	return values
}

// same compares two values source by source: they may differ by a share of the
// relative uncertainties of a and b, from which both are made.
func same(t testkit.Reporter, what string, got, want, a, b Value) {
	t.Helper()
	near(t, what, got.X, want.X, 1e-12)
	scale := math.Abs(want.X) * (a.Uc()/math.Abs(a.X) + b.Uc()/math.Abs(b.X))
	if what == "a+b" || what == "a-b" || what == "linear" {
		scale = a.Uc() + b.Uc()
	}
	if diff := got.Sub(want).Uc(); !(diff <= 1e-7*scale) {
		t.Errorf("%s depends on its sources as %v, want %v", what, got.Terms, want.Terms)
	}
}

// The operators give what differences of the same function give.
func TestArithmeticAgreesWithApply(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawValues(t, 2)
		a, b := v[0], v[1]
		f := rapid.Float64Range(-3, 3).Draw(t, "f")
		same(t, "a+b", a.Add(b), Apply(func(x []float64) float64 { return x[0] + x[1] }, a, b), a, b)
		same(t, "a-b", a.Sub(b), Apply(func(x []float64) float64 { return x[0] - x[1] }, a, b), a, b)
		same(t, "a·b", a.Mul(b), Apply(func(x []float64) float64 { return x[0] * x[1] }, a, b), a, b)
		same(t, "f·a", a.Scale(f), Apply(func(x []float64) float64 { return f * x[0] }, a), a, b)
		// Central differences of a quotient are off by (u/b)², below 1e-7 here.
		same(t, "a/b", a.Div(b), Apply(func(x []float64) float64 { return x[0] / x[1] }, a, b), a, b)
	})
}

// A value less itself, and over itself, is known exactly; sources stand once.
func TestSameErrorCancels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawValues(t, 3)
		for _, a := range v {
			if d := a.Sub(a); d.X != 0 || len(d.Terms) != 0 {
				t.Fatalf("a-a = %+v", d)
			}
			if q := a.Div(a); q.X != 1 || len(q.Terms) != 0 {
				t.Fatalf("a/a = %+v", q)
			}
		}
		seen := map[*Source]bool{}
		for _, term := range v[0].Mul(v[1]).Add(v[2]).Div(v[1]).Terms {
			if seen[term.Source] || term.C == 0 {
				t.Fatalf("%+v stands twice or is zero", term)
			}
			seen[term.Source] = true
		}
	})
}

// Operations leave their operands alone.
func TestValuesAreNotChanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawValues(t, 2)
		before := append([]Term(nil), v[0].Terms...)
		_ = v[0].Sub(v[1]).Mul(v[0]).Div(v[1]).Scale(2)
		_ = v[0].With(NewSource("more", Model, Normal, 1), 3)
		_ = Linear(0, []float64{2, 3}, v...)
		for i, term := range before {
			if v[0].Terms[i] != term {
				t.Fatalf("%+v became %+v", term, v[0].Terms[i])
			}
		}
	})
}

// Correlation comes from shared sources: GUM 5.2.2, F.1.2.3.
func TestCorrelationByIdentity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawValues(t, 2)
		a, b := v[0], v[1]
		if a.Uc() == 0 || b.Uc() == 0 {
			if !math.IsNaN(Correlation(a, b)) {
				t.Fatal("an exact value is correlated")
			}
			return
		}
		near(t, "with itself", Correlation(a, a), 1, 1e-12)
		near(t, "with its opposite", Correlation(a, a.Scale(-2)), -1, 1e-12)
		if got := Correlation(a, Of(1, NewSource("other", Model, Normal, 1))); got != 0 {
			t.Fatalf("correlated with a stranger: %g", got)
		}
		sum, squares := a.Add(b).Uc(), a.Uc()*a.Uc()+b.Uc()*b.Uc()
		near(t, "variance of a sum", 1+sum*sum/squares, 2+2*Covariance(a, b)/squares, 1e-9)
		near(t, "symmetry", 1+Covariance(a, b)/squares, 1+Covariance(b, a)/squares, 1e-12)
		near(t, "scaling", a.Scale(-3).Uc(), 3*a.Uc(), 1e-12)
	})
}

// A reversal gains from one offset seen twice, and a ratio of two readings of one
// range from one gain.
func TestReversalAndRatio(t *testing.T) {
	offset, gain := NewSource("offset", Offset, Rectangular, 1e-3), NewSource("gain", Gain, Rectangular, 1e-4)
	noise := func() *Source { return NewSource("noise", Noise, Normal, 1e-6) }
	read := func(x float64) Value { return Of(x, noise()).With(offset, 1).With(gain, x) }
	up, down := read(0.5), read(-0.5)
	reversal := up.Sub(down).Scale(0.5)
	near(t, "reversal: the gain is left", reversal.Uc(), math.Hypot(0.5e-4, 1e-6/math.Sqrt2), 1e-9)
	ratio := read(5).Sub(read(3)).Div(read(4).Sub(read(2)))
	near(t, "ratio of differences", ratio.X, 1, 1e-15)
	near(t, "only the noise is left", ratio.Uc(), 1e-6, 1e-9)
}

// Linear is what repeated sums give.
func TestLinearAgreesWithSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawValues(t, 4)
		c := []float64{1.5, -2, 0.25, 3}
		var want Value
		for i := range v {
			want = want.Add(v[i].Scale(c[i]))
		}
		same(t, "linear", Linear(want.X, c, v...), want, v[0].Scale(10), v[1].Scale(10).Add(v[2]).Add(v[3]))
	})
	if s := Linear(1, []float64{1}, Exact(1), Exact(2)).State(Coverage); s.Finite() {
		t.Error("a sensitivity that is missing makes a finite interval")
	}
}

// A matrix that is no covariance matrix is refused.
func TestCorrelatedRefuses(t *testing.T) {
	names, x := []string{"a", "b"}, []float64{1, 2}
	for what, cov := range map[string][][]float64{
		"not square":        {{1, 0}, {0}},
		"not symmetric":     {{1, 0.5}, {0.4, 1}},
		"not possible":      {{1, 2}, {2, 1}},
		"negative":          {{-1, 0}, {0, 1}},
		"not a number":      {{1, math.NaN()}, {math.NaN(), 1}},
		"of another length": {{1}},
		"exact, correlated": {{0, 0.5}, {0.5, 1}},
	} {
		if v, err := Correlated(names, Scatter, x, cov, 4); err == nil {
			t.Errorf("%s: %+v", what, v)
		}
	}
	v, err := Correlated(names, Scatter, x, [][]float64{{4, 2}, {2, 1}}, 4)
	if err != nil || math.Abs(Correlation(v[0], v[1])-1) > 1e-12 {
		t.Errorf("fully correlated: %v %+v", err, v)
	}
	if d := v[0].Sub(v[1].Scale(2)); d.Uc() > 1e-12 {
		t.Errorf("twice the other is left with %g", d.Uc())
	}
}

// A ratio of two readings: the arithmetic of one result.
func BenchmarkRatio(b *testing.B) {
	gain := NewSource("gain", Gain, Rectangular, 1e-4)
	v, i := Of(1, NewSource("v", Offset, Rectangular, 1e-3)), Of(1e-3, NewSource("i", Offset, Rectangular, 1e-6))
	for range 6 {
		s := NewSource("path", Path, Rectangular, 0.1)
		v, i = v.With(s, 1e-3), i.With(NewSource("leak", Leakage, Rectangular, 1e-9), 1)
	}
	v, i = v.With(gain, 1), i.With(gain, 1e-3)
	b.ReportAllocs()
	for b.Loop() {
		if r := v.Div(i); r.X != 1000 {
			b.Fatal(r.X)
		}
	}
}
