package procedure

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// leakyBench is a bench whose every switch leaks differently, and a part with
// pins on some of its contacts.
func leakyBench(r *rand.Rand, tolerance float64) (*bench.Definition, *dut.Device, *bench.PinMap) {
	b := checkBench()
	b.Contacts = 9
	b.Paths = nil
	for c := 1; c <= b.Contacts; c++ {
		for ch := 0; ch <= len(b.Channels); ch++ {
			b.Paths = append(b.Paths, bench.Path{ID: bench.PathID(len(b.Paths) + 1), Channel: bench.ChannelID(ch), Contact: c,
				Resistance: 4, Leakage: 1e-11 * (0.5 + r.Float64()), LeakageTolerance: tolerance, Kelvin: ch > 0 && ch%2 == 1})
		}
	}
	d := networkDevice()
	return b, d, straight(d)
}

// conducted solves the whole network of open switches, every contact and line a
// node of its own, for what leads from drive k to each potential, S.
func conducted(p *Planner, seg *Segment, k int) []float64 {
	b := p.bench
	s := p.around(seg)
	channels, n := len(b.Channels), 1+len(b.Channels)+b.Contacts
	held := make([]int, n) // place of the potential that a node is at, -1: free
	for i := range held {
		held[i] = -1
	}
	held[0] = toReturn - toUnknown
	for k, d := range seg.Drives {
		held[d.Channel.ID] = k - toUnknown
	}
	for c := 1; c <= b.Contacts; c++ {
		if p.occupied[c] {
			held[channels+c] = s.contacts[c] - toUnknown
		}
	}
	y := mat.NewDense(n, n, nil)
	for i := range b.Paths {
		o := &b.Paths[i]
		at := [2]int{int(o.Channel), channels + o.Contact}
		if h := held[at[0]]; h >= 0 && h == held[at[1]] {
			continue
		}
		for s := range 2 {
			y.Set(at[s], at[s], y.At(at[s], at[s])+p.openSwitch(o))
			y.Set(at[s], at[1-s], y.At(at[s], at[1-s])-p.openSwitch(o))
		}
	}
	out := make([]float64, len(seg.Drives)-toUnknown)
	for j := range out {
		a, x, v := mat.DenseCopyOf(y), mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
		for i, h := range held {
			if h < 0 {
				continue
			}
			a.SetRow(i, make([]float64, n))
			a.Set(i, i, 1)
			if h == j {
				x.SetVec(i, 1)
			}
		}
		if err := v.SolveVec(a, x); err != nil {
			panic(err)
		}
		var i mat.VecDense
		i.MulVec(y, v)
		for node, h := range held {
			if h == k-toUnknown {
				out[j] -= i.AtVec(node)
			}
		}
	}
	return out
}

// TestLeaksAreThoseOfTheNetwork: what is said to leak from a drive to each
// potential, and how well that is known, is what the network of all switches
// gives that is solved as a whole.
func TestLeaksAreThoseOfTheNetwork(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const tolerance = 1e-4 // small: what its square does is another matter
	for range 20 {
		b, d, pm := leakyBench(r, tolerance)
		m := base("resistance")
		m.Pins, m.Against, m.Use, m.Level, m.Compliance, m.Method = []int{1}, 4, UseCurrent, 1e-6, 5, TwoWire
		m.Hold = []Hold{{Pin: 2, Use: UseVoltage, Level: 1, Compliance: 1e-3}, {Pin: 3, Use: UseOpen}}
		p := NewPlanner(d, pm, b)
		step, err := p.Step(0, &m, resistanceKind, nil)
		if err != nil {
			t.Fatal(err)
		}
		seg := step.Segments[0]
		for k := range seg.Drives {
			want := conducted(p, seg, k)
			spread := make([]float64, len(want)) // of each, S²
			for i := range b.Paths {
				o := &b.Paths[i]
				was := o.Leakage
				o.Leakage *= 1 + 1e-3
				slope := conducted(p, seg, k)
				o.Leakage = was
				for j := range want {
					by := (slope[j] - want[j]) / (1e-3 * p.openSwitch(o))
					spread[j] += by * by * p.spreadOf(o)
				}
			}
			for _, l := range seg.Drives[k].Leaks {
				j := l.To - toUnknown
				if math.Abs(l.Siemens.X-want[j]) > 1e-6*want[j] {
					t.Errorf("drive %d to %d: %g S, want %g", k, l.To, l.Siemens.X, want[j])
				}
				if u := math.Sqrt(spread[j]); math.Abs(l.Siemens.Uc()-u) > 0.02*u {
					t.Errorf("drive %d to %d: u %g S, want %g", k, l.To, l.Siemens.Uc(), u)
				}
				want[j] = 0
			}
			for j, left := range want {
				if j != k-toUnknown && math.Abs(left) > 1e-20 {
					t.Errorf("drive %d: %g S to %d are left out", k, left, j+toUnknown)
				}
			}
		}
	}
}

