package rehearsal

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"ohmkeep/server/bench"
)

// cumulative is the probability of an error up to x bounds. Densities and
// their integrals: JCGM 101:2008, 6.4; Normal with U = a at k = 2.
func cumulative(d bench.Distribution, x float64) float64 {
	if d == bench.Normal {
		return 0.5 * (1 + math.Erf(2*x/math.Sqrt2))
	}
	switch {
	case x <= -1:
		return 0
	case x >= 1:
		return 1
	case d == bench.Triangular && x < 0:
		return (1 + x) * (1 + x) / 2
	case d == bench.Triangular:
		return 1 - (1-x)*(1-x)/2
	case d == bench.Arcsine:
		return 0.5 + math.Asin(x)/math.Pi
	}
	return (1 + x) / 2
}

// kolmogorov is the largest distance of a sample's distribution from the one
// that it should have, times √n. Above 1.63 lies 1 % of the samples, above 1.95
// 0.1 % (Kolmogorov's limiting distribution).
func kolmogorov(sample []float64, want func(float64) float64) float64 {
	slices.Sort(sample)
	far, n := 0.0, float64(len(sample))
	for i, x := range sample {
		p := want(x)
		far = max(far, p-float64(i)/n, float64(i+1)/n-p)
	}
	return far * math.Sqrt(n)
}

// TestErrorsHaveTheirDistribution: gain and offset of a range over 4000
// benches, in units of the stated accuracy; and no range's gain says anything
// about its offset, or about another range's.
func TestErrorsHaveTheirDistribution(t *testing.T) {
	const benches = 4000
	ch := DefaultBench().Channels[2]
	for _, d := range bench.Distributions() {
		w := ServedWorld()
		w.Distribution = d
		var gains, offsets, others []float64
		for seed := range uint64(benches) {
			c := newChannel(ch, seed, &w)
			gains = append(gains, c.senseV[0].gain.first/ch.SenseV[0].Gain)
			offsets = append(offsets, c.senseV[0].offset.first/ch.SenseV[0].Offset)
			others = append(others, c.forceI[3].gain.first/ch.ForceI[3].Gain)
		}
		for _, pair := range [][2][]float64{{gains, offsets}, {gains, others}} {
			if r := correlation(pair[0], pair[1]); math.Abs(r) > 4/math.Sqrt(benches) {
				t.Errorf("%s: correlation %.3f", d, r)
			}
		}
		for name, sample := range map[string][]float64{"gain": gains, "offset": offsets, "another gain": others} {
			if far := kolmogorov(sample, func(x float64) float64 { return cumulative(d, x) }); far > 1.95 {
				t.Errorf("%s, %s: %.2f from its distribution", d, name, far)
			}
			for _, other := range bench.Distributions() {
				if far := kolmogorov(sample, func(x float64) float64 { return cumulative(other, x) }); other != d && far < 1.95 {
					t.Errorf("%s, %s: cannot be told from %s (%.2f)", d, name, other, far)
				}
			}
		}
	}
}

func correlation(a, b []float64) float64 {
	var ab, aa, bb float64
	for i := range a {
		ab += a[i] * b[i]
		aa += a[i] * a[i]
		bb += b[i] * b[i]
	}
	return ab / math.Sqrt(aa*bb)
}

// TestLargestErrorsStayInPlace: another distribution gives other errors of the
// same order, so that a bench can be compared with itself.
func TestLargestErrorsStayInPlace(t *testing.T) {
	kind, unkind := ServedWorld(), ServedWorld()
	kind.Distribution, unkind.Distribution = bench.Triangular, bench.Arcsine
	ch := DefaultBench().Channels[0]
	for seed := range uint64(50) {
		a, b := newChannel(ch, seed, &kind), newChannel(ch, seed, &unkind)
		for i := range a.senseI {
			x, y := a.senseI[i].gain.first, b.senseI[i].gain.first
			if x*y < 0 || math.Abs(x) > math.Abs(y) {
				t.Fatalf("seed %d range %d: %g triangular, %g arcsine", seed, i, x, y)
			}
		}
	}
}

