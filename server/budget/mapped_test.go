package budget

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The exponential of a normal value: the log-normal distribution in closed form,
// and the same by simulation.
func TestMappedExponential(t *testing.T) {
	log := Of(-30, NewSource("logarithm", Model, Normal, 0.8))
	s := log.State(Coverage).Mapped(math.Exp, math.Log)
	near(t, "X", s.X, math.Exp(-30), 1e-12)
	near(t, "low", s.Low, math.Exp(-30-1.959964*0.8), 1e-6)
	near(t, "high", s.High, math.Exp(-30+1.959964*0.8), 1e-6)
	near(t, "U", s.U, s.High-s.X, 1e-12)
	near(t, "Uc", s.Uc, 0.8*s.X, 1e-6)
	near(t, "share", s.Lines[0].Share, 1, 1e-12)
	near(t, "contribution", s.Lines[0].Contribution, s.Uc, 1e-12)
	near(t, "below the low end", s.Below(s.Low), 0.025, 1e-7)
	near(t, "below twice the estimate", s.Below(2*s.X), 1-upperNormal(math.Ln2/0.8), 1e-9)
	near(t, "conformity", s.Conformity(&s.Low, &s.High), 0.95, 1e-7)
	near(t, "quantile", s.Quantile(0.975), s.High, 1e-7)
	if p := s.Below(0); p != 0 {
		t.Errorf("below zero with probability %g", p)
	}
	m := Simulate(func(x []float64) float64 { return math.Exp(x[0]) }, Coverage, log)
	near(t, "low simulated", m.Low, s.Low, 0.03)
	near(t, "high simulated", m.High, s.High, 0.03)
}

// A falling function turns the interval round, and mapping back gives the same.
func TestMappedReciprocal(t *testing.T) {
	reciprocal := func(x float64) float64 { return 1 / x }
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(5, 50).Draw(t, "x")
		of := Of(x, NewSource("conductance", Model, Rectangular, rapid.Float64Range(0.01, 1).Draw(t, "u"))).State(Coverage)
		s := of.Mapped(reciprocal, reciprocal)
		near(t, "low", s.Low, 1/of.High, 1e-12)
		near(t, "high", s.High, 1/of.Low, 1e-12)
		near(t, "below the low end", s.Below(s.Low), 0.025, 1e-5)
		near(t, "quantile", s.Quantile(0.025), s.Low, 1e-6)
		if s.High-s.X < s.X-s.Low {
			t.Fatalf("the side of small conductances is not the longer one: %g to %g about %g", s.Low, s.High, s.X)
		}
		back := s.Mapped(reciprocal, reciprocal)
		near(t, "back, low", back.Low, of.Low, 1e-12)
		near(t, "back, k", back.K, of.K, 1e-4)
		near(t, "back, below", back.Below(of.X+0.3*of.U), of.Below(of.X+0.3*of.U), 1e-9)
	})
}

// An interval that reaches a pole, or a function that turns, has no end.
func TestMappedRefuses(t *testing.T) {
	reciprocal := func(x float64) float64 { return 1 / x }
	square := func(x float64) float64 { return x * x }
	root := math.Sqrt
	near0 := Of(0.5, NewSource("conductance", Model, Normal, 1)).State(Coverage)
	for what, s := range map[string]Statement{
		"over a pole":       near0.Mapped(reciprocal, reciprocal),
		"over a turn":       Of(0, NewSource("x", Model, Normal, 1)).State(Coverage).Mapped(square, root),
		"outside":           near0.Mapped(math.Log, math.Exp),
		"of nothing known":  Exact(1).State(Coverage).Mapped(math.Exp, math.Log),
		"beyond all number": Of(800, NewSource("x", Model, Normal, 1)).State(Coverage).Mapped(math.Exp, math.Log),
	} {
		if s.Finite() || !math.IsInf(s.High, 1) || !math.IsInf(s.U, 1) || !math.IsNaN(s.Below(1)) {
			t.Errorf("%s: %g to %g, %q", what, s.Low, s.High, s.Why)
		}
	}
}
