package derive

import (
	"fmt"
	"math"
	"testing"
)

// GUM (JCGM 100:2008) 4.3.
func TestDistributions(t *testing.T) {
	var s struct {
		Numeric map[string]float64 `json:"numeric_for_a_equal_1"`
	}
	load(t, "gum/probability-distributions.json", &s)
	got := map[string]float64{"rectangular": Rectangular(1), "triangular": Triangular(1), "arcsine": Arcsine(1)}
	if len(s.Numeric) != len(got) {
		t.Fatal("not every distribution is checked")
	}
	for name, want := range s.Numeric {
		near(t, name, got[name], want, 1e-15)
	}
	near(t, "a step is a rectangle of half its width", Resolution(2), Rectangular(1), 1e-15)
}

// GUM Table G.2: the printed figures, and the exact ones.
func TestCoverageFactorTableG2(t *testing.T) {
	probabilities := map[string]float64{
		"68.27": math.Erf(1 / math.Sqrt2), "90": 0.90, "95": 0.95,
		"95.45": math.Erf(2 / math.Sqrt2), "99": 0.99, "99.73": math.Erf(3 / math.Sqrt2),
	}
	for _, r := range loadCSV(t, "gum/t-factors-table-g2.csv") {
		for name, p := range probabilities {
			k := CoverageFactor(p, r["nu"])
			near(t, fmt.Sprintf("t%s(%g)", name, r["nu"]), k, r["t_"+name+"_exact"], 1e-7)
			if math.Abs(k-r["t_"+name+"_table"]) > 0.00501 {
				t.Errorf("t%s(%g) = %g, printed %g", name, r["nu"], k, r["t_"+name+"_table"])
			}
		}
	}
	if CoverageFactor(0.95, 16.9) != CoverageFactor(0.95, 16) {
		t.Error("degrees of freedom are not truncated")
	}
	for _, k := range []float64{CoverageFactor(0.95, 0.9), CoverageFactor(0, 5), CoverageFactor(1, 5), CoverageFactor(math.NaN(), 5)} {
		if !math.IsNaN(k) {
			t.Errorf("coverage factor without meaning is %g", k)
		}
	}
}

// GUM H.1.6, G.4.2: effective degrees of freedom and expanded uncertainty.
func TestWelchSatterthwaite(t *testing.T) {
	var s struct {
		Cases []struct {
			ID         string
			U          []float64 `json:"u_i"`
			Relative   []float64 `json:"relative_u_i_percent"`
			DF         []float64 `json:"nu_i"`
			Recomputed map[string]float64
		}
	}
	load(t, "gum/welch-satterthwaite.json", &s)
	budget := func(p float64, u, df []float64) Combined {
		var c []Component
		for i := range u {
			c = append(c, Component{C: -2, U: u[i] / 2, DF: df[i]}) // C·U is u; the sign does not matter
		}
		return Budget(p, c...)
	}
	c := s.Cases[0]
	b := budget(0.99, c.U, c.DF)
	near(t, c.ID+" uc", b.Uc, c.Recomputed["u_c_unrounded"], 1e-12)
	near(t, c.ID+" DF", b.DF, c.Recomputed["nu_eff_with_unrounded_u_c"], 1e-12)
	near(t, c.ID+" k", b.K, c.Recomputed["t_0.99_16"], 1e-9)
	near(t, c.ID+" U", b.U, c.Recomputed["t_0.99_16"]*c.Recomputed["u_c_unrounded"], 1e-9)
	c = s.Cases[1]
	b = budget(0.95, c.U, c.DF)
	near(t, c.ID+" uc", b.Uc, c.Recomputed["u_d"], 1e-12)
	near(t, c.ID+" DF", b.DF, c.Recomputed["nu_eff"], 1e-12)
	c = s.Cases[2]
	near(t, c.ID+" uc", RootSumSquares(c.Relative...), c.Recomputed["u_c_percent"], 1e-12)
	near(t, c.ID+" DF", EffectiveDF(c.Relative, c.DF), c.Recomputed["nu_eff"], 1e-12)
	// The file's t is for 19.0, the printed rounding of 18.9987.
	near(t, c.ID+" U", CoverageFactor(0.95, 19)*c.Recomputed["u_c_percent"], c.Recomputed["U_95_percent"], 1e-9)
	near(t, s.Cases[3].ID, DFOfRelative(0.25), s.Cases[3].Recomputed["nu"], 1e-15)

	inf := math.Inf(1)
	if !math.IsInf(EffectiveDF([]float64{1, 2}, []float64{inf, inf}), 1) || !math.IsInf(EffectiveDF(nil, nil), 1) {
		t.Error("degrees of freedom of exactly known components are not infinite")
	}
	if !math.IsNaN(EffectiveDF([]float64{1}, nil)) || !math.IsNaN(EffectiveDF([]float64{1}, []float64{0})) {
		t.Error("degrees of freedom without meaning are a number")
	}
	var share float64
	for _, c := range b.Components {
		share += c.Share
	}
	near(t, "shares", share, 1, 1e-12)
}

