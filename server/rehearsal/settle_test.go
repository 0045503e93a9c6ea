package rehearsal

import (
	"math"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

func nanos(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// TestSettlingLeavesItsPart reads after n time constants and compares what is
// left of the step with the table of exp(-n) (first-order step response,
// computed).
func TestSettlingLeavesItsPart(t *testing.T) {
	const ohms, amps = 10e6, 0.1e-6
	const window = 10e-6 // s; the mean over it is that of its middle to 1 part in 1e6
	for _, row := range table(t, "settling.csv") {
		n, left := row[0], row[1]
		if math.IsNaN(n) {
			n = -math.Log(left)
		}
		var tau float64
		r := newRig(t, Config{
			World: asStated(), Seat: Seat{PinMap: straight(2), place: resistor(ohms)},
			OnSolve: func(s Solved) { tau = s.Channels[1].Tau },
		})
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceI(0, 5))
		r.wait(time.Second)
		before := r.read(2, nanos(window))
		r.must(r.Set(t.Context(), 2, forceI(amps, 5)))
		// Loop of the 1 µA range, and 10 MΩ at cable and contact.
		near(t, "tau", tau, 2e-3+ohms*150e-12, 0.01*tau)
		r.wait(nanos(n*tau - window/2))
		then := r.read(2, nanos(window))
		r.wait(time.Second)
		after := r.read(2, nanos(window))
		got := (after.V - then.V) / (after.V - before.V)
		near(t, "part left", got, left, 1e-5*left+1e-12)
		near(t, "part of I left", (after.I-then.I)/(after.I-before.I), left, 1e-5*left+1e-12)
	}
}

// TestApertureIntegrates: the mean of a decay over its first time constant is
// 1 - 1/e of the step, by calculus.
func TestApertureIntegrates(t *testing.T) {
	p := newTransit(0, 1, 0, 0, 1, 1e-3, 0)
	v, i := p.mean(0, 1e-3)
	near(t, "V", v, 1-math.Exp(-1), 1e-14)
	near(t, "I", i, math.Exp(-1), 1e-14)
	v, _ = p.mean(-1e-3, 1e-3) // half of it before the start
	near(t, "V from before", v, (1+1-math.Exp(-1))/2, 1e-14)
	// Numerically, with a slew limit, against the sum of many instants.
	p = newTransit(0, 0, 0, 5, 0, 100e-6, 2e3)
	sum := 0.0
	const steps = 100000
	for k := range steps {
		v, _ := p.at((float64(k) + 0.5) * 1e-3 / steps)
		sum += v / steps
	}
	v, _ = p.mean(0, 1e-3)
	near(t, "with a slew limit", v, sum, 1e-8)
	a, _ := p.at(p.corner[0] - 1e-9)
	b, _ := p.at(p.corner[0] + 1e-9)
	near(t, "no step at the corner", a, b, 1e-4)
}

// TestChargingTakesItsTime: 1 µA charges 150 pF by 6.67 V/ms.
func TestChargingTakesItsTime(t *testing.T) {
	r := newRig(t, Config{World: asStated(), Seat: Seat{Model: "empty", PinMap: straight(2)}})
	r.wire(path(2, 1))
	r.on(2, forceV(0, 1e-6))
	r.wait(time.Second)
	r.must(r.Set(t.Context(), 2, bench.Setup{Mode: bench.ForceVoltage, Level: 10, Compliance: 1e-6, SenseRange: 1e-3}))
	r.wait(295 * time.Microsecond)
	s := r.read(2, 10*time.Microsecond)
	near(t, "V on the way", s.V, 1e-6/150e-12*300e-6, 1e-3)
	if !s.Flags.Has(bench.InCompliance) {
		t.Error("charging at the limit is not flagged")
	}
	r.wait(10 * time.Millisecond)
	if s = r.read(2, cycle); s.Flags != 0 {
		t.Errorf("settled: %+v", s)
	}
	near(t, "V there", s.V, 10, 1e-6)
}

// TestLowRangesAreSlower: the same step, read after the same time.
func TestLowRangesAreSlower(t *testing.T) {
	left := func(rng float64) float64 {
		r := newRig(t, Config{World: asStated(), Seat: Seat{PinMap: straight(2), place: resistor(1e6)}})
		r.wire(path(2, 1), path(0, 2))
		s := forceV(0, rng)
		r.on(2, s)
		r.wait(time.Second)
		s.Level = 0.1
		r.must(r.Set(t.Context(), 2, s))
		r.wait(100 * time.Microsecond)
		return 1 - r.read(2, 10*time.Microsecond).V/0.1
	}
	low, middle, high := left(1e-6), left(10e-6), left(1e-3)
	if !(low > 0.9 && middle > 0.5 && middle < low && high < 0.01 && high > 0) {
		t.Errorf("left after 100 µs: %g, %g, %g", low, middle, high)
	}
}

// TestOneTauReadsWrong: who does not wait gets a wrong value without a flag,
// as on a real bench.
func TestOneTauReadsWrong(t *testing.T) {
	r := withResistor(t, 3, 10e6)
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceI(0.1e-6, 5))
	hasty := r.read(2, 100*time.Microsecond)
	r.wait(time.Second)
	patient := r.read(2, cycle)
	if hasty.V > 0.2*patient.V || hasty.Flags != 0 {
		t.Errorf("hasty %+v, patient %+v", hasty, patient)
	}
}

// TestNothingJumps: a level that changes before the last one was reached goes
// on from where the voltage is.
func TestNothingJumps(t *testing.T) {
	const window = 10 * time.Microsecond
	r := newRig(t, Config{World: asStated(), Seat: Seat{PinMap: straight(2), place: resistor(10e6)}})
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceI(0.1e-6, 5))
	last := r.read(2, window)
	for k := range 200 {
		if k%7 == 0 {
			level := 0.1e-6 * math.Sin(float64(k))
			r.must(r.Set(t.Context(), 2, forceI(level, 5)))
		}
		s := r.read(2, window)
		// At most 2 V to go at 3.5 ms: 6 mV in 10 µs.
		if math.Abs(s.V-last.V) > 7e-3 {
			t.Fatalf("from %g V to %g V in %v", last.V, s.V, window)
		}
		last = s
	}
}

// TestOtherChannelLags: a voltmeter behind 10 MΩ follows the channel that
// drives it by its own time constant, not by the driver's.
func TestOtherChannelLags(t *testing.T) {
	var tau float64
	r := newRig(t, Config{
		World: asStated(), Seat: Seat{PinMap: straight(2), place: resistor(10e6)},
		OnSolve: func(s Solved) { tau = s.Channels[3].Tau },
	})
	r.wire(path(2, 1), path(4, 2))
	r.on(2, forceV(0, 1e-3))
	r.on(4, forceI(0, 10))
	r.wait(time.Second)
	r.must(r.Set(t.Context(), 2, forceV(1, 1e-3)))
	near(t, "tau", tau, 2e-3+10e6*150e-12, 0.02*tau)
	r.wait(nanos(tau) - 5*time.Microsecond)
	s, err := r.Read(t.Context(), []bench.ChannelID{2, 4}, 10*time.Microsecond, nil)
	r.must(err)
	near(t, "the driver is there", s[0].V, 1, 1e-6)
	r.wait(time.Second)
	near(t, "the voltmeter on its way", s[1].V/r.read(4, cycle).V, 1-math.Exp(-1), 1e-4)
}
