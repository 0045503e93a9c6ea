package budget

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// mixture draws a value of many kinds of sources, from one that dominates to many
// alike.
func mixture(r *rand.Rand) Value {
	v := Exact(r.Float64() * 100)
	for range 1 + r.IntN(8) {
		s := &Source{Name: "part", Dist: Distribution(r.IntN(4)), U: math.Pow(10, -2*r.Float64()), DF: math.Inf(1)}
		if r.IntN(4) == 0 {
			s.Dist, s.DF = Student, float64(1+r.IntN(12))
		}
		v = v.With(s, 2*r.Float64()-1)
	}
	return v
}

// errorOf draws the error of a value, by inverses of the distributions and a
// Student made of squared normals: nothing that the package itself draws with.
func errorOf(r *rand.Rand, v Value) float64 {
	var e float64
	for _, t := range v.Terms {
		z, s := 0.0, t.Source
		switch {
		case !math.IsInf(s.DF, 1):
			var chi float64
			for range int(s.DF) {
				n := r.NormFloat64()
				chi += n * n
			}
			z = r.NormFloat64() / math.Sqrt(chi/s.DF)
		case s.Dist == Rectangular:
			z = (2*r.Float64() - 1) * math.Sqrt(3)
		case s.Dist == Triangular:
			z = (r.Float64() + r.Float64() - 1) * math.Sqrt(6)
		case s.Dist == Arcsine:
			z = math.Cos(2*math.Pi*r.Float64()) * math.Sqrt2
		default:
			z = r.NormFloat64()
		}
		e += t.C * s.U * z
	}
	return e
}

// What State says holds 95 % of drawn errors, for mixtures of every kind.
func TestStateHoldsWhatItSays(t *testing.T) {
	const trials, mixtures = 40_000, 60
	r := rand.New(rand.NewPCG(1, 2))
	worst := 0.0
	for range mixtures {
		v := mixture(r)
		s := v.State(Coverage)
		if !s.Finite() {
			t.Fatalf("%+v", s)
		}
		inside := 0
		for range trials {
			if math.Abs(errorOf(r, v)) <= s.U {
				inside++
			}
		}
		sigma := math.Sqrt(trials * 0.95 * 0.05)
		z := (float64(inside) - 0.95*trials) / sigma
		worst = max(worst, math.Abs(z))
		if math.Abs(z) > 4 {
			t.Errorf("holds %.4f (%.1f sigma), k = %.4f, DF %.3g: %s", float64(inside)/trials, z, s.K, s.DF, describe(v))
		}
	}
	t.Logf("worst of %d mixtures: %.1f sigma of the trials", mixtures, worst)
}

func describe(v Value) string {
	out := ""
	for _, t := range v.Terms {
		out += fmt.Sprintf("%s %.3g (%g) ", t.Source.Dist, t.contribution()/v.Uc(), t.Source.DF)
	}
	return out
}

// Simulate agrees with State where f is linear.
func TestSimulateAgreesWithState(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 12 {
		a, b := mixture(r), mixture(r)
		shared := NewSource("shared", Gain, Rectangular, 0.3)
		a, b = a.With(shared, 1), b.With(shared, -0.5)
		want := a.Scale(2).Sub(b).State(Coverage)
		got := Simulate(func(x []float64) float64 { return 2*x[0] - x[1] }, Coverage, a, b)
		near(t, "X", got.X, want.X, 1e-12)
		near(t, "U of "+describe(a.Scale(2).Sub(b)), got.U, want.U, 0.03)
		near(t, "Uc", got.Uc, want.Uc, 0.03)
		near(t, "DF", min(got.DF, 1e9), min(want.DF, 1e9), 1e-6)
		again := Simulate(func(x []float64) float64 { return 2*x[0] - x[1] }, Coverage, a, b)
		if again.U != got.U {
			t.Errorf("the same arguments give %g and %g", got.U, again.U)
		}
	}
}

// A statement does not depend on the order, the sign or the unit of its terms, to
// the accuracy of its coverage factor, and its lines add up.
func TestStateIsInvariant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := mixture(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)))
		s := v.State(Coverage)
		f := math.Pow(10, rapid.Float64Range(-12, 12).Draw(t, "unit"))
		scaled := v.Scale(-f).State(Coverage)
		near(t, "k in another unit", scaled.K, s.K, 2e-3)
		near(t, "U in another unit", scaled.U, s.U*f, 2e-3)
		backwards := Exact(v.X)
		for i := range v.Terms {
			t := v.Terms[len(v.Terms)-1-i]
			backwards = backwards.With(t.Source, -t.C)
		}
		near(t, "k in another order", backwards.State(Coverage).K, s.K, 2e-3)
		var share float64
		for i, l := range s.Lines {
			share += l.Share
			if i > 0 && l.Contribution > s.Lines[i-1].Contribution {
				t.Fatal("lines are not sorted")
			}
		}
		near(t, "shares", share, 1, 1e-9)
		near(t, "interval", s.High-s.Low, 2*s.U, 1e-6)
		if wider := v.State(0.99); !(wider.U > s.U) {
			t.Fatalf("99 %% within %g, 95 %% within %g", wider.U, s.U)
		}
	})
}

