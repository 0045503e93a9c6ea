package liverun

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
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

// A long sweep is drawn with few points, and whatever is left out lies within
// two columns of the line: also what stands alone.
func TestLongSweepIsDrawnWhole(t *testing.T) {
	const n = 200_000
	rs := diodeSweep(n)
	series := pictureOf(shapes["log curves"], rs).Series(&dut.Device{})
	if len(series) != 2 {
		t.Fatalf("%d curves", len(series))
	}
	turn := n/2 + 1 // the turning point belongs to the way out
	for g, part := range [][]bench.Reading{rs[:turn], rs[turn:]} {
		checkLine(t, part, series[g], true)
		if !slices.Contains(series[g].Hollow, true) {
			t.Errorf("curve %d shows no compliance", g)
		}
	}
}

// checkLine holds a drawn curve against its readings: each is within two
// columns of the line, or drawn itself.
func checkLine(t *testing.T, rs []bench.Reading, c Series, logY bool) {
	t.Helper()
	value := func(i float64) float64 {
		if logY {
			return math.Log10(i)
		}
		return i
	}
	var low, high, bottom, top float64 = math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, r := range rs {
		if !math.IsNaN(r.V) {
			low, high = min(low, r.V), max(high, r.V)
			bottom, top = min(bottom, value(r.I)), max(top, value(r.I))
		}
	}
	const cells = Columns / 2
	place := func(v, i float64) (float64, float64) {
		return cells * (v - low) / (high - low), cells * (value(i) - bottom) / (top - bottom)
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
		if x, y := place(r.V, r.I); !math.IsNaN(r.V) && !shown[[2]int{int(x), int(y)}] {
			t.Fatalf("reading %d (%g V, %g A) is nowhere near the line of %d points", i, r.V, r.I, len(c.X))
		}
	}
}

// What a measurement does fast, such as a loop, stays to be seen however long
// it then stands still.
func TestLoopIsKept(t *testing.T) {
	for _, n := range []int{60_000, 1_000_000} {
		rs := make([]bench.Reading, n)
		for i := range rs {
			a := min(float64(i)/500, 1) + float64(i)*1e-9
			rs[i] = bench.Reading{T: int64(i), Pin: 1, V: 2 + math.Cos(2*math.Pi*a), I: math.Pow(10, math.Sin(2*math.Pi*a))}
		}
		checkLine(t, rs, only(t, pictureOf(shapes["log curves"], rs)), true)
	}
}

// A spike is kept, in either direction and whatever comes after it: also where
// the axis has to grow a hundredfold, and in a cloud.
func TestSpikeIsKept(t *testing.T) {
	shape := shapes["curves"]
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(20_000, 120_000).Draw(t, "readings")
		noise := rapid.SampledFrom([]float64{0, 1e-4, 1e-2, 1}).Draw(t, "noise")
		growth := rapid.SampledFrom([]float64{1, 100}).Draw(t, "growth")
		random := rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "seed")))
		rs := make([]bench.Reading, n)
		for i := range rs {
			x := math.Pow(growth, float64(i)/float64(n)) + float64(i)/float64(n)
			rs[i] = bench.Reading{T: int64(i), Pin: 1, V: x + noise*random.Float64(), I: noise * random.Float64()}
		}
		at := rapid.IntRange(0, n-1).Draw(t, "spike")
		rs[at].I = -77
		side := rapid.IntRange(0, n-1).Draw(t, "to the side")
		if side != at {
			rs[side].V = -9 * growth
		}
		s := pictureOf(shape, rs).Series(&dut.Device{})[0]
		if !slices.Contains(s.Y, -77) {
			t.Fatalf("the spike of reading %d is lost among %d points", at, len(s.X))
		}
		if side != at && !slices.Contains(s.X, -9*growth) {
			t.Fatalf("what reading %d does to the side is lost", side)
		}
	})
}

