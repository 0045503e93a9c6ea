package procedure

import (
	"math"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// pointsOf is a forced-current curve at the pin, x forced and y sensed, read
// without known errors.
func pointsOf(xs, ys []float64) *pinPoints {
	m := base("sweep")
	m.Use, m.Sweep = UseCurrent, &Sweep{Spacing: List, List: xs}
	c := newCurve()
	for i := range xs {
		c.take(&Observation{Reading: bench.Reading{Set: xs[i], I: xs[i], V: ys[i]}}, i, 1)
	}
	return c.atPins(&m)
}

// columnsOf is a regression set as x and y.
func columnsOf(s regression) (xs, ys []float64) {
	for _, p := range s.Data {
		xs, ys = append(xs, p[1]), append(ys, p[0])
	}
	return xs, ys
}

// exactLine is the least-squares line through points, in exact fractions.
func exactLine(xs, ys []float64) (slope, intercept float64) {
	sum := func(f func(i int) *big.Rat) *big.Rat {
		s := new(big.Rat)
		for i := range xs {
			s.Add(s, f(i))
		}
		return s
	}
	x := func(i int) *big.Rat { return new(big.Rat).SetFloat64(xs[i]) }
	y := func(i int) *big.Rat { return new(big.Rat).SetFloat64(ys[i]) }
	mul := func(a, b *big.Rat) *big.Rat { return new(big.Rat).Mul(a, b) }
	n := big.NewRat(int64(len(xs)), 1)
	sx, sy := sum(x), sum(y)
	sxx := sum(func(i int) *big.Rat { return mul(x(i), x(i)) })
	sxy := sum(func(i int) *big.Rat { return mul(x(i), y(i)) })
	over := new(big.Rat).Sub(mul(n, sxy), mul(sx, sy))
	under := new(big.Rat).Sub(mul(n, sxx), mul(sx, sx))
	m := new(big.Rat).Quo(over, under)
	b := new(big.Rat).Quo(new(big.Rat).Sub(sy, mul(m, sx)), n)
	slope, _ = m.Float64()
	intercept, _ = b.Float64()
	return slope, intercept
}

// NIST StRD NoInt2 (checked against two copies and recomputed, see the file).
func TestLineThroughOriginNoInt2(t *testing.T) {
	var s regression
	reference(t, "noint2.json", &s)
	slope, by, ok := pointsOf(columnsOf(s)).throughZero()
	if !ok || len(by) != len(s.Data) {
		t.Fatal("no line through zero")
	}
	near(t, "slope", slope, float64(s.Certified.B1), 1e-15)
}

// NIST StRD Pontius by a straight line, which its curve departs from: the
// figures recomputed to 40 digits that stand in the file, and those printed in
// the NIST/SEMATECH e-Handbook, 4.6.1.5, from single precision. What the curve
// departs by is its shape, and no scatter.
func TestStraightLineOfPontius(t *testing.T) {
	var s struct {
		regression
		Line struct {
			Published  struct{ B0, B1 number }
			Recomputed struct{ B0, B1 number } `json:"recomputed_40_digits"`
		} `json:"straight_line_fit_for_comparison"`
	}
	reference(t, "pontius.json", &s)
	p := pointsOf(columnsOf(s.regression))
	l, ok := p.straightLine(0, len(p.nominal))
	if !ok {
		t.Fatal("no line")
	}
	want := s.Line.Recomputed
	near(t, "slope", l.slope, float64(want.B1), 1e-18)
	near(t, "intercept", l.cut, float64(want.B0), 1e-12)
	near(t, "slope as printed", l.slope/float64(s.Line.Published.B1), 1, 1e-5)
	near(t, "intercept as printed", l.cut/float64(s.Line.Published.B0), 1, 1e-5)
	if times, _ := p.scatterOfLine(true); times != 0 {
		t.Errorf("the shape of the curve counts as scatter: %g", times)
	}
}

// The line is the least-squares line in exact fractions, also where all points
// lie far from zero; it is the sum of the points by its coefficients.
func TestLineIsTheExactOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 60).Draw(t, "points")
		far := rapid.SampledFrom([]float64{0, 1, -30, 1e4}).Draw(t, "far from zero")
		slope := rapid.Float64Range(-5, 5).Draw(t, "slope")
		noise := rapid.SampledFrom([]float64{0, 1e-6, 0.1}).Draw(t, "noise")
		var xs, ys []float64
		for i := range n {
			x := far + float64(i)/8
			xs = append(xs, x)
			ys = append(ys, 1+slope*x+noise*rapid.Float64Range(-1, 1).Draw(t, "off"))
		}
		p := pointsOf(xs, ys)
		l, ok := p.straightLine(0, n)
		want, cut := exactLine(xs, ys)
		tol := 1e-11 * (1 + math.Abs(want)) * (1 + math.Abs(far))
		if !ok || math.Abs(l.slope-want) > tol || math.Abs(l.cut-cut) > tol*(1+math.Abs(far)) {
			t.Fatalf("%.17g, %.17g, exactly %.17g, %.17g", l.slope, l.cut, want, cut)
		}
		var bySlope, byCut float64
		for i := range ys {
			bySlope += l.bySlope[i] * ys[i]
			byCut += l.byCut[i] * ys[i]
		}
		if math.Abs(bySlope-want) > 1e-7*(1+math.Abs(far)) || math.Abs(byCut-cut) > 1e-7*(1+far*far) {
			t.Fatalf("by the coefficients %g and %g, not %g and %g", bySlope, byCut, want, cut)
		}
	})
}

