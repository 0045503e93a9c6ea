package derive

import (
	"errors"
	"math"
	"testing"
)

type strdLine struct {
	Certified map[string]any `json:"certified"`
	Data      [][]num        `json:"data"`
}

func (s strdLine) value(t *testing.T, path ...string) float64 {
	t.Helper()
	var v any = s.Certified
	for _, p := range path {
		v = v.(map[string]any)[p]
	}
	var n num
	if err := n.UnmarshalJSON([]byte(v.(string))); err != nil {
		t.Fatal(err)
	}
	return float64(n)
}

// NIST StRD Norris: all certified values.
func TestFitLineNorris(t *testing.T) {
	var s strdLine
	load(t, "nist-strd/norris.json", &s)
	y, x := columns(s.Data)
	l, err := FitLine(x, y)
	if err != nil || l.N != 36 || l.DF != 34 {
		t.Fatalf("%+v, %v", l, err)
	}
	const tol = 1e-12
	near(t, "B0", l.Intercept, s.value(t, "B0"), tol)
	near(t, "B1", l.Slope, s.value(t, "B1"), tol)
	near(t, "sd B0", l.InterceptSD, s.value(t, "sd_B0"), tol)
	near(t, "sd B1", l.SlopeSD, s.value(t, "sd_B1"), tol)
	near(t, "residual SD", l.ResidualSD, s.value(t, "residual_sd"), tol)
	near(t, "R²", l.R2, s.value(t, "r_squared"), tol)
	near(t, "regression SS", l.RegSS, s.value(t, "anova", "regression", "ss"), tol)
	near(t, "residual SS", l.ResidualSS, s.value(t, "anova", "residual", "ss"), tol)
	near(t, "F", l.F, s.value(t, "anova", "F"), tol)

	var a Accumulator // the online drift is the same line
	for i := range x {
		a.Add(x[i], y[i])
	}
	slope, sd := a.Drift()
	near(t, "online B1", slope, s.value(t, "B1"), tol)
	near(t, "online sd B1", sd, s.value(t, "sd_B1"), 1e-9)
}

// NIST StRD NoInt1 and NoInt2: all certified values.
func TestFitOriginNoInt(t *testing.T) {
	for _, name := range []string{"noint1", "noint2"} {
		var s strdLine
		load(t, "nist-strd/"+name+".json", &s)
		y, x := columns(s.Data)
		l, err := FitResistance(x, y, true)
		if err != nil {
			t.Fatal(err)
		}
		const tol = 1e-13
		near(t, name+" B1", l.Slope, s.value(t, "B1"), tol)
		near(t, name+" sd B1", l.SlopeSD, s.value(t, "sd_B1"), tol)
		near(t, name+" residual SD", l.ResidualSD, s.value(t, "residual_sd"), tol)
		near(t, name+" R²", l.R2, s.value(t, "r_squared"), tol)
		near(t, name+" regression SS", l.RegSS, s.value(t, "anova", "regression", "ss"), tol)
		near(t, name+" residual SS", l.ResidualSS, s.value(t, "anova", "residual", "ss"), tol)
		near(t, name+" F", l.F, s.value(t, "anova", "F"), tol)
	}
}

// NIST StRD Pontius: the parabola's certified values, and the straight line that
// must fail its lack-of-fit test (e-Handbook 4.6.1.5, recomputed).
func TestPontius(t *testing.T) {
	var s strdLine
	load(t, "nist-strd/pontius.json", &s)
	y, x := columns(s.Data)
	q, err := FitQuadratic(x, y)
	if err != nil || q.N != 40 || q.DF != 37 {
		t.Fatalf("%+v, %v", q, err)
	}
	for i, b := range []string{"B0", "B1", "B2"} {
		near(t, b, q.B[i], s.value(t, b), 1e-10)
		near(t, "sd "+b, q.SD[i], s.value(t, "sd_"+b), 1e-9)
	}
	near(t, "residual SD", q.ResidualSD, s.value(t, "residual_sd"), 1e-9)
	near(t, "R²", q.R2, s.value(t, "r_squared"), 1e-12)

	l, err := FitLine(x, y)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "line B0", l.Intercept, 0.00614968421052632, 1e-11)
	near(t, "line B1", l.Slope, 7.22102581453634e-7, 1e-12)
	near(t, "line sd B0", l.InterceptSD, 0.000713205167466, 1e-9)
	near(t, "line sd B1", l.SlopeSD, 3.96914780404e-10, 1e-9)
	near(t, "line residual SD", l.ResidualSD, 0.00217127259606, 1e-9)
	f, df1, df2, p, err := LackOfFit(x, y)
	if err != nil || df1 != 18 || df2 != 20 || !(p < 1e-9) {
		t.Errorf("lack of fit: df %d, %d, p %g, %v", df1, df2, p, err)
	}
	near(t, "lack-of-fit F", f, 214.74692, 1e-7)
}

// GUM (JCGM 100:2008) H.3: calibration line, prediction and its uncertainty.
func TestFitLineH3(t *testing.T) {
	var s struct {
		Data       [][]num
		Recomputed map[string]num
		Published  map[string]num
	}
	load(t, "gum/h3-calibration-line.json", &s)
	x, y := columns(s.Data) // columns are t, b
	for i := range x {
		x[i] -= 20
	}
	l, err := FitLine(x, y)
	if err != nil {
		t.Fatal(err)
	}
	b30, sd := l.At(10)
	for name, got := range map[string]float64{
		"y1": l.Intercept, "y2": l.Slope, "u_y1": l.InterceptSD, "u_y2": l.SlopeSD, "r": l.Correlation(),
		"s": l.ResidualSD, "b_30": b30, "u_b_30": sd,
	} {
		near(t, name, got, float64(s.Recomputed[name]), 1e-9)
	}
	near(t, "printed b(30)", b30, float64(s.Published["b_30"]), 0.00005/0.1494)
	near(t, "printed u(b(30))", sd, float64(s.Published["u_b_30"]), 0.00005/0.0041)
}

func TestFitRefuses(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		x, y []float64
		want error
	}{
		{nil, nil, ErrTooFew}, {[]float64{1}, []float64{1}, ErrTooFew}, {[]float64{1, 2}, []float64{1}, ErrLength},
		{[]float64{2, 2, 2}, []float64{1, 2, 3}, ErrNoSpread}, {[]float64{1, nan}, []float64{1, 2}, ErrNotFinite},
		{[]float64{1, 2}, []float64{1, math.Inf(1)}, ErrNotFinite},
	} {
		if _, err := FitLine(c.x, c.y); !errors.Is(err, c.want) {
			t.Errorf("FitLine(%v, %v): %v, want %v", c.x, c.y, err, c.want)
		}
	}
	if _, err := FitOrigin([]float64{0, 0}, []float64{1, 2}); !errors.Is(err, ErrNoSpread) {
		t.Errorf("FitOrigin at x = 0: %v", err)
	}
	if _, err := FitQuadratic([]float64{1, 1, 2, 2}, []float64{1, 1, 2, 2}); err == nil {
		t.Error("FitQuadratic took two different x")
	}
	if _, _, _, _, err := LackOfFit([]float64{1, 2, 3}, []float64{1, 2, 3}); !errors.Is(err, ErrTooFew) {
		t.Errorf("LackOfFit without repeats: %v", err)
	}
	l, err := FitLine([]float64{1, 2}, []float64{3, 5})
	if err != nil || l.Slope != 2 || l.Intercept != 1 || !math.IsNaN(l.SlopeSD) {
		t.Errorf("two points: %+v, %v", l, err)
	}
}