// A cloud, which nothing can be left out of without being seen, is drawn in a
// bounded number of points that reach as far as it does.
func TestCloudIsBounded(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 9))
	rs := make([]bench.Reading, 300_000)
	for i := range rs {
		rs[i] = bench.Reading{T: int64(i), Pin: 1, V: random.NormFloat64(), I: random.NormFloat64()}
	}
	c := only(t, pictureOf(shapes["curves"], rs))
	if len(c.X) > mostPoints {
		t.Errorf("%d points", len(c.X))
	}
	var v, i []float64
	for _, r := range rs {
		v, i = append(v, r.V), append(i, r.I)
	}
	if slices.Max(c.Y) != slices.Max(i) || slices.Min(c.Y) != slices.Min(i) || slices.Max(c.X) != slices.Max(v) || slices.Min(c.X) != slices.Min(v) {
		t.Errorf("it reaches from (%g, %g) to (%g, %g)", slices.Min(c.X), slices.Min(c.Y), slices.Max(c.X), slices.Max(c.Y))
	}
	// Column by column as far as the cloud itself.
	top := func(xs, ys []float64, of float64) float64 {
		most := math.Inf(-1)
		for k := range xs {
			if math.Abs(xs[k]-of) < 0.05 {
				most = max(most, ys[k])
			}
		}
		return most
	}
	for x := -2.0; x <= 2; x += 0.5 {
		if got, want := top(c.X, c.Y, x), top(v, i, x); got < want-0.2 {
			t.Errorf("at %g it reaches up to %g, not %g", x, got, want)
		}
	}
}

// What has been thinned is kept by the next thinning: otherwise a long
// measurement would fade from its beginning on.
func TestThinTwiceIsThinOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shape := shapes[rapid.SampledFrom([]string{"curves", "log curves", "log both"}).Draw(t, "shape")]
		var points []point
		for _, r := range drawReadings(t, 12_000) {
			points = append(points, point{r.V, r.I, r.Flags.Has(bench.InCompliance)})
		}
		once := thin(slices.Clone(points), &shape)
		if len(once) > mostPoints {
			t.Fatalf("%d points", len(once))
		}
		if !slices.EqualFunc(once, thin(slices.Clone(once), &shape), samePoint) {
			t.Fatal("the second time it is another")
		}
	})
}

// Readings that no axis has a place for are no reason to stop, take no part in
// what is lowest and highest, and stay bounded even where they alternate.
func TestWhatCannotBeDrawn(t *testing.T) {
	for _, name := range []string{"curves", "log curves", "log both", "watch of a pin"} {
		rs := diodeSweep(100_000)
		for i := range rs {
			rs[i].Group = 0
			if i%2 == 0 {
				rs[i].V, rs[i].I = []float64{math.Inf(1), math.NaN(), -3, 1e40}[i/2%4], []float64{math.NaN(), math.Inf(-1), -1e35, 1}[i/2%4]
			}
		}
		rs[50_001].I = 123
		c := only(t, pictureOf(shapes[name], rs))
		if len(c.X) > mostPoints || !slices.Contains(c.Y, 123) {
			t.Errorf("%s: %d points, the highest is lost: %v", name, len(c.X), !slices.Contains(c.Y, 123))
		}
	}
	nothing := make([]bench.Reading, 50_000)
	for i := range nothing {
		nothing[i] = bench.Reading{Pin: 1, V: math.NaN(), I: math.Inf(1 - 2*(i%2))}
	}
	if c := only(t, pictureOf(shapes["curves"], nothing)); len(c.X) > drawnRaw {
		t.Errorf("%d points of a gap", len(c.X))
	}
}

// BenchmarkPicture is the cost of a reading while a run is at work.
func BenchmarkPicture(b *testing.B) {
	random := rand.New(rand.NewPCG(7, 9))
	cloud := make([]bench.Reading, 1<<17)
	for i := range cloud {
		cloud[i] = bench.Reading{T: int64(i), Pin: 1, V: random.NormFloat64(), I: random.NormFloat64()}
	}
	for _, tc := range []struct {
		name  string
		shape procedure.Shape
		rs    []bench.Reading
	}{{"time", shapes["watch of a pin"], diodeSweep(1 << 17)}, {"sweep", shapes["log curves"], diodeSweep(1 << 17)}, {"cloud", shapes["curves"], cloud}} {
		b.Run(tc.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				pictureOf(tc.shape, tc.rs)
			}
			b.ReportMetric(float64(b.N)*float64(len(tc.rs))/1e6/b.Elapsed().Seconds(), "Mreadings/s")
		})
	}
}