// TestStarIsWhatItsSpreadLeaves: the mean of what a star conducts over switches
// drawn within their tolerance is not what it conducts with the stated ones.
func TestStarIsWhatItsSpreadLeaves(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const tolerance = 0.5
	s, stated := star{}, []float64{20, 10, 20, 10, 10}
	for _, g := range stated {
		a := arm{&bench.Path{}, 0, g, tolerance * tolerance * g * g / 3}
		s.arms = append(s.arms, a)
		s.sum += a.siemens
		s.variance += a.variance
	}
	const trials = 400_000
	mean := 0.0
	for range trials {
		sum, g := 0.0, [5]float64{}
		for i, x := range stated {
			g[i] = x * (1 + tolerance*(2*r.Float64()-1))
			sum += g[i]
		}
		mean += g[0] * g[4] / sum / trials
	}
	plain := 20.0 * 10 / 70
	if got := s.between(s.arms[0], s.arms[4]); math.Abs(got-mean) > 0.1*math.Abs(plain-mean) || math.Abs(plain-mean) < 0.01*plain {
		t.Errorf("%g, of the mean %g; without the spread %g", got, mean, plain)
	}
}

// What leaks at the contacts of open pins is all that their switches conduct, to
// whatever their lines are at.
func TestBeyondIsWhatOpenPinsLeak(t *testing.T) {
	b, d, pm := leakyBench(rand.New(rand.NewPCG(5, 5)), 0.5)
	m := base("resistance")
	m.Pins, m.Against, m.Method, m.Use, m.Level, m.Compliance = []int{1}, 2, TwoWire, UseCurrent, 1e-7, 10
	p := NewPlanner(d, pm, b)
	step, err := p.Step(0, &m, resistanceKind, nil)
	if err != nil {
		t.Fatal(err)
	}
	seg := step.Segments[0]
	var all, want float64
	for _, siemens := range seg.beyond {
		all += siemens
	}
	for i := range b.Paths {
		if o := &b.Paths[i]; o.Contact == pm.Contacts[3] || o.Contact == pm.Contacts[4] {
			want += p.openSwitch(o)
		}
	}
	near(t, "all that leaks at pins 3 and 4", all, want, 1e-9*want)
	at := solveFor(seg, func(int) (v, i budget.Value, ok bool) { return budget.Exact(2), budget.Exact(1e-7), true })
	if leak := at.beyond(0); !(leak > 0 && leak < 2*want) {
		t.Errorf("%g A leak at 2 V, want some of at most %g", leak, 2*want)
	}
	// With the other pins held there is nothing beyond.
	m.Hold = []Hold{{Pin: 3, Use: UseReturn}, {Pin: 4, Use: UseReturn}}
	if step, err = p.Step(0, &m, resistanceKind, nil); err != nil || step.Segments[0].beyond != nil {
		t.Errorf("%v, %v", step.Segments[0].beyond, err)
	}
}
