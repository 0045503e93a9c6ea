package procedure

import (
	"math"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// A point with a level moved costs a part of the time of one that is measured: here
// an eighth of the settle and a quarter of the aperture. What stands out too little
// from hum, waits until stable or is read over less than a cycle already keeps its
// aperture. A voltage moves by 150 mV where a voltage follows, or by 6 % of itself.
func TestMovedLevelsHurry(t *testing.T) {
	held := func(use Use, level float64) []Hold {
		return []Hold{{Pin: 6, Use: use, Level: level, Compliance: 1}, {Pin: 2, Use: UseCurrent, Compliance: 6}}
	}
	one := Aperture{Cycles: 1}
	for _, c := range []struct {
		name     string
		p        Point
		to       float64
		aperture Aperture
	}{
		{"a voltage", Point{Hold: held(UseVoltage, 5), Aperture: one}, 4.85, Aperture{Cycles: 0.25}},
		{"below zero", Point{Hold: held(UseVoltage, -5), Aperture: one}, -4.85, Aperture{Cycles: 0.25}},
		{"in seconds", Point{Hold: held(UseVoltage, 5), Aperture: Aperture{Seconds: 0.125}}, 4.85, Aperture{Seconds: 0.03125}},
		{"less than a cycle", Point{Hold: held(UseVoltage, 5), Aperture: Aperture{Seconds: 1e-3}}, 4.85, Aperture{Seconds: 1e-3}},
		{"a smaller level", Point{Hold: held(UseVoltage, 1), Aperture: one}, 0.94, Aperture{Cycles: 0.25}},
		{"a small level", Point{Hold: held(UseVoltage, 0.1), Aperture: one}, 0.094, one},
		{"by a current", Point{Hold: held(UseCurrent, 5e-3), Aperture: one}, 4.95e-3, one},
		{"until stable", Point{Hold: held(UseVoltage, 5), Settle: Settle{UntilStable: true}, Aperture: one}, 4.85, one},
		{"a current", Point{Hold: []Hold{{Pin: 2, Use: UseVoltage, Level: 0.5, Compliance: 1}}, Aperture: one}, 0.495, one},
	} {
		c.p.Read, c.p.Settle.Time = []int{2}, 0.08
		l := c.p.levels(true)[0]
		n := c.p.nudged(l, true, hurry{1.0 / 8, 1.0 / 4})
		near(t, c.name+": settle", n.Settle.Time, 0.01, 1e-12)
		near(t, c.name+": level", n.Hold[0].Level, c.to, 1e-12)
		if n.Aperture != c.aperture {
			t.Errorf("%s: aperture %+v, want %+v", c.name, n.Aperture, c.aperture)
		}
		if !n.Auxiliary || n.Count != 1 {
			t.Errorf("%s: %+v", c.name, n)
		}
	}
}

// A segment's settle is that of the points that are measured: those that hurry
// would mark all as not settled.
func TestHurryingPointsDoNotSpeakForOthers(t *testing.T) {
	for _, order := range [][]Point{
		{{Settle: Settle{Time: 0.1}}, {Settle: Settle{Time: 0.01}, Auxiliary: true}, {Settle: Settle{Time: 0.2}}},
		{{Settle: Settle{Time: 0.2}, Auxiliary: true}, {Settle: Settle{Time: 0.01}, Auxiliary: true}, {Settle: Settle{Time: 0.1}}},
		{{Settle: Settle{Time: 0.01}, Auxiliary: true}, {Settle: Settle{Time: 0.2}}, {Settle: Settle{Time: 0.1}}},
	} {
		s := newSegment(nil)
		for i := range order {
			if err := s.add(&order[i], 50); err != nil {
				t.Fatal(err)
			}
		}
		if s.settle.Time != 0.1 {
			t.Errorf("%+v: %g s", order, s.settle.Time)
		}
	}
}

// slowRun measures the voltage of pin 2, which follows pins 6 (5 V) and 1 (2.5 V) by
// the given slopes, both 5 mV too high, where what has come of a change when a level
// was moved falls short of all as its approach says.
func slowRun(t *testing.T, bySix, byOne float64, a approach) Result {
	t.Helper()
	return followedRun(t, func(six, one float64) float64 { return bySix*six + byOne*one }, a)
}

// approach is the parts of a change that are left after it: on average over the
// aperture, and at its end.
type approach struct{ mean, end float64 }

// approaching is that of a voltage where a level was moved, by a time constant, s.
func approaching(tau float64) approach {
	t, over := 30e-3*hurryVoltage.settle, hurryVoltage.aperture/50
	return approach{leftOver(t, over, tau), math.Exp(-(t + over) / tau)}
}

// followedRun is slowRun of a voltage that follows both pins in any way.
func followedRun(t *testing.T, of func(six, one float64) float64, a approach) Result {
	t.Helper()
	d, b := inverterDevice(), checkBench()
	m := base("voltage")
	m.Pins, m.Powered, m.Compliance, m.Settle.Time = []int{2}, true, 6, 30e-3
	m.Hold = []Hold{{Pin: 1, Use: UseVoltage, Level: 2.5, Compliance: 1e-3}}
	step := planOf(t, d, b, m).Steps[0]
	der := Derive(step.Kind, step.Measurement, d, Rule{})
	seg, is := step.Segments[0], math.NaN()
	n := uint32(0)
	for pt := range step.Kind.Points(step.Measurement, d) {
		now := of(holdAt(pt.Hold, 6).Level+5e-3, holdAt(pt.Hold, 1).Level+5e-3)
		end := now
		if pt.Auxiliary {
			now, end = now+a.mean*(is-now), now+a.end*(is-now)
		}
		for _, own := range []bool{true, false} {
			for k, dr := range seg.Drives {
				if dr.Zero || (dr.Pin == 2) != own {
					continue
				}
				h := holdAt(pt.Hold, dr.Pin)
				o := Observation{Reading: bench.Reading{Point: n, Pin: uint8(dr.Pin), Set: h.Level, V: h.Level + 5e-3, Channel: dr.Channel.ID}}
				if own {
					o.V = now
				}
				if !own || pt.Auxiliary {
					o.Flags = bench.Auxiliary
				}
				o.Sense = seg.Sense(k, dr.Setup(h.Level, h.Compliance, bench.Setup{}), pt.Aperture.ApertureSeconds(b.LineHz)*b.LineHz)
				der.Add(o)
			}
		}
		is = end
		n++
	}
	return find(t, der.Results(), "voltage", 2, "")
}

// What follows two levels, read before it had settled after each was moved, is held
// at both levels as they were asked for, with what the bench leaves corrected for.
func TestMovedLevelsThatLag(t *testing.T) {
	for _, by := range [][2]float64{{1, 0}, {0, 1}, {1, 1}, {0.3, 0.7}} {
		truth := 5*by[0] + 2.5*by[1]
		r := slowRun(t, by[0], by[1], approaching(2e-3)) // the loop of the range of 0 A
		if off := math.Abs(r.Value - truth); off > 1e-5*5e-3*(by[0]+by[1]) {
			t.Errorf("slopes %v: %g ± %g V, in truth %g", by, r.Value, r.U, truth)
		}
		at := slowRun(t, by[0], by[1], approach{})
		if off := math.Abs(at.Value - truth); off > 0.2*5e-3*(by[0]+by[1]) || off > at.U {
			t.Errorf("slopes %v, at once: %g ± %g V, in truth %g", by, at.Value, at.U, truth)
		}
	}
}

// The lag is that of the range in use; where the measurement waits longer than that
// needs, up to that of a part for which the wait is just long enough. What had gone
// less than half of the way tells nothing.
func TestLag(t *testing.T) {
	slow, fast := bench.Range{FullScale: 1e-6, LoopTime: 2e-3}, bench.Range{FullScale: 1e-3, LoopTime: 20e-6}
	ch := &bench.Channel{ForceI: []bench.Range{slow, fast}, SenseI: []bench.Range{slow, fast}}
	seg := &Segment{errors: bench.NewErrors(&bench.Definition{LineHz: 50, Channels: []bench.Channel{*ch}}), Drives: []*Drive{{Channel: ch, Mode: bench.ForceCurrent}},
		Conns: []*Conn{{}}, settle: Settle{Time: 30e-3}}
	at := func(r bench.Range) *Sense { return &Sense{I: &bench.RangeErrors{Range: r}, Cycles: 1e-9} }
	most := func(v budget.Value) float64 { return v.X + v.Uc()/budget.Rectangular.FromHalfWidth(1) }
	short := func(left float64) float64 { return left / (1 - left) }
	for _, c := range []struct {
		name         string
		settle       float64 // of the measurement
		in           bench.Range
		expect, upTo float64
	}{
		{"the bench's", 30e-3, slow, short(math.Exp(-1.875)), short(math.Exp(-1.875 / 1.1))},
		{"a slow part", 60e-3, slow, short(math.Exp(-1.875)), short(math.Exp(-0.75))},
		{"a slower part", 36e-3, fast, 0, short(math.Exp(-1.25))},
	} {
		seg.settle.Time, seg.Conns[0].Least = c.settle, c.in.FullScale
		lag, ok := seg.lag(at(c.in), 3.75e-3)
		near(t, c.name, lag.X, c.expect, 1e-12)
		near(t, c.name+", up to", most(lag), c.upTo, 1e-12)
		if again, _ := seg.lag(at(c.in), 3.75e-3); !ok || again.Sub(lag).Uc() != 0 {
			t.Errorf("%s: all points of a drive lag alike", c.name)
		}
	}
	// The mean of exp(-t/τ) from 3.75 to 5.75 ms, two time constants at most.
	seg.settle.Time, seg.Conns[0].Least = 30e-3, slow.FullScale
	long := at(slow)
	long.Cycles = 0.1
	lag, _ := seg.lag(long, 3.75e-3)
	near(t, "over an aperture", lag.X, short(math.Exp(-1.875)-math.Exp(-2.875)), 1e-12)
	if _, ok := seg.lag(at(slow), 1e-3); ok {
		t.Error("less than half of the way")
	}
	seg.settle.UntilStable = true
	if lag, ok := seg.lag(at(slow), 1e-3); !ok || lag.X != 0 || lag.Uc() != 0 {
		t.Errorf("until stable: %+v", lag)
	}
}
