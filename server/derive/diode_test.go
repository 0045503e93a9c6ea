package derive

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// diode/parameter-extraction.json: Shockley (1949), Banwell and Jayakumar (2000),
// computed with 60 digits.
func TestExtractDiodeReference(t *testing.T) {
	var s struct {
		True   struct{ Is, N, Rs, T num }
		Points [][]num `json:"points_I_V"`
		Delta  num     `json:"delta_V_for_10_to_1_current_ratio_n1_300K"`
	}
	load(t, "diode/parameter-extraction.json", &s)
	near(t, "ln 10 · kT/e", math.Ln10*ThermalVoltage(300), float64(s.Delta), 1e-8)
	var points []IV
	for _, p := range s.Points {
		points = append(points, IV{V: float64(p[1]), I: float64(p[0])})
	}
	for _, p := range [][]IV{points, points[:], {points[4], points[1], points[0], points[3], points[2]}} {
		d, err := ExtractDiode(p, DiodeOptions{Kelvin: float64(s.True.T)})
		if err != nil || d.Used != 5 || d.Left != 0 {
			t.Fatalf("%+v, %v", d, err)
		}
		near(t, "n", d.N, float64(s.True.N), 1e-11)
		near(t, "Is", d.Is, float64(s.True.Is), 1e-9)
		near(t, "Rs", d.Rs, float64(s.True.Rs), 1e-10)
	}
	d := Diode{N: float64(s.True.N), Is: float64(s.True.Is), Rs: float64(s.True.Rs), Kelvin: 300}
	for _, p := range points {
		near(t, "V(I)", d.V(p.I), p.V, 1e-14)
	}
}

// Every diode of the two published tables, from its forward points.
func TestExtractDiodeTables(t *testing.T) {
	type key struct{ is, n, rs, kelvin float64 }
	checked := 0
	for _, file := range []string{"diode/forced-current-voltage.csv", "diode/shockley-series-resistance.csv"} {
		groups := map[key][]IV{}
		for _, r := range loadCSV(t, file) {
			k := key{r["Is_A"], r["n"], r["Rs_ohm"], r["T_K"]}
			groups[k] = append(groups[k], IV{V: r["V_V"], I: r["I_A"]})
		}
		for k, points := range groups {
			d, err := ExtractDiode(points, DiodeOptions{Kelvin: k.kelvin, FloorA: 1e-13})
			if errors.Is(err, ErrTooFew) {
				continue
			}
			if err != nil {
				t.Fatalf("%v: %v", k, err)
			}
			checked++
			near(t, "n", d.N, k.n, 1e-7)
			near(t, "Is", d.Is, k.is, 1e-5)
			if math.Abs(d.Rs-k.rs) > 1e-6*(1+k.rs) {
				t.Errorf("%v: Rs = %g", k, d.Rs)
			}
		}
	}
	if checked != 8 { // the others have too few forward points above the floor
		t.Errorf("%d diodes checked", checked)
	}
}

// sweep makes a forward sweep of d with noise on the current (A) and voltage (V),
// a leakage in parallel (Ω) and a compliance (A).
func sweep(d Diode, rng *rand.Rand, noiseI, noiseV, leak, compliance float64) []IV {
	var p []IV
	for k := range 161 {
		v := float64(k) * 0.005
		i, lo, hi := 0.0, 0.0, 1.0
		for range 200 { // bisection of the explicit V(I)
			i = (lo + hi) / 2
			if d.V(i) > v {
				hi = i
			} else {
				lo = i
			}
		}
		q := IV{V: v + noiseV*rng.NormFloat64(), I: i + v/leak + noiseI*rng.NormFloat64()}
		if i > compliance { // current held, voltage not what was set
			q.I, q.Excluded = compliance, true
		}
		p = append(p, q)
	}
	return p
}

