package derive

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

type strdUnivariate struct {
	N         int
	Certified struct {
		Mean num `json:"mean"`
		SD   num `json:"sd_n_minus_1"`
		Lag1 num `json:"lag1_autocorrelation"`
	}
	Data     []num
	DataRule *struct {
		First      num
		ThenRepeat []num `json:"then_repeat"`
		Times      int
	} `json:"data_rule"`
	Exact *struct{ Mean, SD, R1 num } `json:"exact_answer_for_double_precision_inputs"`
}

func (s strdUnivariate) values() []float64 {
	var v []float64
	for _, y := range s.Data {
		v = append(v, float64(y))
	}
	if r := s.DataRule; r != nil {
		v = append(v, float64(r.First))
		for range r.Times {
			for _, y := range r.ThenRepeat {
				v = append(v, float64(y))
			}
		}
	}
	return v
}

// NIST StRD univariate sets; for NumAcc3 and 4, whose inputs are no exact float64
// values, against the exact answer for the rounded inputs.
func TestAccumulatorStRD(t *testing.T) {
	for _, name := range []string{"mavro", "michelso", "lew", "numacc1", "numacc2", "numacc3", "numacc4"} {
		t.Run(name, func(t *testing.T) {
			var s strdUnivariate
			load(t, "nist-strd/"+name+".json", &s)
			y := s.values()
			if len(y) != s.N {
				t.Fatalf("%d values, want %d", len(y), s.N)
			}
			var a Accumulator
			for i, v := range y {
				a.Add(float64(i), v)
			}
			mean, sd, r1 := float64(s.Certified.Mean), float64(s.Certified.SD), float64(s.Certified.Lag1)
			if s.Exact != nil {
				mean, sd, r1 = float64(s.Exact.Mean), float64(s.Exact.SD), float64(s.Exact.R1)
			}
			near(t, "mean", a.Mean(), mean, 1e-15)
			near(t, "SD", a.SD(), sd, 2e-13)
			near(t, "lag 1", a.Lag1(), r1, 2e-13)
			near(t, "certified SD", a.SD(), float64(s.Certified.SD), 1e-8)
		})
	}
}

// The online sums equal the two-pass ones, also far from the first reading.
func TestAccumulatorAgainstTwoPass(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := rapid.SliceOfN(rapid.Float64Range(-1, 1), 3, 60).Draw(t, "y")
		offset := rapid.SampledFrom([]float64{0, 1, -1e3, 1e6}).Draw(t, "offset")
		var a Accumulator
		tt := make([]float64, len(y))
		for i := range y {
			if i > 0 { // the first reading is far away
				y[i] += offset
			}
			tt[i] = 1e9 + 0.1*float64(i)
			a.Add(tt[i], y[i])
		}
		m := mean(y)
		var ss, lag float64
		for i := range y {
			ss += (y[i] - m) * (y[i] - m)
			if i > 0 {
				lag += (y[i] - m) * (y[i-1] - m)
			}
		}
		if ss < 1e-6 {
			return
		}
		tol := 1e-9
		near(t, "SD", a.SD(), math.Sqrt(ss/float64(len(y)-1)), tol)
		if math.Abs(a.Lag1()-lag/ss) > tol {
			t.Fatalf("lag 1 = %g, want %g", a.Lag1(), lag/ss)
		}
		l, err := FitLine(tt, y)
		if err != nil {
			t.Fatal(err)
		}
		slope, sd := a.Drift()
		// What the line leaves over is a difference of sums: where it is small beside
		// them, it is known to fewer digits.
		left := l.SlopeSD * l.SlopeSD * squares(tt) * float64(len(y)-2)
		relative := 1e-5 + 4*0x1p-52*ss/left
		if math.Abs(slope-l.Slope) > 1e-5*l.SlopeSD+1e-9*math.Abs(l.Slope) || math.Abs(sd-l.SlopeSD) > relative*l.SlopeSD+1e-12 {
			t.Fatalf("drift %g ± %g, want %g ± %g", slope, sd, l.Slope, l.SlopeSD)
		}
	})
}

// squares is the sum of squares about the mean.
func squares(x []float64) (sum float64) {
	m := mean(x)
	for _, v := range x {
		sum += (v - m) * (v - m)
	}
	return sum
}

func TestAccumulatorEdges(t *testing.T) {
	var a Accumulator
	if !math.IsNaN(a.Mean()) || !math.IsNaN(a.Min()) || !math.IsNaN(a.SD()) || !math.IsNaN(a.Span()) {
		t.Error("an empty accumulator gives a number")
	}
	a.Add(0, math.NaN())
	a.Add(math.Inf(1), 1)
	if a.N() != 0 || a.Skipped() != 2 {
		t.Errorf("N %d, skipped %d", a.N(), a.Skipped())
	}
	a.Add(1, 5)
	if s, _ := a.Drift(); a.Mean() != 5 || !math.IsNaN(a.SD()) || !math.IsNaN(s) || !math.IsNaN(a.Lag1()) {
		t.Error("one reading")
	}
	a.Add(2, 1e-9)
	a.Add(4, 7)
	if a.Min() != 1e-9 || a.TimeOfMin() != 2 || a.Max() != 7 || a.TimeOfMax() != 4 || a.Last() != 7 || a.Span() != 3 {
		t.Errorf("extremes %+v", a)
	}
}

