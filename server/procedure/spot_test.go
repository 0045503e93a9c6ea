package procedure

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
)

// spotOf is a spot of readings of a voltage and a current.
func spotOf(uv, ui float64, readings ...[2]float64) *spot {
	var s spot
	for i, r := range readings {
		s.add(&Observation{UV: uv, UI: ui, Reading: bench.Reading{T: int64(i) * 1e7, V: r[0], I: r[1]}})
	}
	return &s
}

// JCGM 100:2008, H.5 and 4.2: the mean of repeats scatters by s/√n, and what the
// range is accurate to is not made better by repeating.
func TestMeanOfRepeats(t *testing.T) {
	s := spotOf(3e-3, 4e-6, [2]float64{1, 1e-3}, [2]float64{2, 1e-3}, [2]float64{3, 1e-3}, [2]float64{4, 1e-3})
	v, uv := s.vu()
	i, ui := s.iu()
	near(t, "mean voltage", v, 2.5, 1e-15)
	near(t, "its uncertainty", uv, math.Hypot(3e-3, math.Sqrt(5.0/3)/2), 1e-12)
	near(t, "mean current", i, 1e-3, 1e-18)
	near(t, "its uncertainty: nothing scatters", ui, 4e-6, 1e-15)
	if one := spotOf(5, 6, [2]float64{7, 8}); one.read() != true || one.clamped() {
		t.Errorf("%+v", one)
	} else if _, u := one.vu(); u != 5 {
		t.Errorf("one reading is uncertain by %g, want the range's 5", u)
	}
	if new(spot).read() {
		t.Error("nothing was read")
	}
}

// However many repeats there are, the uncertainty never falls below the range's
// accuracy, and it is that of two-pass sums.
func TestScatterOfSpots(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		accuracy := rapid.Float64Range(0, 1e-2).Draw(t, "accuracy")
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
		want := math.Hypot(accuracy, math.Sqrt(squares/(n-1)/n))
		s := spotOf(accuracy, 0, rs...)
		got, u := s.vu()
		if math.Abs(got-mean) > 1e-12 || math.Abs(u-want) > 1e-9 || u < accuracy {
			t.Fatalf("%g ± %g, by two passes %g ± %g", got, u, mean, want)
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
	s := newSpots(voltageKind, newKit(voltageKind.facts, &m, d, 0), func(_ *kit, spots []spot) []Result {
		seen = spots
		return nil
	})
	for _, o := range []struct {
		point uint32
		pin   uint8
		v     float64
	}{{1, 4, 41}, {0, 2, 21}, {1, 4, 43}, {0, 2, 23}, {0, 4, 99}, {7, 2, 99}, {1 << 31, 2, 99}} {
		s.Add(Observation{Reading: bench.Reading{Point: o.point, Pin: o.pin, V: o.v}})
	}
	s.Results()
	if len(seen) != 2 || seen[0].pin != 2 || seen[1].pin != 4 || seen[0].v.Mean() != 22 || seen[1].v.Mean() != 42 {
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