// EA-4/02 M:2022, S3: a 10 kΩ resistor by substitution (inputs from memory, they
// reproduce the checked result).
func TestBudgetStandardResistor(t *testing.T) {
	var s struct {
		Ratios     []float64 `json:"observed_ratio_r"`
		Recomputed map[string]num
	}
	load(t, "gum/ea-4-02-s3-standard-resistor.json", &s)
	var r Accumulator
	for i, v := range s.Ratios {
		r.Add(float64(i), v)
	}
	inf := math.Inf(1)
	b := Budget(0.9545,
		Component{Name: "reference", C: 1, U: 0.0025, DF: inf},
		Component{Name: "its drift", C: 1, U: Rectangular(0.01), DF: inf},
		Component{Name: "its temperature", C: 1, U: Rectangular(0.00275), DF: inf},
		Component{Name: "bridge", C: 10000, U: Triangular(1e-6), DF: inf},
		Component{Name: "ratio", C: 10000, U: r.SDMean(), DF: 4},
		Component{Name: "temperature", C: 1, U: Rectangular(0.0055), DF: inf})
	near(t, "R", (10000.053+0.02)*r.Mean(), float64(s.Recomputed["R_X"]), 1e-12)
	// The file's u of the ratio is rounded to 7.07e-8.
	near(t, "u", b.Uc, float64(s.Recomputed["u_ohm"]), 2e-6)
	near(t, "U", b.U, float64(s.Recomputed["U_k2"]), 1e-4)
}

// GUM H.2: R, X and Z from simultaneous readings, with their correlations.
func TestPropagateH2(t *testing.T) {
	var s struct {
		Data [][]float64
		Want map[string]num `json:"recomputed_approach_1_means_then_propagate"`
	}
	load(t, "gum/h2-resistance-reactance.json", &s)
	n := float64(len(s.Data))
	x, u := make([]float64, 3), make([]float64, 3)
	r := [][]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	series := make([][]float64, 3)
	for k := range 3 {
		for _, d := range s.Data {
			v := d[k]
			if k == 1 {
				v /= 1000 // mA
			}
			series[k] = append(series[k], v)
		}
		x[k] = mean(series[k])
	}
	cov := func(a, b int) (sum float64) {
		for i := range series[a] {
			sum += (series[a][i] - x[a]) * (series[b][i] - x[b])
		}
		return sum / (n * (n - 1))
	}
	for k := range 3 {
		u[k] = math.Sqrt(cov(k, k))
	}
	for a := range 3 {
		for b := a + 1; b < 3; b++ {
			r[a][b] = cov(a, b) / (u[a] * u[b])
		}
	}
	want := func(name string) float64 { return float64(s.Want[name]) }
	R := func(x []float64) float64 { return x[0] * math.Cos(x[2]) / x[1] }
	X := func(x []float64) float64 { return x[0] * math.Sin(x[2]) / x[1] }
	Z := func(x []float64) float64 { return x[0] / x[1] }
	c := map[string][]float64{}
	for name, f := range map[string]func([]float64) float64{"R": R, "X": X, "Z": Z} {
		c[name] = Sensitivities(f, x, u)
		near(t, name, f(x), want(name), 1e-11)
		near(t, "u_"+name, Propagate(c[name], u, r), want("u_"+name), 2e-6)
	}
	near(t, "u_R ignoring correlation", Propagate(c["R"], u, nil), want("u_R_if_correlations_ignored"), 2e-6)
	for _, p := range [][2]string{{"R", "X"}, {"R", "Z"}, {"X", "Z"}} {
		rho := Covariance(c[p[0]], c[p[1]], u, r) / (Propagate(c[p[0]], u, r) * Propagate(c[p[1]], u, r))
		near(t, "r_"+p[0]+"_"+p[1], rho, want("r_"+p[0]+"_"+p[1]), 2e-6)
	}
	z, uz := RatioUncertainty(x[0], u[0], x[1], u[1], r[0][1])
	near(t, "V/I", z, want("Z"), 1e-11)
	near(t, "u(V/I)", uz, want("u_Z"), 1e-8)
}

func TestPropagateEdges(t *testing.T) {
	if v, u := RatioUncertainty(1, 1, 0, 1, 0); !math.IsNaN(v) || !math.IsNaN(u) {
		t.Error("a ratio by zero is a number")
	}
	if !math.IsNaN(Propagate([]float64{1}, []float64{1, 2}, nil)) {
		t.Error("unequal lengths give a number")
	}
	x := []float64{3, 4}
	c := Sensitivities(func(x []float64) float64 { return x[0] * x[1] }, x, []float64{0.1, 0})
	if x[0] != 3 || math.Abs(c[0]-4) > 1e-12 || c[1] != 0 {
		t.Errorf("sensitivities %v at %v", c, x)
	}
}
