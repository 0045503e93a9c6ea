package procedure

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
)

// switching is a part whose output answers its input: high above rise on the way
// up, low below fall on the way down, by a slope of gain or, at 0, at once.
func switching(input, output int, high, rise, fall, gain float64) truth {
	last := math.Inf(-1)
	up := true
	return func(hold []Hold, pin int) (v, i float64, flags bench.Flags) {
		x := holdAt(hold, input).Level
		if x != last {
			up, last = x > last, x
		}
		if pin != output {
			return x, 0, 0
		}
		at := fall
		if up {
			at = rise
		}
		if gain == 0 {
			if x > at {
				return high, 0, 0
			}
			return 0, 0, 0
		}
		return min(max(high/2+gain*(x-at), 0), high), 0, 0
	}
}

// hysteresisOf measures the thresholds of pin 1 by a sweep up and down again.
func hysteresisOf(points int) Measurement {
	m := base("threshold")
	m.Pins, m.Observe, m.Powered, m.Compliance = []int{1}, 2, true, 1e-3
	m.Sweep = &Sweep{Spacing: Linear, From: 0, To: 5, Points: points, Back: true}
	return m
}

// resultsByKey are results of one pin by their key.
func resultsByKey(rs []Result) map[string]Result {
	out := map[string]Result{}
	for _, r := range rs {
		out[r.Key] = r
	}
	return out
}

// The true thresholds of any switching part lie within what is stated: at once
// somewhere between two levels of the sweep, and where its slope crosses the
// middle otherwise. The hysteresis is their difference.
func TestThresholdsHoldTheTruth(t *testing.T) {
	d := inverterDevice()
	rapid.Check(t, func(t *rapid.T) {
		fall := rapid.Float64Range(0.5, 4).Draw(t, "fall")
		rise := fall + rapid.Float64Range(0, 0.8).Draw(t, "hysteresis")
		high := rapid.Float64Range(0.5, 5).Draw(t, "high")
		gain := rapid.SampledFrom([]float64{0, 20, 100}).Draw(t, "gain") * high
		n := rapid.IntRange(26, 501).Draw(t, "points")
		got := resultsByKey(feedQuietly(t, hysteresisOf(n), d, switching(1, 2, high, rise, fall, gain)))
		step := 5 / float64(n-1)
		for key, want := range map[string]float64{"rising": rise, "falling": fall, "hysteresis": rise - fall} {
			r, ok := got[key]
			if !ok {
				t.Fatalf("no %s in %+v", key, got)
			}
			half := step / 2
			if key == "hysteresis" {
				half = step
			}
			// A rectangular distribution one step wide has 95 % of itself within 0.95
			// of half a step; two of them within 0.78 of a whole one (a triangle).
			least := 0.95 * half
			if key == "hysteresis" {
				least = (1 - math.Sqrt(0.05)) * half
			}
			if math.Abs(r.Value-want) > half*(1+1e-9) || gain == 0 && r.U < least*0.999 {
				t.Fatalf("%s is %g ± %g, in truth %g: steps of %g", key, r.Value, r.U, want, step)
			}
			if r.Outcome != derive.NoLimits || r.Pin != 1 || r.Note != "" {
				t.Fatalf("%s: %+v", key, r)
			}
		}
	})
}

// An output that does not move, or by less than any logic swings, has no
// threshold: the end of the sweep is stated as what it lies beyond, and no
// hysteresis at all.
func TestNoSwitchNoThreshold(t *testing.T) {
	d := inverterDevice()
	for name, part := range map[string]truth{
		"stuck":            switching(1, 2, 5, 9, 9, 0),
		"a twitch":         switching(1, 2, 0.05, 2, 2, 0),
		"beyond the sweep": switching(1, 2, 5, 5.2, 5.1, 0),
	} {
		got := resultsByKey(feed(t, hysteresisOf(101), d, 0, accuracy{uv: 1e-6, ui: 1e-9}, part))
		if _, has := got["hysteresis"]; has {
			t.Errorf("%s: a hysteresis of %+v", name, got["hysteresis"])
		}
		for key, end := range map[string]float64{"rising": 5, "falling": 0} {
			r := got[key]
			if r.Value != end || r.Outcome != derive.Untrusted || !strings.Contains(r.Note, "2 1Y did not switch between 0 V and 5 V") {
				t.Errorf("%s: %s is %+v", name, key, r)
			}
		}
	}
}