// What is not known makes an interval that has no end and says why.
func TestWhatIsNotKnownHasNoEnd(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := NewSource("good", Model, Normal, 1)
	cases := map[string]Value{
		"estimate NaN":      Of(nan, good),
		"estimate infinite": Of(inf, good),
		"sensitivity NaN":   Of(1, good).With(NewSource("x", Model, Normal, 1), nan),
		"sensitivity inf":   Of(1, good).With(NewSource("x", Model, Normal, 1), -inf),
		"source NaN":        Of(1, good).With(NewSource("x", Model, Normal, nan), 1),
		"source infinite":   Of(1, good).With(Unknown("x", Model), 1),
		"source negative":   Of(1, good).With(NewSource("x", Model, Normal, -1), 1),
		"source missing":    Of(1, good).With(nil, 0),
		"DF 0":              Of(1, good).With(&Source{U: 0.001}, 1),
		"DF 0.9":            Of(1, good).With(&Source{U: 0.001, DF: 0.9}, 1),
		"DF NaN":            Of(1, good).With(&Source{U: 0.001, DF: nan}, 1),
		"exact":             Exact(5),
		"only zero U":       Of(5, NewSource("none", Model, Normal, 0)),
		"over zero":         Of(1, good).Div(Exact(0)),
		"over zero by Of":   Exact(1).Div(Of(0, good)),
		"NaN beside u":      Apply(func(x []float64) float64 { return math.Log(x[0]) }, Of(1, good)),
		"too large":         Of(1e308, NewSource("x", Model, Normal, 1e308)),
	}
	for what, v := range cases {
		s := v.State(Coverage)
		if s.Finite() || s.Why == "" || !math.IsInf(s.Low, -1) || !math.IsInf(s.High, 1) || !math.IsInf(s.U, 1) || !math.IsNaN(s.K) {
			t.Errorf("%s: %g to %g, U %g, k %g, %q", what, s.Low, s.High, s.U, s.K, s.Why)
		}
		m := Simulate(sum, Coverage, v)
		if m.Finite() && what != "too large" {
			t.Errorf("%s simulated: %g to %g", what, m.Low, m.High)
		}
		if p := s.Conformity(ptr(0), ptr(10)); !math.IsNaN(p) {
			t.Errorf("%s: conformity %g", what, p)
		}
	}
	for _, p := range []float64{0, 1, -1, nan} {
		if s := Of(1, good).State(p); s.Finite() {
			t.Errorf("p = %g: %g to %g", p, s.Low, s.High)
		}
	}
	rapid.Check(t, func(t *rapid.T) { // nothing panics, and no interval is NaN
		number := rapid.SampledFrom([]float64{0, 1, -1, 1e-300, 1e300, inf, -inf, nan})
		v := Exact(number.Draw(t, "x"))
		for range rapid.IntRange(0, 4).Draw(t, "n") {
			s := &Source{U: number.Draw(t, "u"), DF: number.Draw(t, "df"), Dist: Distribution(rapid.IntRange(0, 5).Draw(t, "dist"))}
			v = v.With(s, number.Draw(t, "c"))
		}
		s := v.Mul(v).Div(Exact(number.Draw(t, "by"))).State(Coverage)
		if !(s.Low <= s.High) || s.Finite() != !math.IsInf(s.U, 0) {
			t.Fatalf("%+v", s)
		}
	})
}

// Sources of one pool keep its degrees of freedom; independent ones gain.
func TestPoolKeepsDegreesOfFreedom(t *testing.T) {
	pool := &Pool{Name: "line"}
	one, two := &Source{U: 1, DF: 4, Pool: pool}, &Source{U: 1, DF: 4, Pool: pool}
	near(t, "pooled", Of(0, one).With(two, 1).State(Coverage).DF, 4, 1e-12)
	near(t, "k", Of(0, one).With(two, 1).State(Coverage).K, 2.776445, 1e-6)
	free := Of(0, &Source{U: 1, DF: 4}).With(&Source{U: 1, DF: 4}, 1).State(Coverage)
	near(t, "independent", free.DF, 8, 1e-12)
	zero := Of(0, &Source{U: 0, DF: 4, Pool: pool}).With(two, 1).State(Coverage)
	near(t, "a part of zero before", zero.U, 2.776445, 1e-6)
	near(t, "simulated", Simulate(sum, Coverage, Of(0, one).With(two, 1)).U, 2.776445*math.Sqrt2, 0.04)
}

