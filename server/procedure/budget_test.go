package procedure

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/budget"
)

// TestBudgetOfResult: a budget has every contribution of the statement once, the
// largest first; what is too small to matter stands together in one line, so that
// the shares come to one and the contributions to the standard uncertainty.
func TestBudgetOfResult(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := budget.Exact(1)
		n := rapid.IntRange(1, 60).Draw(t, "sources")
		for i := range n {
			u := math.Pow(10, rapid.Float64Range(-6, 0).Draw(t, "u"))
			v = v.With(budget.NewSource(fmt.Sprint("source ", i), budget.Gain, budget.Rectangular, u), 1)
		}
		said := v.State(budget.Coverage)
		b := budgetOf(&said)
		shares, square := 0.0, 0.0
		for _, l := range b.Lines {
			shares += l.Share
			square += l.Contribution * l.Contribution
		}
		if math.Abs(shares-1) > 1e-9 || math.Abs(math.Sqrt(square)-said.Uc) > 1e-9*said.Uc {
			t.Fatalf("shares come to %g, contributions to %g, not %g", shares, math.Sqrt(square), said.Uc)
		}
		if len(b.Lines) > maxLines {
			t.Fatalf("%d lines", len(b.Lines))
		}
		alone := b.Lines
		if last := b.Lines[len(b.Lines)-1]; strings.Contains(last.Name, "together") {
			alone = b.Lines[:len(b.Lines)-1]
		} else if len(b.Lines) != n {
			t.Fatalf("%d of %d sources are left", len(b.Lines), n)
		}
		if !slices.IsSortedFunc(alone, func(a, b Line) int { return int(math.Copysign(1, b.Share-a.Share)) }) {
			t.Fatal("not the largest first")
		}
	})
}

// TestRestated: the statement of a budget's lines is the one that they came from:
// the same factor for boxes, normals and scatter of few readings.
func TestRestated(t *testing.T) {
	few := budget.NewSource("scatter", budget.Scatter, budget.Student, 2)
	few.DF = 3
	for name, v := range map[string]budget.Value{
		"a box":             budget.Of(5, budget.NewSource("gain", budget.Gain, budget.Rectangular, 1)),
		"a normal one":      budget.Of(5, budget.NewSource("noise", budget.Noise, budget.Normal, 1)),
		"scatter of four":   budget.Of(5, few),
		"scatter and a box": budget.Of(5, few).With(budget.NewSource("gain", budget.Gain, budget.Rectangular, 3), 0.5),
	} {
		said := v.State(budget.Coverage)
		b := budgetOf(&said)
		near(t, name, b.without(5, func(*Line) float64 { return 1 }), said.U, 1e-9*said.U)
		if half := b.without(5, func(*Line) float64 { return 0.5 }); half > 0.5*said.U*(1+1e-9) {
			t.Errorf("%s: halved contributions leave %g of %g", name, half, said.U)
		}
	}
}

// TestImproveByBudget: what acts on contributions, against sums by hand. Two
// boxes of one range and a noise: a correction leaves a tenth of both boxes, ten
// times the repeats a √10th of the noise.
func TestImproveByBudget(t *testing.T) {
	v := budget.Of(1, budget.NewSource("gain of 1A, sensing ±10 mA", budget.Gain, budget.Normal, 3)).
		With(budget.NewSource("offset of 1A, sensing ±10 mA", budget.Offset, budget.Normal, 2), 1).
		With(budget.NewSource("gain of 1B, sensing ±10 V", budget.Gain, budget.Normal, 0.1), 1).
		With(budget.NewSource("noise of 1A, sensing ±10 mA", budget.Noise, budget.Normal, 1), 1)
	m := resistanceKind.Default(networkDevice())
	m.Repeats = 2
	r := judged(t, Rule{}, v, nil, nil)
	got := map[string]float64{}
	for _, i := range byBudget(&m, &r) {
		got[i.What] = i.U
	}
	const k = 1.959963984540054
	for what, u := range map[string]float64{
		"a correction of 1A, sensing ±10 mA (taken to leave a tenth)": math.Sqrt(0.3*0.3 + 0.2*0.2 + 0.1*0.1 + 1),
		"20 repeats": math.Sqrt(9 + 4 + 0.01 + 0.1),
	} {
		near(t, what, got[what], k*u, 2e-3*u)
	}
	if len(got) != 2 {
		t.Errorf("%v", got)
	}
	if all := Improve(CheckInput{Device: networkDevice(), Procedure: &Procedure{}}, &m, &r); len(all) != 1 || !strings.HasPrefix(all[0].What, "a correction") {
		t.Errorf("20 repeats leave 98 %% and are told of: %v", all)
	}
}

// TestNotCounted: what is no contribution is said, and what is one is not.
func TestNotCounted(t *testing.T) {
	m := resistanceKind.Default(networkDevice())
	m.Aperture = Aperture{Cycles: 1}
	line := func(c budget.Class) *Budget { return &Budget{Lines: []Line{{Name: "x", Class: string(c)}}} }
	said := func(b *Budget) string { return strings.Join(NotCounted(&m, b, 50), "; ") }
	if s := said(line(budget.Gain)); !strings.Contains(s, "settling") || !strings.Contains(s, "thermal") || !strings.Contains(s, "temperature") || strings.Contains(s, "hum") {
		t.Error(s)
	}
	if s := said(line(budget.Settling)); strings.Contains(s, "settling") {
		t.Error(s)
	}
	m.Aperture, m.Method = Aperture{Seconds: 1e-3}, CurrentReversal
	if s := said(line(budget.Gain)); !strings.Contains(s, "hum") || strings.Contains(s, "thermal") {
		t.Error(s)
	}
	m.Aperture = Aperture{Seconds: 0.04}
	if s := said(line(budget.Gain)); strings.Contains(s, "hum") {
		t.Error("two cycles: " + s)
	}
	if NotCounted(&m, nil, 50) != nil || NotCounted(&m, &Budget{}, 50) != nil {
		t.Error("of no budget")
	}
}

// TestOldResult: a result from before budgets says so wherever it is told.
func TestOldResult(t *testing.T) {
	old := Result{U: 1}
	if !old.Old() || old.Remark() != beforeBudgets || old.WithoutBudget() != beforeBudgets {
		t.Errorf("%q", old.Remark())
	}
	old.Note = "at its end"
	if old.Remark() != "at its end; "+beforeBudgets {
		t.Errorf("%q", old.Remark())
	}
	count := Result{Value: 3}
	if count.Old() || count.Remark() != "" || !strings.Contains(count.WithoutBudget(), "count") {
		t.Errorf("%q", count.WithoutBudget())
	}
	now := Result{U: 1, K: 2, Budget: &Budget{Why: "of that"}}
	if now.Old() || now.Remark() != "" || now.WithoutBudget() != "of that" {
		t.Errorf("%q", now.Remark())
	}
}