// With limits the end of the sweep decides where the truth lies beyond it: a
// rising threshold above 5 V fails a limit of 3 V and says nothing of one at 6 V.
func TestBeyondTheSweep(t *testing.T) {
	d := inverterDevice()
	for _, c := range []struct {
		high float64
		want derive.Outcome
	}{{3, derive.Fail}, {6, derive.Invalid}} {
		m := hysteresisOf(101)
		m.Limits = map[string]Limit{"rising": {High: &c.high}}
		r := resultsByKey(feed(t, m, d, 0, accuracy{uv: 1e-6, ui: 1e-9}, switching(1, 2, 5, 9, -9, 0)))["rising"]
		if r.Outcome != c.want {
			t.Errorf("a limit of %g V: %q, want %q", c.high, r.Outcome, c.want)
		}
	}
}

// The end of a sweep is where it was read to be, with what that is off by: just
// beyond a limit it is a conditional fail where the rule keeps a guard band.
func TestEndOfTheSweepIsJudgedByTheRule(t *testing.T) {
	d := inverterDevice()
	high := 4.999
	m := hysteresisOf(101)
	m.Limits = map[string]Limit{"rising": {High: &high}}
	for _, c := range []struct {
		guard, u float64
		want     derive.Outcome
	}{{0, 5e-3, derive.Fail}, {1, 5e-3, derive.ConditionalFail}, {1, 1e-4, derive.Fail}} {
		r := resultsByKey(feed(t, m, d, c.guard, accuracy{uv: c.u, ui: 1e-9, steady: true}, switching(1, 2, 5, 9, -9, 0)))["rising"]
		if r.Outcome != c.want || math.Abs(r.Value-5) > 1e-9 || !(r.U >= c.u) {
			t.Errorf("w = %g U, ± %g V: %g ± %g is %q, want %q", c.guard, c.u, r.Value, r.U, r.Outcome, c.want)
		}
	}
}

// An output that passes the middle several times is said to: the first passage
// counts.
func TestOscillationIsSaid(t *testing.T) {
	d := inverterDevice()
	m := hysteresisOf(101)
	m.Sweep.Back = false
	ringing := func(hold []Hold, pin int) (v, i float64, flags bench.Flags) {
		x := holdAt(hold, 1).Level
		if pin != 2 {
			return x, 0, 0
		}
		if x > 2 && x < 2.2 || x > 2.4 {
			return 5, 0, 0
		}
		return 0, 0, 0
	}
	r := resultsByKey(feed(t, m, d, 0, accuracy{uv: 1e-6, ui: 1e-9}, ringing))["rising"]
	if math.Abs(r.Value-2) > 0.05 || !strings.Contains(r.Note, "passes the middle 3 times") {
		t.Errorf("%+v", r)
	}
}

// A first output of exactly 0 V is a level like any other: the swing starts at it.
func TestFirstOutputAtZero(t *testing.T) {
	c := &transfer{}
	c.room(3)
	for k, y := range []float64{0, 2, 5} {
		for _, input := range []bool{true, false} {
			v := float64(k)
			if !input {
				v = y
			}
			c.add(&Observation{Reading: bench.Reading{Point: uint32(k), Set: float64(k), V: v}}, input)
		}
	}
	c.close()
	if c.low != 0 || c.high != 5 {
		t.Errorf("the output goes from %g to %g V, want 0 to 5", c.low, c.high)
	}
}
