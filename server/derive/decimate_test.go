package derive

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Whatever comes in, and in whatever pieces: never more than the limit, nothing
// lost from the count, the extremes, the ends or the order.
func TestDecimatorKeepsEverything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-1, 1), 0, 500).Draw(t, "v")
		limit := rapid.IntRange(2, 40).Draw(t, "limit")
		piece := rapid.IntRange(1, 60).Draw(t, "piece")
		bad := rapid.IntRange(2, 9).Draw(t, "every how many is NaN")
		tt := make([]float64, len(v))
		var good []float64
		for i := range v {
			tt[i] = float64(i)
			if i%bad == 1 {
				v[i] = []float64{math.NaN(), math.Inf(1), math.Inf(-1)}[i%3]
			} else {
				good = append(good, v[i])
			}
		}
		one, slice, sums := NewDecimator(limit), NewDecimator(limit), NewDecimator(limit)
		for i := range v {
			one.Add(tt[i], v[i])
		}
		for i := 0; i < len(v); i += piece {
			j := min(i+piece, len(v))
			slice.AddSlice(tt[i:j], v[i:j])
			sums.AddSummary(Summarise(tt[i:j], v[i:j]))
		}
		if !slices.Equal(one.Columns(nil), slice.Columns(nil)) {
			t.Fatalf("one by one %v, in slices %v", one.Columns(nil), slice.Columns(nil))
		}
		for name, d := range map[string]*Decimator{"one": one, "summaries": sums} {
			checkColumns(t, name, d.Columns(nil), good, limit)
		}
		checkColumns(t, "regrouped", Regroup(one.Columns(nil), 3), good, 3)
	})
}

// A reading that is left out must not make full columns merge.
func TestDecimatorMakesNoRoomForNothing(t *testing.T) {
	d := NewDecimator(2)
	for i, v := range []float64{1, math.NaN(), 1, math.NaN()} {
		d.AddSlice([]float64{float64(i)}, []float64{v})
	}
	if c := d.Columns(nil); len(c) != 2 || d.Width() != 1 {
		t.Errorf("%d columns of %d", len(c), d.Width())
	}
}

func checkColumns(t *rapid.T, name string, columns []Summary, v []float64, limit int) {
	if len(columns) > limit {
		t.Fatalf("%s: %d columns, limit %d", name, len(columns), limit)
	}
	var all Summary
	last := math.Inf(-1)
	for _, c := range columns {
		if c.N < 1 || c.TFirst <= last || c.TLast < c.TFirst || c.VMin > min(c.VFirst, c.VLast) || c.VMax < max(c.VFirst, c.VLast) {
			t.Fatalf("%s: column %+v after %g", name, c, last)
		}
		last = c.TLast
		all = all.Merge(c)
	}
	if all.N != len(v) {
		t.Fatalf("%s: %d readings, want %d", name, all.N, len(v))
	}
	if len(v) > 0 && (all.VMin != slices.Min(v) || all.VMax != slices.Max(v) || all.VFirst != v[0] || all.VLast != v[len(v)-1]) {
		t.Fatalf("%s: %+v of %v", name, all, v)
	}
}

// A single spike among a million readings is still there, in a column of a width
// that is a power of two, with at least half of the columns in use.
func TestDecimatorKeepsASpike(t *testing.T) {
	d := NewDecimator(800)
	const n = 1_000_000
	for i := range n {
		v := 1.0
		if i == 123_456 {
			v = 7
		}
		d.Add(float64(i), v)
	}
	columns := d.Columns(nil)
	if len(columns) < 400 || len(columns) > 800 || d.Width()&(d.Width()-1) != 0 {
		t.Errorf("%d columns of %d", len(columns), d.Width())
	}
	spikes := 0
	for _, c := range columns {
		if c.VMax == 7 {
			spikes++
			if c.TFirst > 123_456 || c.TLast < 123_456 {
				t.Errorf("the spike moved to %+v", c)
			}
		}
	}
	if spikes != 1 {
		t.Errorf("%d spikes", spikes)
	}
}

