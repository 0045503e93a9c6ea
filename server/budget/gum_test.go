package budget

import (
	"fmt"
	"math"
	"testing"
)

// GUM (JCGM 100:2008) 4.3 and F.2.2.1.
func TestFromHalfWidth(t *testing.T) {
	var s struct {
		Numeric map[string]float64 `json:"numeric_for_a_equal_1"`
	}
	load(t, "gum/probability-distributions.json", &s)
	if len(s.Numeric) != 3 {
		t.Fatal("not every distribution is checked")
	}
	for _, d := range []Distribution{Rectangular, Triangular, Arcsine} {
		near(t, d.String(), d.FromHalfWidth(1), s.Numeric[d.String()], 1e-15)
	}
	near(t, "normal, 95 %", Normal.FromHalfWidth(1), 1/1.959963984540054, 1e-14)
	near(t, "a step is a rectangle of half its width", Resolution(2), Rectangular.FromHalfWidth(1), 1e-15)
	if !math.IsNaN(Student.FromHalfWidth(1)) {
		t.Error("Student's t has a half-width")
	}
}

// GUM Table G.2: the printed figures and the exact ones, by the factor itself and
// by the statement of one source of scatter.
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
			one := Of(1, &Source{Name: "scatter", Dist: Normal, U: 0.1, DF: r["nu"]}).State(p)
			near(t, fmt.Sprintf("k%s(%g)", name, r["nu"]), one.K, r["t_"+name+"_exact"], 1e-7)
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

// GUM H.1.6, G.4.2: effective degrees of freedom.
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
	state := func(u, df []float64) Statement {
		var v Value
		for i := range u {
			v = v.With(&Source{Name: "part", U: u[i] / 2, DF: df[i]}, -2) // the sign does not matter
		}
		return v.State(0.99)
	}
	c := s.Cases[0]
	b := state(c.U, c.DF)
	near(t, c.ID+" uc", b.Uc, c.Recomputed["u_c_unrounded"], 1e-12)
	near(t, c.ID+" DF", b.DF, c.Recomputed["nu_eff_with_unrounded_u_c"], 1e-12)
	printed(t, c.ID+" DF", math.Floor(b.DF), "16")
	near(t, c.ID+" t", CoverageFactor(0.99, b.DF), c.Recomputed["t_0.99_16"], 1e-9)
	// The printed 93 is the book's t times the rounded 32.
	printed(t, c.ID+" U99", CoverageFactor(0.99, b.DF)*32, "93")
	if !(b.U > CoverageFactor(0.99, b.DF)*b.Uc) {
		t.Errorf("U = %g: a part with 2 degrees of freedom has longer tails than the book's formula", b.U)
	}
	c = s.Cases[1]
	b = state(c.U, c.DF)
	near(t, c.ID+" uc", b.Uc, c.Recomputed["u_d"], 1e-12)
	near(t, c.ID+" DF", b.DF, c.Recomputed["nu_eff"], 1e-12)
	c = s.Cases[2]
	b = state(c.Relative, c.DF)
	near(t, c.ID+" uc", b.Uc, c.Recomputed["u_c_percent"], 1e-12)
	near(t, c.ID+" DF", b.DF, c.Recomputed["nu_eff"], 1e-12)
	// The file's t is for 19.0, the printed rounding of 18.9987.
	near(t, c.ID+" U", CoverageFactor(0.95, 19)*b.Uc, c.Recomputed["U_95_percent"], 1e-9)
	near(t, s.Cases[3].ID, DFOfRelative(0.25), s.Cases[3].Recomputed["nu"], 1e-15)
}

// endGauge is GUM H.1: the length l of an end gauge in nm from that of a standard
// ls, the difference d, and temperatures. The inputs of H.1.6 agree with the
// reference file; the whole model is from memory and reproduces what is printed.
func endGauge() (f func(x []float64) float64, args []Value) {
	f = func(x []float64) float64 {
		ls, d, deltaAlpha, theta, alpha, deltaTheta := x[0], x[1], x[2], x[3], x[4], x[5]
		return ls + d - ls*(deltaAlpha*theta+alpha*deltaTheta)
	}
	source := func(x, u, df float64, dist Distribution) Value { return Of(x, &Source{U: u, DF: df, Dist: dist}) }
	inf := math.Inf(1)
	theta := source(-0.1, 0.2, inf, Normal).Add(source(0, Arcsine.FromHalfWidth(0.5), inf, Arcsine))
	return f, []Value{
		source(50000623, 25, 18, Normal), source(215, 9.7, 25.6, Normal),
		source(0, Rectangular.FromHalfWidth(1e-6), 50, Rectangular), theta,
		source(11.5e-6, Rectangular.FromHalfWidth(2e-6), inf, Rectangular),
		source(0, Rectangular.FromHalfWidth(0.05), 2, Rectangular),
	}
}

