package store_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// diodeSweep is n readings of a diode's current over five decades, out and
// back, with the bench's noise, a spike in each quantity now and then, some at
// compliance, and some that are no number.
func diodeSweep(n int) []bench.Reading {
	random := rand.New(rand.NewPCG(3, 5))
	rs := make([]bench.Reading, n)
	for i := range rs {
		x := 2 * float64(i) / float64(n)
		r := bench.Reading{T: int64(i) * 1000, Point: uint32(i), Pin: 1, Channel: 1}
		if x > 1 {
			x, r.Group = 2-x, 1
		}
		r.I = 1e-7 * math.Pow(10, 5*x) * (1 + 1e-3*random.NormFloat64())
		r.V = 0.026*math.Log(r.I/1e-14) + 20*r.I + 1e-4*random.NormFloat64()
		switch random.IntN(5000) {
		case 0:
			r.V += 0.1
		case 1:
			r.I *= 3
		case 2:
			r.V = math.NaN()
		case 3:
			r.Flags = bench.InCompliance
		}
		rs[i] = r
	}
	return rs
}

func storedSweep(t *testing.T, rs []bench.Reading) *store.Store {
	t.Helper()
	s := storetest.New(t)
	begin(t, s, record("run", ""))
	for at := 0; at < len(rs); at += 8192 {
		appendAll(t, s, "run", batch(0, rs[at:min(at+8192, len(rs))]))
	}
	return s
}

var ivPlot = store.XYPlot{Run: "run", Columns: 800, X: procedure.Axis{Quantity: procedure.QuantityVoltage},
	Y: procedure.Axis{Quantity: procedure.QuantityCurrent, Log: true}}

// A long sweep is drawn with few points, each of them a real reading and in
// their order, and whatever is left out lies within two columns of the line:
// also what stands alone.
func TestLongSweepIsDrawnFromItsSummaries(t *testing.T) {
	const n = 200_000
	rs := diodeSweep(n)
	series, more, err := storedSweep(t, rs).PlotXY(t.Context(), ivPlot)
	if err != nil || more || len(series) != 2 {
		t.Fatalf("%d curves, more %v, %v", len(series), more, err)
	}
	for g, c := range series {
		if len(c.X) > 10*ivPlot.Columns {
			t.Errorf("curve %d has %d points", g, len(c.X))
		}
		turn := n/2 + 1 // the turning point belongs to the way out
		checkSketch(t, [][]bench.Reading{rs[:turn], rs[turn:]}[g], c)
	}
}

// checkSketch holds a drawn curve against its readings.
func checkSketch(t *testing.T, rs []bench.Reading, c store.PlotSeries) {
	t.Helper()
	at, drawn := 0, map[int]bool{}
	for k := range c.X {
		same := func(r bench.Reading) bool {
			return math.Float64bits(r.V) == math.Float64bits(c.X[k]) && r.I == c.Y[k] && r.Flags.Has(bench.InCompliance) == c.Hollow[k]
		}
		i := slices.IndexFunc(rs[at:], same)
		if i < 0 {
			t.Fatalf("point %d (%g, %g) is no reading after the one before", k, c.X[k], c.Y[k])
		}
		drawn[at+i] = true
		at += i + 1
	}
	var low, high, bottom, top float64 = math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, r := range rs {
		if !math.IsNaN(r.V) {
			low, high = min(low, r.V), max(high, r.V)
			bottom, top = min(bottom, math.Log10(r.I)), max(top, math.Log10(r.I))
		}
	}
	const cells = 800 / 2
	place := func(v, i float64) (float64, float64) {
		return cells * (v - low) / (high - low), cells * (math.Log10(i) - bottom) / (top - bottom)
	}
	shown := map[[2]int]bool{}
	for k := range c.X { // the line from the point before, and the cells around it
		x, y := place(c.X[k], c.Y[k])
		fx, fy := x, y
		if k > 0 && !math.IsNaN(c.X[k-1]) {
			fx, fy = place(c.X[k-1], c.Y[k-1])
		}
		steps := int(max(math.Abs(x-fx), math.Abs(y-fy))) + 1
		for j := 0; j <= steps && !math.IsNaN(x); j++ {
			f := float64(j) / float64(steps)
			px, py := int(fx+f*(x-fx)), int(fy+f*(y-fy))
			for d := range 9 {
				shown[[2]int{px + d%3 - 1, py + d/3 - 1}] = true
			}
		}
	}
	for i, r := range rs {
		if math.IsNaN(r.V) {
			continue
		}
		if x, y := place(r.V, r.I); !shown[[2]int{int(x), int(y)}] && !drawn[i] {
			t.Fatalf("reading %d (%g V, %g A) is nowhere near the line", i, r.V, r.I)
		}
	}
}