// Drawn column by column, the picked points cover the same pixels as all points:
// the same first, lowest, highest and last of every visit to a pixel column.
func TestPolylineKeepsShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 300).Draw(t, "n")
		px, py := make([]float64, n), make([]float64, n)
		x := 50.0
		for i := range n {
			x += rapid.Float64Range(-0.3, 0.6).Draw(t, "dx")
			px[i], py[i] = x, rapid.Float64Range(0, 100).Draw(t, "y")
			if rapid.IntRange(0, 40).Draw(t, "gap") == 0 {
				py[i] = math.NaN()
			}
		}
		kept := make([]bool, n)
		before := -1
		for _, i := range Polyline(nil, px, py) {
			if i <= before {
				t.Fatalf("index %d after %d", i, before)
			}
			kept[i], before = true, i
		}
		for i := range n {
			if msg := missed(px, py, kept, i); msg != "" {
				t.Fatalf("point %d at %g, %g: %s", i, px[i], py[i], msg)
			}
		}
	})
}

// missed says why the line through the kept points does not show point i: the
// ends of each stretch without a gap are kept, one point of each gap, and
// beside each point left out, less than a pixel away and with no gap between,
// one before it, one after it, one as high and one as low.
func missed(px, py []float64, kept []bool, i int) string {
	gap := func(i int) bool { return i < 0 || i >= len(py) || math.IsNaN(py[i]) }
	switch {
	case kept[i] && gap(i) && i > 0 && gap(i-1):
		return "a second point of a gap is kept"
	case kept[i], gap(i) && i > 0 && gap(i-1):
		return ""
	case gap(i), gap(i - 1), gap(i + 1):
		return "the end of a stretch is left out"
	}
	var before, after, high, low bool
	for _, step := range []int{-1, 1} {
		for j := i + step; !gap(j) && math.Abs(px[j]-px[i]) < 1; j += step {
			if kept[j] {
				before, after = before || j < i, after || j > i
				high, low = high || py[j] >= py[i], low || py[j] <= py[i]
			}
		}
	}
	if before && after && high && low {
		return ""
	}
	return "nothing beside it shows it"
}

// A sweep's own noise takes its points across the edges of pixel columns and
// back; that must not keep them all.
func TestPolylineOfANoisySweep(t *testing.T) {
	const n, pixels = 200_000, 800
	px, py := make([]float64, n), make([]float64, n)
	noise := rand.New(rand.NewPCG(1, 2))
	for i := range n {
		px[i] = pixels*float64(i)/n + 0.1*noise.NormFloat64()
		py[i] = px[i] + 0.1*noise.NormFloat64()
	}
	if got := len(Polyline(nil, px, py)); got > 3*4*pixels {
		t.Errorf("%d of %d points are kept for %d pixels", got, n, pixels)
	}
}

// An up and a down sweep over the same 500 pixels: two branches, few points.
func TestPolylineOfALoop(t *testing.T) {
	var px, py []float64
	const n = 100_000
	for k := range n {
		f := float64(k) / n
		px, py = append(px, 500*(1-math.Abs(2*f-1))), append(py, f)
	}
	idx := Polyline(nil, px, py)
	if len(idx) > 4*1001 || len(idx) < 1000 || idx[0] != 0 || idx[len(idx)-1] != n-1 {
		t.Errorf("%d points", len(idx))
	}
}

func benchReadings() (t, v []float64) {
	t, v = make([]float64, 1<<16), make([]float64, 1<<16)
	for i := range t {
		t[i], v[i] = float64(i), math.Sin(float64(i))
	}
	return t, v
}

func BenchmarkDecimatorAdd(b *testing.B) {
	t, v := benchReadings()
	d := NewDecimator(800)
	b.ReportAllocs()
	for i := range b.N {
		d.Add(t[i&0xffff], v[i&0xffff])
	}
	b.ReportMetric(float64(b.N)/1e6/b.Elapsed().Seconds(), "Mpoints/s")
}

func BenchmarkDecimatorAddSlice(b *testing.B) {
	t, v := benchReadings()
	b.ReportAllocs()
	d := NewDecimator(800)
	for range b.N {
		d.AddSlice(t, v)
	}
	b.ReportMetric(float64(b.N)*float64(len(v))/1e6/b.Elapsed().Seconds(), "Mpoints/s")
}

func BenchmarkPolyline(b *testing.B) {
	_, v := benchReadings()
	px := make([]float64, len(v))
	for i := range px {
		px[i] = 800 * float64(i) / float64(len(px))
	}
	dst := make([]int, 0, 4000)
	b.ReportAllocs()
	for b.Loop() {
		dst = Polyline(dst[:0], px, v)
	}
	b.ReportMetric(float64(b.N)*float64(len(v))/1e6/b.Elapsed().Seconds(), "Mpoints/s")
}