// GUM H.1: estimate, standard uncertainty, degrees of freedom; H.1.7: the second
// order makes 34 nm of 32 nm.
func TestEndGaugeH1(t *testing.T) {
	f, args := endGauge()
	v := Apply(f, args...)
	s := v.State(0.99)
	printed(t, "l", s.X, "50000838")
	printed(t, "u_c", s.Uc, "32")
	if math.Floor(s.DF) != 16 {
		t.Errorf("effective degrees of freedom %g, printed 16", s.DF)
	}
	if s.Lines[0].Source != args[0].Terms[0].Source || math.Abs(s.Lines[0].Contribution-25) > 1e-6 {
		t.Errorf("what dominates is %+v", s.Lines[0])
	}
	printed(t, "u_c with the second order (H.1.7)", Simulate(f, 0.99, args...).Uc, "34")
	first := s.Uc
	printed(t, "the same by differences", math.Hypot(first, Nonlinear(f, args...)*first), "34")
}

// GUM H.2: R, X and Z from simultaneous readings, with their correlations.
func TestResistanceReactanceH2(t *testing.T) {
	var s struct {
		Data      [][]float64
		Want      map[string]num `json:"recomputed_approach_1_means_then_propagate"`
		Published map[string]string
	}
	load(t, "gum/h2-resistance-reactance.json", &s)
	want := func(name string) float64 { return float64(s.Want[name]) }
	for i := range s.Data {
		s.Data[i][1] /= 1000 // mA
	}
	x, cov := means(s.Data)
	in, err := Correlated([]string{"V", "I", "phi"}, Scatter, x, cov, 4)
	if err != nil {
		t.Fatal(err)
	}
	for k, name := range []string{"V", "I", "phi"} {
		near(t, "u_"+name, in[k].Uc(), want("u_"+name), 1e-9)
	}
	printed(t, "r_V_I", Correlation(in[0], in[1]), s.Published["r_V_I"])
	printed(t, "r_V_phi", Correlation(in[0], in[2]), s.Published["r_V_phi"])
	printed(t, "r_I_phi", Correlation(in[1], in[2]), s.Published["r_I_phi"])
	out := map[string]Value{
		"R": Apply(func(x []float64) float64 { return x[0] * math.Cos(x[2]) / x[1] }, in...),
		"X": Apply(func(x []float64) float64 { return x[0] * math.Sin(x[2]) / x[1] }, in...),
		"Z": in[0].Div(in[1]),
	}
	for name, v := range out {
		near(t, name, v.X, want(name), 1e-11)
		near(t, "u_"+name, v.Uc(), want("u_"+name), 2e-6)
		printed(t, name, v.X, s.Published[name])
		if name != "X" { // 0.2956 is printed as 0.295
			printed(t, "u_"+name, v.Uc(), s.Published["u_"+name])
		}
		near(t, "degrees of freedom of "+name, v.State(Coverage).DF, 4, 1e-12)
		near(t, "k of "+name, v.State(Coverage).K, 2.776445, 1e-6)
	}
	for _, p := range [][2]string{{"R", "X"}, {"R", "Z"}, {"X", "Z"}} {
		name := "r_" + p[0] + "_" + p[1]
		near(t, name, Correlation(out[p[0]], out[p[1]]), want(name), 2e-6)
		printed(t, name, Correlation(out[p[0]], out[p[1]]), s.Published[name])
	}
	cov[0][1], cov[0][2], cov[1][2], cov[1][0], cov[2][0], cov[2][1] = 0, 0, 0, 0, 0, 0
	in, err = Correlated([]string{"V", "I", "phi"}, Scatter, x, cov, 4)
	if err != nil {
		t.Fatal(err)
	}
	free := Apply(func(x []float64) float64 { return x[0] * math.Cos(x[2]) / x[1] }, in...)
	near(t, "u_R ignoring correlation", free.Uc(), want("u_R_if_correlations_ignored"), 2e-6)
}

// means are the means of the columns and the covariances of those means.
func means(rows [][]float64) (x []float64, cov [][]float64) {
	n := float64(len(rows))
	x = make([]float64, len(rows[0]))
	for _, r := range rows {
		for k, v := range r {
			x[k] += v / n
		}
	}
	cov = make([][]float64, len(x))
	for a := range x {
		cov[a] = make([]float64, len(x))
		for b := range x {
			for _, r := range rows {
				cov[a][b] += (r[a] - x[a]) * (r[b] - x[b]) / (n * (n - 1))
			}
		}
	}
	return x, cov
}