// bentSense is ranges with every error, and a part that bends.
func bentSense() *Sense {
	errs := bench.NewErrors(&bench.Definition{})
	ch := &bench.Channel{Name: "1A"}
	return &Sense{V: errs.SenseV(ch, bench.Range{FullScale: 2, Gain: 1e-4, Offset: 1e-5}),
		I: errs.SenseI(ch, bench.Range{FullScale: 10e-3, Gain: 1e-4, Offset: 1e-8}), Cycles: 1}
}

// The sensitivities of every result to gain and offset of both ranges are what
// the result changes by when the readings carry that error.
func TestSweepSensitivitiesByDifferences(t *testing.T) {
	at := 26.85
	diode := func(i float64) float64 { return 0.026*math.Log1p(i/1e-12) + 12*i }
	for _, use := range []Use{UseCurrent, UseVoltage} {
		m := base("sweep")
		m.Pins, m.Use, m.Compliance, m.At = []int{1}, use, 5, &Condition{Temperature: &at}
		m.Sweep = &Sweep{Spacing: Log, From: 1e-6, To: 5e-3, Points: 61}
		if use == UseVoltage {
			m.Sweep = &Sweep{Spacing: Linear, From: 0.45, To: 0.65, Points: 141}
		}
		sense := bentSense()
		run := func(gv, ov, gi, oi float64) []Result {
			der := sweepKind.Derive(&m, networkDevice(), Rule{})
			for j := range m.Sweep.Count() {
				level := m.Sweep.At(j)
				v, i := diode(level), level
				if use == UseVoltage {
					v, i = level, currentOf(diode, level)
				}
				der.Add(Observation{Sense: sense, Reading: bench.Reading{Set: level, V: v + gv*v + ov, I: i + gi*i + oi, Point: uint32(j), Pin: 1}})
			}
			return der.Results()
		}
		g, o := 1e-4/math.Sqrt(3), 1e-5/math.Sqrt(3)
		oi := 1e-8 / math.Sqrt(3)
		checked := 0
		for _, r := range run(0, 0, 0, 0) {
			if r.Budget == nil || r.Key == "resistance-origin" {
				continue
			}
			for name, moved := range map[string][2][]Result{
				"gain of 1A, sensing ±2.00 V": {run(g, 0, 0, 0), run(-g, 0, 0, 0)}, "offset of 1A, sensing ±2.00 V": {run(0, o, 0, 0), run(0, -o, 0, 0)},
				"gain of 1A, sensing ±10.0 mA": {run(0, 0, g, 0), run(0, 0, -g, 0)}, "offset of 1A, sensing ±10.0 mA": {run(0, 0, 0, oi), run(0, 0, 0, -oi)},
			} {
				change := (find(t, moved[0], r.Key, 1, "").Value - find(t, moved[1], r.Key, 1, "").Value) / 2
				for _, l := range r.Budget.Lines {
					if l.Name != name {
						continue
					}
					checked++
					if got := l.Sensitivity * l.Standard; math.Abs(got-change) > 0.02*math.Abs(change)+0.02*r.U {
						t.Errorf("%s, %s, %s: by sensitivity %g, by difference %g, U %g", use, r.Key, name, got, change, r.U)
					}
				}
			}
		}
		if checked < 30 {
			t.Errorf("%s: only %d sensitivities checked", use, checked)
		}
	}
}