// TestPathsSpreadEvenly: what a contact adds at each insertion leaves the
// resistance of a path evenly within its tolerance, by a chi-squared test over
// 20 classes (19 degrees of freedom: above 43.8 in 0.1 % of the cases; chi-
// squared table of the e-Handbook, 1.3.6.7.4). So do the leakages.
func TestPathsSpreadEvenly(t *testing.T) {
	def := DefaultBench()
	w := ServedWorld()
	w.Contact = 0.25 // Ω: a good part of the tolerance of 0.4 Ω
	const classes = 20
	kinds := map[string]*[classes]int{}
	count := func(what string, x float64) {
		if !(x >= -1 && x <= 1) {
			t.Fatalf("%s: %g of its tolerance", what, x)
		}
		if kinds[what] == nil {
			kinds[what] = new([classes]int)
		}
		kinds[what][min(int((x+1)/2*classes), classes-1)]++
	}
	const benches = 40
	for seed := range uint64(benches) {
		for i, s := range drawSwitches(&def, seed, &w, "x/1/1") {
			p := &def.Paths[i]
			for _, c := range []struct {
				wire string
				contactor
			}{{"force", s.force}, {"sense", s.sense}} {
				count(fmt.Sprintf("%s of a channel %v", c.wire, p.Channel > 0), (c.on/p.Resistance-1)/p.ResistanceTolerance)
				count("leakage of "+c.wire, (1/c.off/p.Leakage-1)/p.LeakageTolerance)
			}
		}
	}
	for what, found := range kinds {
		n, chi := 0, 0.0
		for _, k := range found {
			n += k
		}
		each := float64(n) / classes
		for _, k := range found {
			chi += (float64(k) - each) * (float64(k) - each) / each
		}
		if chi > 43.8 || n < 1900 {
			t.Errorf("%s: chi-squared %.1f over %d", what, chi, n)
		}
	}
}

// TestUnstatedToleranceSpreadsAsAssumed: a definition without tolerances gets
// paths as far apart as what is assumed of them.
func TestUnstatedToleranceSpreadsAsAssumed(t *testing.T) {
	def := DefaultBench()
	for i := range def.Paths {
		def.Paths[i].ResistanceTolerance, def.Paths[i].LeakageTolerance = 0, 0
	}
	w := ServedWorld()
	var on, off float64
	for i, s := range drawSwitches(&def, 3, &w, "") {
		on = max(on, math.Abs(s.force.on/def.Paths[i].Resistance-1))
		off = max(off, math.Abs(1/s.force.off/def.Paths[i].Leakage-1))
	}
	if on > bench.AssumedResistanceTolerance || on < 0.95*bench.AssumedResistanceTolerance || off > bench.AssumedLeakageTolerance || off < 0.95*bench.AssumedLeakageTolerance {
		t.Errorf("paths deviate by %g, leakages by %g", on, off)
	}
}

// TestFoldedStaysWithin: a folded value is where a ball that bounces between
// the bounds would be.
func TestFoldedStaysWithin(t *testing.T) {
	for _, x := range [][2]float64{{0.3, 0.3}, {1, 1}, {1.2, 0.8}, {-1.2, -0.8}, {2.5, -0.5}, {-2.5, 0.5}, {3, -1}, {3.5, -0.5}, {5, 1}, {-4, 0}, {4.25, 0.25}} {
		near(t, fmt.Sprint(x[0]), folded(2*x[0], 2), 2*x[1], 1e-12)
	}
	if folded(3, 0) != 0 {
		t.Error("no room, and yet it moved")
	}
}

// TestInsertionMovesContacts: each insertion gives every contact another
// resistance, by no more than is ordered; the same one gives the same again.
func TestInsertionMovesContacts(t *testing.T) {
	seat := Seat{Model: "check-load", Seed: 1, PinMap: straight(4)}
	r := newRig(t, Config{Seed: 5, Seat: seat})
	first := r.Truth().Paths
	seat.Insertion = 1
	r.must(r.Seat(seat))
	second := r.Truth().Paths
	moved := map[int]float64{}
	for id, p := range second {
		d := p.Force - first[id].Force
		contact := (int(id)-1)%contacts + 1
		if math.Abs(d) > 2*ServedWorld().Contact || p.ForceLeakage != first[id].ForceLeakage {
			t.Errorf("path %d moved by %g Ω", id, d)
		}
		if id <= contacts { // the paths of one contact move together
			moved[contact] = d
		}
	}
	same := 0
	for id, p := range second {
		if d := p.Force - first[id].Force; math.Abs(d-moved[(int(id)-1)%contacts+1]) < 1e-12 {
			same++
		}
	}
	if len(moved) != contacts || same < 200 {
		t.Errorf("of %d paths %d moved with their contact", len(second), same)
	}
	seat.Insertion = 0
	r.must(r.Seat(seat))
	if got := r.Truth().Paths; got[7] != first[7] || got[200] != first[200] {
		t.Error("the first insertion is another one when it is repeated")
	}
}