func TestExtractDiodeFromPoorCurves(t *testing.T) {
	truth := Diode{N: 1.3, Is: 2e-12, Rs: 8, Kelvin: 298.15}
	inf := math.Inf(1)
	for _, c := range []struct {
		name                             string
		noiseI, noiseV, leak, compliance float64
		floor                            float64
		tolN, tolRs                      float64
	}{
		{"clean", 0, 0, inf, inf, 0, 1e-7, 1e-6},
		{"compliance", 0, 0, inf, 1e-3, 0, 1e-7, 1e-5},
		{"noise floor told", 1e-8, 0, inf, inf, 1e-8, 0.01, 0.02},
		{"noise floor not told", 1e-8, 0, inf, inf, 0, 0.01, 0.02},
		{"leakage in parallel", 0, 0, 1e7, inf, 0, 0.02, 0.03},
		{"all at once", 1e-9, 50e-6, 1e9, 2e-3, 1e-9, 0.01, 0.05},
	} {
		for seed := range uint64(20) {
			rng := rand.New(rand.NewPCG(seed, 7))
			d, err := ExtractDiode(sweep(truth, rng, c.noiseI, c.noiseV, c.leak, c.compliance), DiodeOptions{Kelvin: 298.15, FloorA: c.floor})
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
				continue
			}
			if math.Abs(d.N/truth.N-1) > c.tolN || math.Abs(d.Rs/truth.Rs-1) > c.tolRs {
				t.Errorf("%s, seed %d: n %.4f Rs %.3f Is %.3g used %d left %d", c.name, seed, d.N, d.Rs, d.Is, d.Used, d.Left)
			}
			if math.Abs(math.Log(d.Is/truth.Is)) > 20*c.tolN+1e-5 {
				t.Errorf("%s, seed %d: Is %.3g", c.name, seed, d.Is)
			}
		}
	}
}

// The stated standard deviations cover the truth as often as they should: with
// 140 fits the mean square of (estimate-truth)/SD is near 1.
func TestExtractDiodeUncertainty(t *testing.T) {
	truth := Diode{N: 1.3, Is: 2e-12, Rs: 8, Kelvin: 300}
	var n, rs float64
	const runs = 140
	for seed := range uint64(runs) {
		rng := rand.New(rand.NewPCG(seed, 3))
		var p []IV
		for k := range 41 {
			i := 1e-7 * math.Pow(10, float64(k)/8)
			p = append(p, IV{V: truth.V(i) + 100e-6*rng.NormFloat64(), I: i})
		}
		d, err := ExtractDiode(p, DiodeOptions{Kelvin: 300})
		if err != nil {
			t.Fatal(err)
		}
		n += (d.N - truth.N) * (d.N - truth.N) / (d.NSD * d.NSD) / runs
		rs += (d.Rs - truth.Rs) * (d.Rs - truth.Rs) / (d.RsSD * d.RsSD) / runs
	}
	if n < 0.6 || n > 1.6 || rs < 0.6 || rs > 1.6 {
		t.Errorf("mean square of normalised errors: n %.2f, Rs %.2f", n, rs)
	}
}

func TestExtractDiodeRefuses(t *testing.T) {
	var resistor, flat []IV
	for k := range 50 {
		v := float64(k) * 0.02
		resistor = append(resistor, IV{V: v, I: v / 1000})
		flat = append(flat, IV{V: 0.5, I: 1e-6})
	}
	for name, p := range map[string][]IV{
		"nothing": nil, "flat": flat, "one": {{V: 0.5, I: 1e-3}},
		"all excluded": {{V: 0.5, I: 1e-6, Excluded: true}, {V: 0.6, I: 1e-5, Excluded: true}, {V: 0.7, I: 1e-4, Excluded: true}, {V: 0.8, I: 1e-3, Excluded: true}},
		"not finite":   {{V: math.NaN(), I: 1}, {V: 1, I: math.Inf(1)}, {V: 0.1, I: 1e-6}, {V: 0.2, I: 1e-5}},
		"upside down":  {{V: 0.8, I: 1e-6}, {V: 0.7, I: 1e-5}, {V: 0.6, I: 1e-4}, {V: 0.5, I: 1e-3}},
	} {
		if d, err := ExtractDiode(p, DiodeOptions{}); err == nil {
			t.Errorf("%s gives a diode: %+v", name, d)
		}
	}
	if d, err := ExtractDiode(resistor, DiodeOptions{}); err == nil && d.N < 3 {
		t.Errorf("a resistor passes for a diode: %+v", d)
	}
	if _, err := ExtractDiode(resistor, DiodeOptions{Kelvin: -1}); err == nil {
		t.Error("a negative temperature")
	}
}

