package procedure

import (
	"math"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// curveOf is a transfer curve of points 0.1 V apart from 0 V up.
func curveOf(ys ...float64) *transfer {
	t := &transfer{}
	t.room(len(ys))
	for n, y := range ys {
		x := 0.1 * float64(n)
		t.add(&Observation{Reading: bench.Reading{Point: uint32(n), Set: x, V: x, I: 1e-6 * float64(n)}}, true)
		t.add(&Observation{Reading: bench.Reading{Point: uint32(n), V: y}}, false)
	}
	t.close()
	return t
}

// A snap tells no more than its step; a slope that two points share tells where it
// crosses, as well as a straight line between them does.
func TestCrossingKnowsItsStep(t *testing.T) {
	snap, ok := curveOf(0, 0, 5, 5).cross(2.5, 5, follower{})
	near(t, "snap", snap.x, 0.15, 1e-12)
	near(t, "within", snap.half, 0.05, 1e-12)
	near(t, "current there", snap.i, 1.5e-6, 1e-18)
	if !ok {
		t.Error("no crossing")
	}
	slope, _ := curveOf(0, 1, 2, 3, 4, 5).cross(2.5, 5, follower{})
	near(t, "slope", slope.x, 0.25, 1e-12)
	near(t, "a straight line leaves nothing", slope.half, 0, 1e-12)
	// A parabola y = 50 x²: between 0.2 and 0.3 V it is 2 and 4.5 V, and 2.5 V at
	// √0.05 V; the line crosses at 0.22 V.
	bent, _ := curveOf(0, 0.5, 2, 4.5, 8).cross(2.5, 8, follower{})
	near(t, "bent", bent.x, 0.22, 1e-12)
	if miss := math.Abs(math.Sqrt(0.05) - bent.x); miss > bent.half || bent.half > 0.02 {
		t.Errorf("misses by %g, said to be within %g", miss, bent.half)
	}
	// What the output still has to go moves a slope by as much of a step.
	lagging, _ := curveOf(0, 1, 2, 3, 4, 5).cross(2.5, 5, follower{left: 0.05})
	near(t, "lagging", lagging.half, 0.005, 1e-12)
}

// An output that is read before it can have switched shows it some points late:
// the threshold lies further back, by up to as many steps.
func TestLateOutputWidensBackwards(t *testing.T) {
	late, _ := curveOf(0, 0, 0, 0, 5, 5).cross(2.5, 5, follower{points: 2})
	near(t, "high end", late.x+late.half, 0.4, 1e-12)
	near(t, "low end: two steps before the step", late.x-late.half, 0.1, 1e-12)
	if late.note == "" {
		t.Error("nothing is said")
	}
}

// Levels are taken from the nearest point at which they were read back, on either
// side of the crossing.
func TestHeldBy(t *testing.T) {
	c := curveOf(0, 0, 0, 0, 5, 5)
	first, second := &Sense{Drive: 1}, &Sense{Drive: 2}
	for _, h := range []struct {
		before int
		sense  *Sense
		v      float64
	}{{0, first, 5.0}, {0, second, 3.0}, {2, first, 5.2}, {4, first, 5.4}} {
		held := heldAt{before: h.before}
		held.read.add(&Observation{Sense: h.sense, Reading: bench.Reading{V: h.v}})
		c.held = append(c.held, held)
	}
	for _, k := range []struct {
		drive, point int
		behind       bool
		want         float64
	}{{1, 3, false, 5.2}, {1, 3, true, 5.4}, {1, 5, true, 5.4}, {1, 0, false, 5.0}, {2, 3, true, 3.0}} {
		got := c.heldBy(k.drive, k.point, k.behind)
		if got == nil || got.v.Mean() != k.want {
			t.Errorf("%+v: %+v", k, got)
		}
	}
	if c.heldBy(3, 0, true) != nil {
		t.Error("a drive that was never read back has a level")
	}
}

// Gain and offset of the input's range are the same in both directions: the offset
// falls out of the hysteresis, and of the gain the part that both have.
func TestHysteresisCancelsItsRange(t *testing.T) {
	gain := budget.NewSource("gain", budget.Gain, budget.Rectangular, 1e-3)
	offset := budget.NewSource("offset", budget.Offset, budget.Rectangular, 1e-3)
	of := func(key string, x float64) *value {
		return &value{key: key, of: budget.Exact(x).With(gain, x).With(offset, 1)}
	}
	m := thresholdMeasurement(11)
	k := thresholdDeriver{kit: kit{m: &m}}
	h := k.hysteresis([2]*value{of("falling", 1.7), of("rising", 2.8)})
	near(t, "hysteresis", h.of.X, 1.1, 1e-12)
	near(t, "what is left: the gain of 1.1 V", h.of.Uc(), 1.1e-3, 1e-12)
}

// A level that was lost on the way down is one that the hysteresis rests on too.
func TestHysteresisOfALostLevel(t *testing.T) {
	for _, lost := range [][2]string{{"up", ""}, {"", "down"}} {
		d := &thresholdDeriver{kit: kit{m: &Measurement{Pins: []int{1}}}}
		v := d.hysteresis([2]*value{{key: "rising", of: budget.Exact(3), lost: lost[0]}, {key: "falling", of: budget.Exact(2), lost: lost[1]}})
		if v.lost != lost[0]+lost[1] {
			t.Errorf("%q: %q", lost, v.lost)
		}
	}
}

// A threshold is taken to its supply's nominal level in proportion: as that of a CMOS
// input is. One that does not follow at all, or that follows wholly, is within what that
// may be off by.
func TestThresholdIsTakenToItsSupply(t *testing.T) {
	seg := &Segment{Drives: []*Drive{{Pin: 1, Mode: bench.ForceVoltage}, {Pin: 6, Mode: bench.ForceVoltage}}}
	sense := func(drive int) *Sense {
		return &Sense{V: &bench.RangeErrors{}, I: &bench.RangeErrors{}, Segment: seg, Drive: drive}
	}
	const nominal, really = 5.0, 4.9
	for _, part := range []float64{0.36, 0.5, 0.62} {
		m := thresholdMeasurement(11)
		k := thresholdDeriver{kit: kit{m: &m, d: inverterDevice()}, in: sense(0)}
		held := heldAt{}
		held.read.add(&Observation{Sense: sense(1), Reading: bench.Reading{V: really, Set: nominal}})
		got := k.threshold(&transfer{y: []float64{0, 5}, held: []heldAt{held}}, &crossing{x: part * really})
		near(t, "in proportion", got.X, part*nominal, 0.003)
		said := got.State(budget.Coverage)
		for _, follows := range []float64{0, 1} {
			// 0.95 of a rectangle, which has its ends at both.
			if at := part*really + follows*(nominal-really); math.Abs(at-got.X) > said.U/0.95+1e-9 {
				t.Errorf("%g of its supply, follows by %g: %g is not within %g of %g", part, follows, at, said.U, got.X)
			}
		}
	}
}
