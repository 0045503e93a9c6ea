package procedure

import (
	"math"
	"strings"
	"testing"
)

func TestWholeCycles(t *testing.T) {
	for cycles, want := range map[float64]bool{1: true, 2: true, 10: true, 0.999: true, 1.02: false, 0.05: false, 0.5: false, 2.5: false, 0: false} {
		if wholeCycles(cycles) != want {
			t.Errorf("%g cycles", cycles)
		}
	}
	if w := humWords(0.05, 50); !strings.Contains(w, "1 ms") || !strings.Contains(w, "hum") {
		t.Errorf("%q", w)
	}
	if humWords(1, 50) != "" || humWords(0, 50) != "" {
		t.Error("a whole cycle has hum")
	}
}

// Table of settling errors: after 7 time constants 0.091 % of a step is left, after
// 5 0.67 %; while the capacitance is charged, all of it.
func TestWhatIsLeftOfSettling(t *testing.T) {
	s := settling{tau: 2e-3, charge: 1e-3}
	near(t, "charging", s.left(0.5e-3), 1, 0)
	near(t, "5", s.left(11e-3), 6.74e-3, 1e-5)
	near(t, "7", s.left(15e-3), 0.912e-3, 1e-6)
	near(t, "need", s.need(7), 15e-3, 1e-15)
	near(t, "no time constant", settling{}.left(0), 0, 0)
	// A time constant that is known to 10 % may be 10 % longer.
	near(t, "unsettled", settling{tau: 2e-3}.unsettled(Settle{Time: 14e-3}), math.Exp(-7/1.1), 1e-12)
	near(t, "until stable", s.unsettled(Settle{UntilStable: true, Tolerance: 1e-4}), 1e-4, 0)
}

// The settle that a measurement is given leaves less than a part in 100,000 of any
// change on its bench, is no shorter than what was asked for, and is not warned of.
func TestSettleForLeavesNothing(t *testing.T) {
	d, b := networkDevice(), checkBench()
	m := sweepMeasurement(UseCurrent, Sweep{Spacing: Log, From: 0.5e-6, To: 1e-3, Points: 3}, 4)
	m.Settle.Time = 1e-3
	step := planOf(t, d, b, m).Steps[0]
	got := SettleFor(step)
	for _, seg := range step.Segments {
		for k, dr := range seg.Drives {
			if left := seg.settlingOf(k).left(got.Time); dr.Power == nil && left > 1e-5 {
				t.Errorf("pin %d: %g is left after %g s", dr.Pin, left, got.Time)
			}
		}
	}
	if got.Time < 24e-3 {
		t.Errorf("%g s on a range of 2 ms a time constant", got.Time)
	}
	m.Settle.Time = 10
	if got := SettleFor(planOf(t, d, b, m).Steps[0]); got.Time != 10 {
		t.Errorf("a longer wait is cut to %g s", got.Time)
	}
}