func BenchmarkExtractDiode(b *testing.B) {
	p := sweep(Diode{N: 1.3, Is: 2e-12, Rs: 8, Kelvin: 300}, rand.New(rand.NewPCG(1, 1)), 1e-9, 50e-6, 1e9, 1)
	for b.Loop() {
		if _, err := ExtractDiode(p, DiodeOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// The influence of each point is what the fit moves by when that point's voltage
// does; a current moves it by the slope of the diode there.
func TestDiodeInfluenceByDifferences(t *testing.T) {
	truth := Diode{N: 1.3, Is: 2e-12, Rs: 8, Kelvin: 300}
	points := make([]IV, 40)
	for k := range points {
		i := 1e-7 * math.Pow(10, float64(k)/8)
		points[k] = IV{V: truth.V(i), I: i}
	}
	d, err := ExtractDiode(points, DiodeOptions{Kelvin: 300})
	if err != nil || len(d.Influence) != len(points) {
		t.Fatalf("%+v, %v", d, err)
	}
	moved := func(k int, dv, di float64) Diode {
		p := append([]IV(nil), points...)
		p[k].V += dv
		p[k].I += di
		m, err := ExtractDiode(p, DiodeOptions{Kelvin: 300})
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	for k, in := range d.Influence {
		const dv = 1e-7 // V
		up, down := moved(k, dv, 0), moved(k, -dv, 0)
		near(t, "n", (up.N-down.N)/(2*dv)+1, in.N+1, 1e-4*(1+math.Abs(in.N)))
		near(t, "ln Is", math.Log(up.Is/down.Is)/(2*dv)+1, in.LnIs+1, 1e-4*(1+math.Abs(in.LnIs)))
		near(t, "Rs", (up.Rs-down.Rs)/(2*dv)+1, in.Rs+1, 1e-4*(1+math.Abs(in.Rs)))
		di := dv / in.Slope
		if more := moved(k, 0, di); math.Abs((more.N-d.N)+(up.N-d.N)) > 0.02*math.Abs(up.N-d.N)+1e-12 {
			t.Errorf("point %d: n moves by %g with the current, by %g with the voltage", k, more.N-d.N, up.N-d.N)
		}
	}
}

// Where more was taken off the voltages than was there, a series resistance may
// be below zero by that much, and no more.
func TestDiodeLead(t *testing.T) {
	truth := Diode{N: 1.1, Is: 1e-14, Rs: 0, Kelvin: 300}
	var points []IV
	for k := range 40 {
		i := 1e-7 * math.Pow(10, float64(k)/8)
		points = append(points, IV{V: truth.V(i) - 2*i, I: i})
	}
	d, err := ExtractDiode(points, DiodeOptions{Kelvin: 300, Lead: 3})
	if err != nil || math.Abs(d.Rs+2) > 1e-6 || math.Abs(d.N-1.1) > 1e-7 {
		t.Errorf("%+v, %v", d, err)
	}
	if d, err = ExtractDiode(points, DiodeOptions{Kelvin: 300, Lead: 1}); err == nil && d.Rs != 0 {
		t.Errorf("beyond the lead: %+v", d)
	}
}