// A cloud, which nothing can be left out of without being seen, is drawn in a
// bounded number of points that reach as far as it does.
func TestCloudIsBounded(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 9))
	rs := make([]bench.Reading, 300_000)
	for i := range rs {
		rs[i] = bench.Reading{T: int64(i), Pin: 1, V: random.NormFloat64(), I: random.NormFloat64()}
	}
	q := ivPlot
	q.Y.Log = false
	series, _, err := storedSweep(t, rs).PlotXY(t.Context(), q)
	if err != nil || len(series) != 1 {
		t.Fatal(len(series), err)
	}
	c := series[0]
	if len(c.X) > 10*q.Columns {
		t.Errorf("%d points", len(c.X))
	}
	var v, i []float64
	for _, r := range rs {
		v, i = append(v, r.V), append(i, r.I)
	}
	if slices.Max(c.Y) != slices.Max(i) || slices.Min(c.Y) != slices.Min(i) {
		t.Errorf("it reaches from %g to %g, not %g to %g", slices.Min(c.Y), slices.Max(c.Y), slices.Min(i), slices.Max(i))
	}
	if slices.Max(c.X) < 0.8*slices.Max(v) || slices.Min(c.X) > 0.8*slices.Min(v) {
		t.Errorf("it reaches from %g to %g sideways, not %g to %g", slices.Min(c.X), slices.Max(c.X), slices.Min(v), slices.Max(v))
	}
}

// The limit cuts in the midst of a chunk.
func TestSketchKeepsTheLimit(t *testing.T) {
	rs := diodeSweep(60_000)
	q := ivPlot
	q.Limit = 40_000 + 17
	for i := range rs {
		rs[i].V, rs[i].I, rs[i].Group, rs[i].Flags = float64(i), 1+float64(i), 0, 0
	}
	series, more, err := storedSweep(t, rs).PlotXY(t.Context(), q)
	if err != nil || !more || len(series) != 1 {
		t.Fatalf("%d curves, more %v, %v", len(series), more, err)
	}
	if x := series[0].X; x[0] != 0 || x[len(x)-1] != float64(q.Limit-1) {
		t.Errorf("drawn from %g to %g, the limit is %d", x[0], x[len(x)-1], q.Limit)
	}
}

// Readings beyond all numbers are no reason to stop.
func TestSketchOfInfinities(t *testing.T) {
	rs := diodeSweep(40_000)
	for i := range rs {
		rs[i].V = math.Inf(1 - 2*(i%2))
		if i%4 == 0 {
			rs[i].I = math.Inf(1)
		}
	}
	if _, _, err := storedSweep(t, rs).PlotXY(t.Context(), ivPlot); err != nil {
		t.Fatal(err)
	}
}

// Where a measurement moves fast its readings are drawn themselves.
func TestSketchKeepsTheFastParts(t *testing.T) {
	rs := make([]bench.Reading, 60_000)
	for i := range rs {
		a := min(float64(i)/500, 1) + float64(i)*1e-9
		rs[i] = bench.Reading{T: int64(i), Pin: 1, V: 2 + math.Cos(2*math.Pi*a), I: math.Pow(10, math.Sin(2*math.Pi*a))}
	}
	series, _, err := storedSweep(t, rs).PlotXY(t.Context(), ivPlot)
	if err != nil || len(series) != 1 {
		t.Fatal(len(series), err)
	}
	checkSketch(t, rs, series[0])
}
