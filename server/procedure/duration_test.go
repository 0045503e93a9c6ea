package procedure

import (
	"testing"

	"ohmkeep/server/bench"
)

var testBench = &bench.Definition{LineHz: 50, SwitchTime: 1e-3}

func TestEstimate(t *testing.T) {
	d := inverterDevice()
	ramp := 2*10e-3 + 5e-3
	for _, c := range []struct {
		name string
		m    func() Measurement
		want Estimate
	}{
		{"contact of four pins, two points each, one connection a pin", func() Measurement { return contactKind.Default(d) },
			Estimate{Points: 8, Readings: 8, Switching: 4 * 2e-3, Settling: 8 * 2e-3, Reading: 8 * 20e-3}},
		{"sweep of a thousand points and back, three readings each", func() Measurement {
			m := sweepKind.Default(d)
			m.Sweep.Points, m.Sweep.Back, m.Repeats = 1000, true, 3
			return m
		}, Estimate{Points: 2000, Readings: 6000, Switching: 2e-3, Settling: 2000 * 2e-3, Reading: 6000 * 20e-3}},
		{"threshold: two pins read together", func() Measurement { return thresholdKind.Default(d) },
			Estimate{Points: 502, Readings: 1004, Switching: 2e-3, Settling: 502 * 2e-3, Reading: 502 * 20e-3, Ramp: ramp}},
		{"watch: the interval counts, not the aperture", func() Measurement { return watchKind.Default(d) },
			// and four single readings beside it, with the supply moved, twice, and not
			Estimate{Points: 5, Readings: 105, Switching: 2e-3, Settling: 5 * 2e-3, Reading: 10 + 5*20e-3, Ramp: ramp}},
		{"until stable: one reading more", func() Measurement {
			m := voltageKind.Default(d)
			m.Settle = Settle{Time: 2e-3, UntilStable: true, Tolerance: 1e-3, Within: 1}
			return m
		}, Estimate{Points: 6, Readings: 6, Switching: 4e-3, Settling: 2*2e-3 + 4*0.2e-3 + 6*20e-3, Reading: 6 * 20e-3, Ramp: ramp}}, // each pin again with the supply moved, twice
		{"disabled", func() Measurement { m := contactKind.Default(d); m.Disabled = true; return m }, Estimate{}},
	} {
		m := c.m()
		if ps := m.Validate(d); len(ps) > 0 {
			t.Fatalf("%s: %v", c.name, ps)
		}
		got := m.Estimate(d, testBench)
		if got.Points != c.want.Points || got.Readings != c.want.Readings {
			t.Errorf("%s: %+v", c.name, got)
		}
		near(t, c.name+": switching", got.Switching, c.want.Switching, 1e-12)
		near(t, c.name+": settling", got.Settling, c.want.Settling, 1e-9)
		near(t, c.name+": reading", got.Reading, c.want.Reading, 1e-9)
		near(t, c.name+": ramp", got.Ramp, c.want.Ramp, 1e-12)
		near(t, c.name+": total", got.Total(), got.Switching+got.Settling+got.Reading+got.Ramp, 0)
	}
}

// A million points are estimated without being expanded.
func TestEstimateLongSweep(t *testing.T) {
	d := inverterDevice()
	m := sweepKind.Default(d)
	m.Sweep.Points = MaxPoints
	if n := testing.AllocsPerRun(10, func() { m.Estimate(d, testBench) }); n > 0 {
		t.Errorf("%g allocations", n)
	}
	if e := m.Estimate(d, testBench); e.Points != MaxPoints {
		t.Errorf("%+v", e)
	}
}

func longSweep(points int) Measurement {
	m := sweepKind.Default(inverterDevice())
	m.Sweep.Points = points
	return m
}

// A sweep of 100,000 points leaves no garbage behind for each of them.
func TestPointsShareMemory(t *testing.T) {
	d, m := inverterDevice(), longSweep(100_000)
	n := testing.AllocsPerRun(3, func() {
		for p := range sweepKind.Points(&m, d) {
			_ = p
		}
	})
	if n > 1000 {
		t.Errorf("%g allocations for 100,000 points", n)
	}
}

func BenchmarkPoints(b *testing.B) {
	d, m := inverterDevice(), longSweep(100_000)
	b.ReportAllocs()
	for b.Loop() {
		for p := range sweepKind.Points(&m, d) {
			_ = p
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/100_000, "ns/point")
}

func BenchmarkSweepDerive(b *testing.B) {
	d, m := inverterDevice(), longSweep(100_000)
	obs := observations(b, m, d, accuracy{uv: 1e-3, ui: 1e-9}, resistor(1e3))
	der := sweepKind.Derive(&m, d, Rule{Guard: 1})
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		der.Add(obs[i%len(obs)])
		i++
	}
}