// Drawn stretch by stretch, the kept points cover the same as all points: the
// ends of each stretch without a gap are kept, one point of each gap, and beside
// each point left out, less than a column away and with no gap between, one
// before it, one after it, and one as high, low, left and right.
func TestStretchesKeepShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := make([]point, rapid.IntRange(0, 300).Draw(t, "points"))
		x := 50.0
		for i := range points {
			x += rapid.Float64Range(-0.3, 0.6).Draw(t, "dx")
			points[i] = point{x, rapid.Float64Range(0, 100).Draw(t, "y"), rapid.IntRange(0, 9).Draw(t, "compliance") == 0}
			if rapid.IntRange(0, 40).Draw(t, "gap") == 0 {
				points[i].y = math.NaN()
			}
		}
		kept := make([]bool, len(points))
		before := -1
		for _, i := range stretchesOf(points) {
			if i <= before {
				t.Fatalf("index %d after %d", i, before)
			}
			kept[i], before = true, i
		}
		for i := range points {
			if wrong := missed(points, kept, i); wrong != "" {
				t.Fatalf("point %d at %+v: %s", i, points[i], wrong)
			}
		}
	})
}

// stretchesOf returns the indices that are kept in stretches narrower than 1.
func stretchesOf(points []point) (kept []int) {
	var t thinner
	t.begin(points, &procedure.Shape{})
	t.stretches(1, true)
	for _, i := range t.keep {
		kept = append(kept, int(i))
	}
	return kept
}

// missed says why the line through the kept points does not show point i.
func missed(points []point, kept []bool, i int) string {
	gap := func(i int) bool { return i < 0 || i >= len(points) || math.IsNaN(points[i].y) }
	switch {
	case kept[i] && gap(i) && i > 0 && gap(i-1):
		return "a second point of a gap is kept"
	case kept[i], gap(i) && i > 0 && gap(i-1):
		return ""
	case gap(i), gap(i - 1), gap(i + 1):
		return "the end of a stretch is left out"
	}
	var before, after, high, low, left, right, hollow bool
	p := points[i]
	for _, step := range []int{-1, 1} {
		for j := i + step; !gap(j) && math.Abs(points[j].x-p.x) < 1; j += step {
			if q := points[j]; kept[j] {
				before, after = before || j < i, after || j > i
				high, low = high || q.y >= p.y, low || q.y <= p.y
				left, right = left || q.x <= p.x, right || q.x >= p.x
				hollow = hollow || q.hollow
			}
		}
	}
	if before && after && high && low && left && right && (hollow || !p.hollow) {
		return ""
	}
	return "nothing beside it shows it"
}

// A sweep's own noise takes its points across the edges of columns and back;
// that must not keep them all.
func TestNoisySweepIsThin(t *testing.T) {
	const n = 200_000
	points := make([]point, n)
	noise := rand.New(rand.NewPCG(1, 2))
	for i := range points {
		x := Columns*float64(i)/n + 0.1*noise.NormFloat64()
		points[i] = point{x: x, y: x + 0.1*noise.NormFloat64()}
	}
	if got := len(stretchesOf(points)); got > 3*7*Columns {
		t.Errorf("%d of %d points are kept for %d columns", got, n, Columns)
	}
	if got := len(thin(points, &procedure.Shape{})); got > mostPoints {
		t.Errorf("%d points", got)
	}
}

// An up and a down sweep over the same 500 columns: two branches, few points.
func TestTwoBranchesStayTwo(t *testing.T) {
	const n = 100_000
	points := make([]point, n)
	for i := range points {
		f := float64(i) / n
		points[i] = point{x: 500 * (1 - math.Abs(2*f-1)), y: f}
	}
	keep := stretchesOf(points)
	if len(keep) > 7*1001 || len(keep) < 1000 || keep[0] != 0 || keep[len(keep)-1] != n-1 {
		t.Errorf("%d points", len(keep))
	}
}