// An interval with scatter estimated anew each time holds 95 % in the long run,
// whatever the other contributions.
func TestScatterHoldsInTheLongRun(t *testing.T) {
	const trials = 6000
	r := rand.New(rand.NewPCG(5, 6))
	for _, box := range []float64{0, 0.3, 1, 3} {
		for _, n := range []int{3, 5, 10} {
			inside := 0
			for range trials {
				y := make([]float64, n)
				for i := range y {
					y[i] = r.NormFloat64()
				}
				mean, sd := meanSD(y)
				v := Of(mean, &Source{U: sd / math.Sqrt(float64(n)), DF: float64(n - 1)}).
					With(NewSource("gain", Gain, Rectangular, box), 1)
				truth := box * math.Sqrt(3) * (2*r.Float64() - 1)
				if s := v.State(Coverage); math.Abs(mean-truth) <= s.U {
					inside++
				}
			}
			p := float64(inside) / trials
			if p < 0.94 || p > 0.975 {
				t.Errorf("%d readings, rectangular u %g: holds %.3f", n, box, p)
			}
		}
	}
}

// twenty is a value of 20 sources, as a result of two readings has.
func twenty() Value {
	v := Exact(1)
	for i := range 20 {
		s := NewSource("part", Gain, Rectangular, 0.2+0.05*float64(i%10))
		switch i % 7 {
		case 1:
			s.Dist = Normal
		case 5:
			s.Dist = Triangular
		}
		if i == 3 || i == 12 {
			s.Dist, s.DF = Student, float64(4+i)
		}
		v = v.With(s, 1)
	}
	return v
}

// A statement of 20 sources: 12 rectangular, 3 normal, 3 triangular, 2 of scatter.
func BenchmarkState20(b *testing.B) {
	v := twenty()
	b.ReportAllocs()
	for b.Loop() {
		if s := v.State(Coverage); s.U <= 0 {
			b.Fatal(s)
		}
	}
}

// A statement that one rectangular source dominates, with one of scatter.
func BenchmarkStateDominated(b *testing.B) {
	v := Of(1, NewSource("gain", Gain, Rectangular, 1)).With(&Source{U: 0.2, DF: 9}, 1)
	for i := range 18 {
		v = v.With(NewSource("small", Noise, Rectangular, 0.001*float64(i+1)), 1)
	}
	b.ReportAllocs()
	for b.Loop() {
		if s := v.State(Coverage); s.U <= 0 {
			b.Fatal(s)
		}
	}
}

// The probability of conformity of a statement of 20 sources.
func BenchmarkConformity20(b *testing.B) {
	s := twenty().State(Coverage)
	low, high := ptr(-3), ptr(3)
	b.ReportAllocs()
	for b.Loop() {
		if p := s.Conformity(low, high); !(p > 0) {
			b.Fatal(p)
		}
	}
}

// A bound is added whole to the interval of the rest, also beside Student's t and
// where nothing else is there, and the interval holds wherever in it the error is.
func TestBoundedIsAddedWhole(t *testing.T) {
	const a = 3.0
	bound := NewSource("bound", Leakage, Bounded, Bounded.FromHalfWidth(a))
	scatter := NewSource("scatter", Scatter, Student, 2)
	scatter.DF = 4
	for name, rest := range map[string]Value{
		"nothing":   Exact(1),
		"normal":    Of(1, NewSource("noise", Noise, Normal, 0.7)),
		"box":       Of(1, NewSource("step", Step, Rectangular, 0.7)),
		"both":      Of(1, NewSource("noise", Noise, Normal, 0.7)).With(NewSource("step", Step, Rectangular, 0.9), 2),
		"student's": Of(1, scatter),
	} {
		alone, with := 0.0, rest.With(bound, -2).State(Coverage)
		if len(rest.Terms) > 0 {
			alone = rest.State(Coverage).U
		}
		if math.Abs(with.U-alone-2*a) > 1e-12 || with.Low != 1-with.U || with.High != 1+with.U || math.Abs(with.K*with.Uc-with.U) > 1e-12 {
			t.Errorf("%s: U %g alone and %g with ±%g: %+v", name, alone, with.U, 2*a, with)
		}
	}
	// Met twice, it is one error.
	v := Of(5, bound)
	if st := v.Sub(v.Scale(0.5)).State(Coverage); math.Abs(st.U-a/2) > 1e-12 {
		t.Errorf("half of it: %g", st.U)
	}
}