// currentOf is the current at which a rising voltage is reached, by halving.
func currentOf(volts func(i float64) float64, v float64) float64 {
	low, high := 0.0, 1.0
	for range 200 {
		if middle := (low + high) / 2; volts(middle) < v {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

// Scatter is found where there is noise beyond that of the ranges, to within a
// third, and not where a curve only bends, however much.
func TestScatterIsNotShape(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct {
		name  string
		y     func(x float64) float64
		noise float64
	}{
		{"line", func(x float64) float64 { return 3 * x }, 1e-3}, {"bent", func(x float64) float64 { return x * x }, 1e-3},
		{"bent, no noise", func(x float64) float64 { return x * x }, 0}, {"exponential, no noise", func(x float64) float64 { return math.Exp(40 * x) }, 0},
		{"steep exponential, no noise", func(x float64) float64 { return math.Exp(105 * x) }, 0},
	} {
		var xs, ys []float64
		for i := range 101 {
			x := float64(i) / 100
			xs, ys = append(xs, x), append(ys, c.y(x)+c.noise*r.NormFloat64())
		}
		got := pointsOf(xs, ys).excess
		if math.Abs(got.times-c.noise) > c.noise/3+1e-12*math.Abs(ys[100]) {
			t.Errorf("%s: %g, want %g", c.name, got.times, c.noise)
		}
	}
}

// The highest of many alike readings is not what their noise makes of it.
func TestExtremeOfNoise(t *testing.T) {
	const noise, trials = 1e-3, 200
	for _, c := range []struct {
		name string
		y    func(x float64) float64
		top  float64
	}{
		{"level", func(x float64) float64 { return 1 }, 1}, {"slope", func(x float64) float64 { return 1 + 0.02*x }, 1.02},
		{"hill", func(x float64) float64 { return 1 - 0.5*(x-0.5)*(x-0.5) }, 1},
	} {
		var sum float64
		inside := 0
		for seed := range uint64(trials) {
			r := rand.New(rand.NewPCG(seed, 9))
			var xs, ys []float64
			for i := range 101 {
				x := float64(i) / 100
				xs, ys = append(xs, x), append(ys, c.y(x)+noise*r.NormFloat64())
			}
			v := pointsOf(xs, ys).extreme(1)
			sum += (v.X - c.top) / noise / trials
			if s := v.State(budget.Coverage); s.Low <= c.top && c.top <= s.High {
				inside++
			}
		}
		if math.Abs(sum) > 0.5 || inside < trials*85/100 {
			t.Errorf("%s: the mean is %g standard deviations off, %d of %d hold it", c.name, sum, inside, trials)
		}
	}
}

// Whatever is read, a result has an interval or says why not, and no result of a
// finite reading is lost in arithmetic. With seed 0xd927 the last readings differed
// by 1e-300 of a volt, and their slope was said to be exactly 0 Ω.
func TestSweepOfAnything(t *testing.T) {
	sweepOfAnything(t, 0xd927)
	rapid.Check(t, func(t *rapid.T) { sweepOfAnything(t, rapid.Uint64().Draw(t, "seed")) })
}

func sweepOfAnything(t rapid.TB, seed uint64) {
	t.Helper()
	d, r := networkDevice(), rand.New(rand.NewPCG(seed, 1))
	m := sweepKind.Default(d)
	der := sweepKind.Derive(&m, d, Rule{Guard: 1})
	tiny := func(most float64) float64 {
		v := most * (2*r.Float64() - 1)
		if r.IntN(2) == 0 {
			v *= math.Pow(10, -float64(r.IntN(300)))
		}
		return v
	}
	n := uint32(0)
	for p := range sweepKind.Points(&m, d) {
		o := bench.Reading{V: tiny(5), I: tiny(1e-3), Set: holdAt(p.Hold, p.Read[0]).Level, Point: n, Pin: 1}
		if r.IntN(5) == 0 {
			o.Flags = bench.InCompliance
		}
		if r.IntN(50) == 0 {
			o.V = math.NaN()
		}
		der.Add(Observation{Sense: accuracy{uv: 1e-3, ui: 1e-9}.sense(), Reading: o})
		n++
	}
	for _, x := range der.Results() {
		if !finite(x.Value) || !(x.U >= 0) && !strings.Contains(x.Note, "at least") && x.Budget.Why == "" {
			t.Fatalf("%s: %+v", x.Key, x)
		}
		if x.U > 0 && !(x.From <= x.Value && x.Value <= x.To) {
			t.Fatalf("%s: %g is not within %g to %g", x.Key, x.Value, x.From, x.To)
		}
		if x.Key != "compliance-hits" && x.U == 0 {
			t.Fatalf("%s is said to be exact: %+v", x.Key, x)
		}
	}
}

// Every point of an expansion has its own place on a curve, and points with a
// held level moved have one too.
func TestSweepLayout(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		m := anyMeasurement(t, sweepKind, d)
		if len(sweepKind.Validate(&m, d)) > 0 || m.curves()*m.Sweep.Count() > 20000 {
			return
		}
		l := newSweepLayout(&m, d)
		n := uint32(0)
		for p := range sweepKind.Points(&m, d) {
			j, held := l.place(int(p.Group), n)
			dir := int(p.Group) % m.Sweep.directions()
			if want := m.Sweep.At(dir*l.n + j); holdAt(p.Hold, p.Read[0]).Level != want || p.Auxiliary != (held >= 0) {
				t.Fatalf("point %d is told to be %d of its curve, level moved %d: %+v", n, j, held, p)
			}
			n++
		}
	})
}

// A result through a function has the probabilities of the value it came from.
func TestTransformedStatements(t *testing.T) {
	s := budget.NewSource("scatter", budget.Noise, budget.Normal, 0.2)
	for _, c := range []struct {
		name string
		x    float64
		by   *transform
	}{{"exponential", -30, exponential}, {"inverted", 2, inverted(2)}, {"inverted below zero", -2, inverted(-2)}} {
		said := stated{budget.Of(c.x, s).State(budget.Coverage), c.by}
		shown := said.shown()
		near(t, c.name+": probability within its interval", said.Conformity(&shown.Low, &shown.High), budget.Coverage, 1e-6)
		y := c.by.of(c.x)
		near(t, c.name+": back", c.by.back(y), c.x, 1e-12*math.Abs(c.x))
		near(t, c.name+": slope", c.by.slope(c.x), (c.by.of(c.x+1e-5)-c.by.of(c.x-1e-5))/2e-5, 1e-6*math.Abs(c.by.slope(c.x)))
		near(t, c.name+": below its value", said.Conformity(nil, &y), 0.5, 1e-9)
		inLow, inHigh := said.RiskBand(0.025)
		near(t, c.name+": band", inLow, y-shown.Low, 1e-6*math.Abs(y))
		near(t, c.name+": band", inHigh, shown.High-y, 1e-6*math.Abs(y))
	}
}