// GUM H.3: intercept and slope of a calibration line are correlated; what is read
// off the line at 30 °C has 9 degrees of freedom.
func TestCalibrationLineH3(t *testing.T) {
	var s struct {
		Data      [][]float64
		Want      map[string]num `json:"recomputed"`
		Published map[string]string
	}
	load(t, "gum/h3-calibration-line.json", &s)
	var n, st, stt, sb, stb, rss float64
	for _, r := range s.Data {
		theta := r[0] - 20
		n, st, stt, sb, stb = n+1, st+theta, stt+theta*theta, sb+r[1], stb+theta*r[1]
	}
	d := n*stt - st*st
	y1, y2 := (sb*stt-st*stb)/d, (n*stb-st*sb)/d
	for _, r := range s.Data {
		e := r[1] - y1 - y2*(r[0]-20)
		rss += e * e
	}
	s2 := rss / (n - 2)
	line, err := Correlated([]string{"intercept", "slope"}, Scatter, []float64{y1, y2},
		[][]float64{{s2 * stt / d, -s2 * st / d}, {-s2 * st / d, s2 * n / d}}, n-2)
	if err != nil {
		t.Fatal(err)
	}
	at30 := line[0].Add(line[1].Scale(10))
	for name, v := range map[string]struct{ got, want float64 }{
		"y1": {line[0].X, float64(s.Want["y1"])}, "u_y1": {line[0].Uc(), float64(s.Want["u_y1"])},
		"y2": {line[1].X, float64(s.Want["y2"])}, "u_y2": {line[1].Uc(), float64(s.Want["u_y2"])},
		"r_y1_y2": {Correlation(line[0], line[1]), float64(s.Want["r"])},
		"b_30":    {at30.X, float64(s.Want["b_30"])}, "u_b_30": {at30.Uc(), float64(s.Want["u_b_30"])},
	} {
		near(t, name, v.got, v.want, 1e-8)
		printed(t, name, v.got, s.Published[name])
	}
	state := at30.State(Coverage)
	near(t, "degrees of freedom", state.DF, float64(s.Want["df"]), 1e-12)
	near(t, "k", state.K, 2.262157, 1e-6)
}

// GUM H.4: activity of a radioactive sample from counts that correlate. The data
// and the printed answers are from memory; the data reproduce every printed digit.
func TestActivityH4(t *testing.T) {
	const decay, t0 = 1.25894e-4, 60.0 // per min, min
	rows := [][]float64{               // time and counts of standard, blank, sample
		{243.74, 15380, 305.56, 4054, 367.37, 41432}, {984.53, 14978, 1046.10, 3922, 1107.66, 38706},
		{1723.87, 14394, 1785.43, 4200, 1846.99, 35860}, {2463.17, 13254, 2524.73, 3830, 2586.28, 32238},
		{3217.56, 12516, 3279.12, 3956, 3340.68, 29640}, {3956.83, 11058, 4018.38, 3980, 4079.94, 26356},
	}
	var rates [][]float64
	for _, r := range rows {
		rates = append(rates, []float64{
			(r[1] - r[3]) / t0 * math.Exp(decay*r[0]), (r[5] - r[3]) / t0 * math.Exp(decay*r[4])})
	}
	x, cov := means(rates)
	in, err := Correlated([]string{"standard", "sample"}, Scatter, x, cov, 5)
	if err != nil {
		t.Fatal(err)
	}
	ratio := in[1].Div(in[0])
	printed(t, "R_s", in[0].X, "206.09")
	printed(t, "s(R_s)", in[0].Uc(), "3.79")
	printed(t, "R_x", in[1].X, "652.60")
	printed(t, "s(R_x)", in[1].Uc(), "6.42")
	printed(t, "r", Correlation(in[0], in[1]), "0.646")
	activity := Of(0.1368, NewSource("A_S", Model, Normal, 0.0018)).
		Mul(Of(5.0192, NewSource("m_S", Model, Normal, 0.005))).
		Div(Of(5.0571, NewSource("m_x", Model, Normal, 0.001))).Mul(ratio)
	printed(t, "R", ratio.X, "3.167")
	printed(t, "u(R)", ratio.Uc(), "0.045")
	printed(t, "A_x", activity.X, "0.430") // 0.42995; the printed 0.4300 comes from the rounded R
	printed(t, "u(A_x)", activity.Uc(), "0.0083")
}

// GUM H.5: a voltage standard with an effect between days (three printed values
// from memory): the mean of daily means, with 9 degrees of freedom.
func TestVoltageStandardH5(t *testing.T) {
	var s struct {
		Data      [][]num
		Published map[string]string
		Want      map[string]num `json:"recomputed"`
	}
	load(t, "gum/h5-zener-anova.json", &s)
	var daily []float64
	var within float64
	for _, r := range s.Data {
		daily = append(daily, float64(r[1]))
		within += float64(r[2]*r[2]) * 1e-12 / float64(len(s.Data))
	}
	mean, sd := meanSD(daily)
	v := Of(mean, &Source{Name: "days", Class: Scatter, Dist: Student, U: sd / math.Sqrt(10), DF: 9}).State(Coverage)
	printed(t, "mean", v.X, s.Published["grand_mean"])
	near(t, "u", v.Uc, float64(s.Want["u_mean_9_df"]), 1e-6)
	printed(t, "u in µV", v.Uc*1e6, s.Published["u_of_mean_days_as_units_uV"])
	near(t, "k", v.K, 2.262157, 1e-6)
	printed(t, "within a day in µV", math.Sqrt(within)*1e6, s.Published["pooled_within_day_s_uV"])
	between := Of(0, NewSource("daily means", Scatter, Normal, sd)).Uc()
	printed(t, "between days in µV", 1e6*math.Sqrt(between*between-within/5), s.Published["s_between_days_uV"])
}
