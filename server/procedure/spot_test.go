package procedure

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// spotOf is a spot of readings of a voltage and a current in a range of known
// offset (a bound) and noise.
func spotOf(offset, noise float64, readings ...[2]float64) *spot {
	errs := bench.NewErrors(&bench.Definition{})
	ch, r := &bench.Channel{ID: 1, Name: "1A"}, bench.Range{FullScale: 10, Offset: offset, Noise: noise}
	sense := &Sense{V: errs.SenseV(ch, r), I: errs.SenseI(ch, r), Cycles: 1}
	var s spot
	for i, r := range readings {
		s.add(&Observation{Sense: sense, Reading: bench.Reading{T: int64(i) * 1e7, V: r[0], I: r[1]}})
	}
	return &s
}

// JCGM 100:2008, H.5 and 4.2: the mean of repeats scatters by s/√n, and what the
// range is accurate to is not made better by repeating.
func TestMeanOfRepeats(t *testing.T) {
	s := spotOf(3e-3, 0, [2]float64{1, 1e-3}, [2]float64{2, 1e-3}, [2]float64{3, 1e-3}, [2]float64{4, 1e-3})
	v, i := s.values()
	near(t, "mean voltage", v.X, 2.5, 1e-15)
	near(t, "its uncertainty", v.Uc(), math.Hypot(3e-3/math.Sqrt(3), math.Sqrt(5.0/3)/2), 1e-12)
	near(t, "mean current", i.X, 1e-3, 1e-18)
	near(t, "its uncertainty: nothing scatters", i.Uc(), 3e-3/math.Sqrt(3), 1e-15)
	one := spotOf(5, 6, [2]float64{7, 8})
	if !one.read() || one.clamped() {
		t.Errorf("%+v", one)
	}
	v, _ = one.values()
	near(t, "one reading", v.Uc(), math.Hypot(5/math.Sqrt(3), 6), 1e-12)
	if new(spot).read() {
		t.Error("nothing was read")
	}
}

// However many repeats there are, the uncertainty never falls below the range's
// accuracy. Scatter counts once it is more than the noise explains; else noise.
func TestScatterOfSpots(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		offset, noise := rapid.Float64Range(0, 1e-2).Draw(t, "offset"), rapid.SampledFrom([]float64{1e-3, 0.1, 30}).Draw(t, "noise")
		vs := rapid.SliceOfN(rapid.Float64Range(-10, 10), 2, 40).Draw(t, "readings")
		var rs [][2]float64
		mean := 0.0
		for _, v := range vs {
			rs = append(rs, [2]float64{v, 0})
			mean += v / float64(len(vs))
		}
		squares := 0.0
		for _, v := range vs {
			squares += (v - mean) * (v - mean)
		}
		n := float64(len(vs))
		scatter := max(math.Sqrt(squares/(n-1)), 0)
		if scatter <= noise*(1+2.33/math.Sqrt(2*(n-1))) {
			scatter = noise
		}
		if len(vs) >= bench.SeriesLeast { // many tell their scatter themselves, and how they resemble each other
			lag := 0.0
			for i := 1; i < len(vs); i++ {
				lag += (vs[i] - mean) * (vs[i-1] - mean)
			}
			u, _ := budget.MeanOfSeries(len(vs), math.Sqrt(squares/(n-1)), lag/squares)
			if u > noise/math.Sqrt(n) {
				scatter = u * math.Sqrt(n)
			}
		}
		want := math.Hypot(offset/math.Sqrt(3), scatter/math.Sqrt(n))
		got, _ := spotOf(offset, noise, rs...).values()
		if math.Abs(got.X-mean) > 1e-12 || math.Abs(got.Uc()-want) > 1e-9*max(want, 1) {
			t.Fatalf("%g ± %g, by two passes %g ± %g", got.X, got.Uc(), mean, want)
		}
	})
}

// Readings go to the spot of their point and pin, whatever order they come in,
// and those of no point of the measurement to none.
func TestReadingsFindTheirSpot(t *testing.T) {
	d := inverterDevice()
	m := base("voltage")
	m.Pins, m.Powered, m.Compliance, m.Repeats = []int{2, 4}, true, 6, 2
	if ps := m.Validate(d); len(ps) > 0 {
		t.Fatal(ps)
	}
	var seen []spot
	s := newSpots(voltageKind, newKit(voltageKind.facts, &m, d, Rule{}), func(_ *kit, spots []spot) []Result {
		seen = spots
		return nil
	})
	for _, o := range []struct {
		point uint32
		pin   uint8
		v     float64
	}{{3, 4, 41}, {0, 2, 21}, {3, 4, 43}, {0, 2, 23}, {0, 4, 99}, {7, 2, 99}, {1 << 31, 2, 99}} {
		s.Add(Observation{Reading: bench.Reading{Point: o.point, Pin: o.pin, V: o.v}})
	}
	s.Results()
	if len(seen) != 6 || seen[0].pin != 2 || seen[3].pin != 4 || seen[0].v.Mean() != 22 || seen[3].v.Mean() != 42 {
		t.Errorf("%+v", seen)
	}
	if !seen[0].whole(&m) || seen[0].v.N() != 2 {
		t.Errorf("two repeats of two: %d", seen[0].v.N())
	}
	m.Repeats = 3
	if seen[0].whole(&m) {
		t.Error("two repeats of three are whole")
	}
}

// Two supplies that are measured at one point are conditions of each other: where
// one is at its compliance, nothing follows from what the other draws.
func TestSupplyBesideOneAtItsCompliance(t *testing.T) {
	d := inverterDevice()
	for i := range d.Pins {
		if d.Pins[i].Number == 5 {
			d.Pins[i].Function = dut.Supply
		}
	}
	m := base("supply-current")
	k := newKit(supplyCurrentKind.facts, &m, d, Rule{})
	at := &spotPoint{}
	one, other := &spot{pin: 6, at: at}, &spot{pin: 5, at: at}
	at.spots = []*spot{one, other}
	if !one.trusted() || k.lost(one) != "" {
		t.Error("neither is at its compliance")
	}
	other.flags = bench.InCompliance
	if one.trusted() || k.lost(one) == "" || k.lost(other) != "" {
		t.Errorf("trusted %v, lost %q and %q", one.trusted(), k.lost(one), k.lost(other))
	}
}