// NIST SP 1065 (Riley 2008), section 12, nine-point set (from memory, recomputed).
func TestAllanNBS14(t *testing.T) {
	var s struct {
		Data       []float64
		Recomputed map[string]float64
		Published  map[string]num
	}
	load(t, "spc/allan-deviation-nbs14.json", &s)
	got := map[string]float64{
		"allan_dev_m1": Allan(s.Data, 1), "allan_dev_m2": Allan(s.Data, 2),
		"overlapping_m1": AllanOverlapping(s.Data, 1), "overlapping_m2": AllanOverlapping(s.Data, 2),
	}
	if len(s.Recomputed) != len(got) {
		t.Fatal("not every reference value is checked")
	}
	for name, want := range s.Recomputed {
		near(t, name, got[name], want, 1e-14)
		near(t, "printed "+name, got[name], float64(s.Published[name]), 1e-6)
	}
	var stream AllanStream
	for _, y := range s.Data {
		stream.Add(y)
	}
	points := stream.Points(2)
	if len(points) != 3 || points[1].M != 2 || points[1].Tau != 4 || points[1].Pairs != 3 {
		t.Fatalf("%+v", points)
	}
	near(t, "stream m1", points[0].Dev, s.Recomputed["allan_dev_m1"], 1e-13)
	near(t, "stream m2", points[1].Dev, s.Recomputed["allan_dev_m2"], 1e-13)
	if o := AllanOctaves(s.Data, 2); len(o) != 3 || o[1].Dev != got["overlapping_m2"] || o[2].Pairs != 2 {
		t.Errorf("%+v", o)
	}
}

// The stream gives what the batch computation gives at every octave.
func TestAllanStreamEqualsBatch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := rapid.SliceOfN(rapid.Float64Range(-1, 1), 0, 200).Draw(t, "y")
		var a AllanStream
		for i := range y {
			y[i] += 1e6
			a.Add(y[i])
		}
		points := a.Points(1)
		for k := 0; ; k++ {
			want := Allan(y, 1<<k)
			if math.IsNaN(want) {
				if len(points) != k {
					t.Fatalf("%d octaves, want %d", len(points), k)
				}
				return
			}
			if math.Abs(points[k].Dev-want) > 1e-12+1e-9*want {
				t.Fatalf("m = %d: %g, want %g", 1<<k, points[k].Dev, want)
			}
		}
	})
}

func TestAddDoesNotAllocate(t *testing.T) {
	var a Accumulator
	var s AllanStream
	x := 0.0
	if n := testing.AllocsPerRun(5000, func() { x++; a.Add(x, x); s.Add(x) }); n != 0 {
		t.Errorf("%g allocations per reading", n)
	}
}

func BenchmarkAccumulator(b *testing.B) {
	var a Accumulator
	b.ReportAllocs()
	for i := range b.N {
		a.Add(float64(i), float64(i&1023))
	}
}

func BenchmarkAllanStream(b *testing.B) {
	var a AllanStream
	b.ReportAllocs()
	for i := range b.N {
		a.Add(float64(i & 1023))
	}
}

// TestResidualsAboutTheLine holds both figures against the residuals written out.
func TestResidualsAboutTheLine(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int{3, 10, 101, 2000} {
		var a Accumulator
		y, prev := make([]float64, n), 0.0
		for i := range y {
			prev = 0.6*prev + rng.NormFloat64()
			y[i] = 1e3 + 0.02*float64(i) + prev
			a.Add(5+0.25*float64(i), y[i])
		}
		slope, _ := a.Drift()
		var mean float64
		for _, v := range y {
			mean += v / float64(n)
		}
		res := make([]float64, n)
		var ss, lag float64
		for i := range y {
			res[i] = y[i] - mean - slope*0.25*(float64(i)-float64(n-1)/2)
			ss += res[i] * res[i]
			if i > 0 {
				lag += res[i] * res[i-1]
			}
		}
		if want, got := math.Sqrt(ss/float64(n-2)), a.ResidualSD(); math.Abs(got-want) > 1e-9*want {
			t.Errorf("n %d: standard deviation %g, want %g", n, got, want)
		}
		if want, got := lag/ss, a.ResidualLag1(); math.Abs(got-want) > 1e-9 {
			t.Errorf("n %d: autocorrelation %g, want %g", n, got, want)
		}
	}
	var line Accumulator
	for i := range 10 {
		line.Add(float64(i), 2*float64(i))
	}
	if sd, r := line.ResidualSD(), line.ResidualLag1(); !(sd < 1e-12) || !math.IsNaN(r) {
		t.Errorf("a line: %g, %g", sd, r)
	}
	var few Accumulator
	few.Add(0, 1)
	few.Add(1, 2)
	if !math.IsNaN(few.ResidualSD()) || !math.IsNaN(few.ResidualLag1()) {
		t.Error("two readings have residuals")
	}
}
