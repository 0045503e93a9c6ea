package procedure

import (
	"math"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// laws are how a current follows a voltage, each with a current of i amperes at v
// volts: a resistor, a junction, one with a resistor in series, a transistor above
// its threshold, and a current that the part regulates.
var laws = map[string]func(v, i float64) func(x float64) float64{
	"resistor": func(v, i float64) func(float64) float64 { return func(x float64) float64 { return i / v * x } },
	"diode":    func(v, i float64) func(float64) float64 { return junction(v, i, thermalVoltage) },
	"diode, n = 2": func(v, i float64) func(float64) float64 {
		return junction(v, i, 2*thermalVoltage)
	},
	"diode with a resistor": func(v, i float64) func(float64) float64 {
		// Half of the slope's reciprocal is the resistor's: V = a·ln(I/i) + r·(I-i) + v.
		r := thermalVoltage / i
		return func(x float64) float64 {
			low, high := 0.0, 2*i
			for range 200 {
				mid := (low + high) / 2
				if thermalVoltage*math.Log(mid/i)+r*(mid-i)+v > x {
					high = mid
				} else {
					low = mid
				}
			}
			return low
		}
	},
	"transistor": func(v, i float64) func(float64) float64 {
		on := v / 2
		return func(x float64) float64 { return i * math.Pow(max(x-on, 0)/(v-on), 2) }
	},
	"regulated": func(_, i float64) func(float64) float64 { return func(float64) float64 { return i } },
}

func junction(v, i, a float64) func(float64) float64 {
	return func(x float64) float64 { return i * math.Exp((x-v)/a) }
}

// A supply that stands up to 3 mV off draws another current than at its level. The
// interval holds that at the level, however steeply the current follows, and that of
// one that does not follow like a junction is no wider than the range makes it:
// 1.5 µA for gain and offset.
func TestSupplyCurrentAtItsLevel(t *testing.T) {
	d := inverterDevice()
	m := base("supply-current")
	m.Pins, m.Powered, m.Settle.Time, m.Compliance = []int{6}, true, 0.2, 5e-3
	const level, amps = 5.0, 1e-3
	for name, law := range laws {
		draws := law(level, amps)
		for _, off := range []float64{-3e-3, -1e-3, 1e-3, 3e-3} {
			r := find(t, pinRun(t, d, m, off, draws), "current", 6, "")
			if r.From > amps || r.To < amps {
				t.Errorf("%s, %g mV off: %g to %g A, in truth %g", name, off*1e3, r.From, r.To, amps)
			}
			most := 2e-6
			if strings.Contains(name, "diode") {
				most = 0.2 * amps
			}
			if r.U > most {
				t.Errorf("%s, %g mV off: ± %g A, want at most %g", name, off*1e3, r.U, most)
			}
		}
	}
}

// An input may leak by a junction whose own current shows at the other level: at 5 V
// through that to the supply, which carries nothing there. A level that is 2 mV off
// moves the current by up to 8 % of what flows at 0 V, and the interval holds what
// flows at 5 V and at 0 V sharp. Of a resistor it holds it as well. With the slope
// measured it holds it too, and is no more than two thirds as wide.
func TestLeakageAtItsLevel(t *testing.T) {
	d := inverterDevice()
	m := base("leakage")
	m.Pins, m.Powered, m.Level, m.Compliance, m.Settle.Time = []int{1}, true, 5, 100e-6, 0.2
	const saturation = 20e-6
	for name, draws := range map[string]func(v float64) float64{
		"junctions": func(v float64) float64 {
			return saturation * (math.Exp((v-5)/thermalVoltage) - math.Exp(-v/thermalVoltage))
		},
		"resistor": func(v float64) float64 { return v / 250e3 },
	} {
		for _, off := range []float64{-2e-3, 2e-3} {
			bounded, sloped := pinRun(t, d, m, off, draws), m
			Set(leakageSlope, &sloped, true)
			measured := pinRun(t, d, sloped, off, draws)
			for key, level := range map[string]float64{"high": 5, "low": 0} {
				truth := draws(level)
				wide, narrow := find(t, bounded, key, 1, ""), find(t, measured, key, 1, "")
				for _, r := range []Result{wide, narrow} {
					if r.From > truth || r.To < truth || r.U > 0.3*saturation {
						t.Errorf("%s, %s, %g mV off: %g to %g A, in truth %g", name, key, off*1e3, r.From, r.To, truth)
					}
				}
				if narrow.U > wide.U*2/3 {
					t.Errorf("%s, %s, %g mV off: U %g A with the slope, %g without", name, key, off*1e3, narrow.U, wide.U)
				}
			}
		}
	}
}

// A short that conducts like a junction is held at the level that was asked for.
func TestShortAtItsLevel(t *testing.T) {
	d := inverterDevice()
	m := base("shorts")
	m.Pins, m.Method, m.Level, m.Compliance, m.Settle.Time = []int{1}, AllOthers, 0.2, 1e-3, 0.2
	draws := junction(0.2, 50e-6, thermalVoltage)
	for _, off := range []float64{-1e-3, 1e-3} {
		r := find(t, pinRun(t, d, m, off, draws), "current", 1, "")
		if r.From > 50e-6 || r.To < 50e-6 || r.U > 10e-6 {
			t.Errorf("%g mV off: %g to %g A, in truth 50 µA", off*1e3, r.From, r.To)
		}
	}
}

// What a level brings that was not moved is what a junction would make of it in a
// current, and as much in a voltage.
func TestLevelsThatWereNotMoved(t *testing.T) {
	seg := &Segment{Drives: []*Drive{{Pin: 1, Mode: bench.ForceVoltage}, {Pin: 6, Mode: bench.ForceVoltage}}}
	at := &situation{seg: seg, v: []budget.Value{guessed(1, 0), guessed(5.001, 0)}, i: []budget.Value{guessed(1e-3, 0), guessed(0, 0)},
		known: []bool{true, true}, junction: 0.025}
	read := func(k int) *sensedAt { return &sensedAt{set: []float64{1, 5}[k]} }
	for use, want := range map[Use]float64{UseVoltage: 1e-3 * 1e-3 / 0.025, UseCurrent: 1e-3} {
		y := at.taken(0, use, read, nil, false)
		near(t, string(use), y.State(budget.Coverage).U, budget.Coverage*want, 1e-3*want)
		if own := at.taken(0, use, read, []condition{{drives: []int{1}}}, true); own.Uc() != 0 {
			t.Errorf("%s: all levels are spoken for, and it is off by %g", use, own.Uc())
		}
	}
}

// What may have moved is by the law that is steepest for what is sensed and held.
func TestMayMove(t *testing.T) {
	y, off := guessed(2, 0.1), guessed(-1e-3, 1e-3) // at most 2.2, and 3e-3 off
	for _, c := range []struct {
		what  string
		use   Use
		held  bench.Mode
		level float64
		want  float64
	}{
		{"a current by a voltage", UseVoltage, bench.ForceVoltage, 5, 2.2 * 3e-3 / 0.025},
		{"a current by a voltage of 0 V", UseVoltage, bench.ForceVoltage, 0, 2.2 * 3e-3 / 0.025},
		{"a voltage by a voltage", UseCurrent, bench.ForceVoltage, 5, 3e-3},
		{"a current by a current", UseVoltage, bench.ForceCurrent, -0.5, 2 * 3e-3 / 0.5},
		{"a voltage by a current", UseCurrent, bench.ForceCurrent, 0.5, 2 * 3e-3 / 0.5},
		{"by a current of 0 A", UseCurrent, bench.ForceCurrent, 0, 2},
	} {
		near(t, c.what, mayMove(y, c.use, c.held, c.level, off, 0.025), c.want, 1e-12)
	}
}

// A curve whose held level was never moved holds what flows at that level, however
// steeply it follows: at 3 mV, 12 % by a junction.
func TestCurveWithoutMovedLevels(t *testing.T) {
	q := pinPoint{y: budget.Exact(1e-3), known: []bool{true}, off: []budget.Value{budget.Exact(3e-3)}}
	free := withinOne("free", budget.HeldLevel, budget.Rectangular)
	q.toLevel(&followed{drives: []int{0}, level: 5, use: bench.ForceVoltage}, free, UseVoltage, thermalVoltage)
	said := q.y.State(budget.Coverage)
	if truth := 1e-3 * math.Exp(-3e-3/thermalVoltage); said.Low > truth {
		t.Errorf("%g to %g A, in truth %g", said.Low, said.High, truth)
	}
}

// Of levels that should be the same nobody knows which one matters: they are known
// no better than the least known, and what they differ by counts.
func TestAlikeIsNoBetterThanTheWorst(t *testing.T) {
	which := (&Segment{}).whichOf(0)
	v := alike([]budget.Value{guessed(1e-3, 1e-4), guessed(3e-3, 5e-4)}, which)
	near(t, "mean", v.X, 2e-3, 1e-15)
	near(t, "uncertainty", v.Uc(), math.Hypot(5e-4, 1e-3/math.Sqrt2), 1e-12)
	// The same levels, seen again a little further apart: it is the same one that matters.
	again := alike([]budget.Value{budget.Exact(1e-3), budget.Exact(3.2e-3)}, which)
	near(t, "the difference", again.Sub(alike([]budget.Value{budget.Exact(1e-3), budget.Exact(3e-3)}, which)).Uc(), 0.1e-3/math.Sqrt2, 1e-9)
	one := guessed(1e-3, 1e-4)
	if got := alike([]budget.Value{one}, which); got.X != one.X || got.Uc() != one.Uc() {
		t.Errorf("one level: %+v", got)
	}
}

// pinRun measures with pin 6 off by so many volts, which draws what is said, on a
// bench without resistances.
func pinRun(t *testing.T, d *dut.Device, m Measurement, off float64, draws func(v float64) float64) []Result {
	t.Helper()
	b := checkBench()
	for i := range b.Channels {
		b.Channels[i].SourceR = 0
	}
	for i := range b.Paths {
		b.Paths[i].Resistance = 0
	}
	return heldRunOn(t, d, b, m, func(_ *Point, set float64) float64 { return set + off }, func(hold []Hold, pin int) (v, i float64, flags bench.Flags) {
		v = holdAt(hold, pin).Level + off
		return v, draws(v), 0
	})
}
