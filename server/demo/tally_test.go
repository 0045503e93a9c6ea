package demo

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// tally gathers how stated intervals of 95 % lie about the truth, over units and
// benches drawn anew.
type tally struct {
	ratios       []float64 // error over U, of each
	us           float64   // sum of U
	above, below int       // intervals that lie wholly above and below the truth
}

// add counts a value with its U and the ends of its interval, all in one unit.
func (h *tally) add(value, u, from, to, truth float64) {
	h.ratios, h.us = append(h.ratios, (value-truth)/u), h.us+u
	if from > truth {
		h.above++
	}
	if to < truth {
		h.below++
	}
}

// join adds what another tally has counted.
func (h *tally) join(o *tally) {
	h.ratios, h.us = append(h.ratios, o.ratios...), h.us+o.us
	h.above, h.below = h.above+o.above, h.below+o.below
}

// tallied are the figures of a tally.
type tallied struct {
	n            int
	share        float64 // of intervals that hold the truth
	above, below float64 // shares of those that lie above and below it
	z            float64 // mean of error over U/1.96
	sharp        float64 // U over what would just have held 95 %
	u            float64 // mean U
}

func (h *tally) figures() tallied {
	n := float64(len(h.ratios))
	abs := make([]float64, len(h.ratios))
	sum := 0.0
	for i, r := range h.ratios {
		abs[i], sum = math.Abs(r), sum+r
	}
	slices.Sort(abs)
	return tallied{
		n: len(h.ratios), share: 1 - float64(h.above+h.below)/n, above: float64(h.above) / n, below: float64(h.below) / n,
		z: 1.96 * sum / n, sharp: 1 / abs[int(math.Ceil(0.95*n))-1], u: h.us / n,
	}
}

func (f tallied) String() string {
	return fmt.Sprintf("n %5d  in %5.1f %%  above %4.1f %%  below %4.1f %%  z %+5.2f  U %9.3g  sharp %5.2f",
		f.n, 100*f.share, 100*f.above, 100*f.below, f.z, f.u, f.sharp)
}

// The bars of a stated interval of 95 %.
const (
	leastHeld    = 0.93
	mostHeld     = 0.98
	mostTail     = 0.04
	mostMeanZ    = 0.15
	mostSharp    = 1.3
	sureOfCounts = 3.0 // standard deviations of its scatter that a count is allowed
)

// bars are those that a result is held against.
type bars struct {
	mostHeld  float64
	mostSharp float64
	mostMeanZ float64
}

// stated are the bars of every result that nothing else is said of.
var stated = bars{mostHeld, mostSharp, mostMeanZ}

// withCorrections are the bars where the bench's paths were measured. What may have
// changed of them since is assumed, and the rehearsal draws none of it, so that
// intervals hold too much; what was small beside a path (how a curve bends between its
// points, to the same side on all benches) is a third of some intervals now.
var withCorrections = bars{1, 1.6, 0.7}

// misses lists the bars that the figures do not keep, with what a count over so
// many independent benches scatters by. Benches may be fewer than intervals:
// those of one bench share its errors.
func (f tallied) misses(benches int, b bars) []string {
	n := float64(benches)
	slack := func(p float64) float64 { return sureOfCounts * math.Sqrt(p*(1-p)/n) }
	var out []string
	miss := func(is bool, format string, args ...any) {
		if is {
			out = append(out, fmt.Sprintf(format, args...))
		}
	}
	miss(f.share < leastHeld-slack(leastHeld), "%.1f %% of the intervals hold the truth, want %g %%", 100*f.share, 100*leastHeld)
	miss(f.share > b.mostHeld+slack(b.mostHeld), "%.1f %% of the intervals hold the truth, want at most %g %%", 100*f.share, 100*b.mostHeld)
	miss(max(f.above, f.below) > mostTail+slack(mostTail), "%.1f %% lie above the truth and %.1f %% below, want at most %g %%", 100*f.above, 100*f.below, 100*mostTail)
	miss(math.Abs(f.z) > b.mostMeanZ+sureOfCounts/math.Sqrt(n), "the mean z is %.2f, want within %g", f.z, b.mostMeanZ)
	// The 95th percentile scatters by about 1.5/√n for errors between rectangular and normal.
	miss(f.sharp > b.mostSharp*(1+sureOfCounts*1.5/math.Sqrt(n)), "U is %.2f times what would just have held 95 %%, want %g", f.sharp, b.mostSharp)
	return out
}

// The statistics see what they are for: an interval that is right keeps every bar,
// and one that is too narrow, too wide or to one side does not.
func TestTally(t *testing.T) {
	const n = 20000
	of := func(u, shift float64) []string {
		var h tally
		for i := range n {
			p := (float64(i) + 0.5) / n
			e := math.Sqrt2 * math.Erfinv(2*p-1) // of the standard normal distribution, in order
			h.add(e+shift, u, e+shift-u, e+shift+u, 0)
		}
		return h.figures().misses(n, stated)
	}
	if got := of(1.96, 0); len(got) > 0 {
		t.Errorf("true intervals: %q", got)
	}
	for _, c := range []struct {
		u, shift float64
		misses   int
	}{
		{1.5, 0, 2}, // too few, tails
		{2.8, 0, 2}, // too many, not sharp
		{2.2, 0.5, 2},
	} {
		if got := of(c.u, c.shift); len(got) != c.misses {
			t.Errorf("U %g, shifted by %g: %q", c.u, c.shift, got)
		}
	}
}
