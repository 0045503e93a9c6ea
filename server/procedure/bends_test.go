package procedure

import (
	"math"
	"strings"
	"testing"
)

// bentParts are voltages that follow a level held at 2.5 V along a curve, V.
var bentParts = map[string]func(x float64) float64{
	"an exponential of 26 mV": func(x float64) float64 { return 0.1 * math.Exp((x-2.5)/26e-3) },
	"one of 100 mV":           func(x float64) float64 { return math.Exp((x - 2.5) / 0.1) },
	"a square":                func(x float64) float64 { return 4 * (x - 2) * (x - 2) },
	"a step at the level":     func(x float64) float64 { return 2.5 - 2.5*math.Tanh((x-2.5)/0.05) },
	"a step just below":       func(x float64) float64 { return 2.5 - 2.5*math.Tanh((x-2.47)/0.05) },
}

// What follows a level along a curve is held by the interval, on the side of the
// measured level where it is steepest too; what follows it straight is known no worse.
func TestFollowedAlongACurve(t *testing.T) {
	straight := followedRun(t, func(six, one float64) float64 { return one }, approach{})
	for name, f := range bentParts {
		for _, other := range []float64{0, 1} {
			r := followedRun(t, func(six, one float64) float64 { return other*six/5 + f(one) }, approach{})
			truth := other + f(2.5)
			if r.From > truth || r.To < truth {
				t.Errorf("%s, %g of the other level: %g ± %g V, in truth %g", name, other, r.Value, r.U, truth)
			}
			if r.U < 1.2*straight.U {
				t.Errorf("%s: ± %g V, straight ± %g V", name, r.U, straight.U)
			}
			if moved := math.Abs(f(2.505) - f(2.5)); r.U > 5*moved+10*straight.U {
				t.Errorf("%s: ± %g V, where 5 mV make %g V", name, r.U, moved)
			}
		}
	}
}

// What follows a level straight has no bend, however fast the channel really is within
// the tolerance of its time constants.
func TestLoopIsNoBend(t *testing.T) {
	line := func(six, one float64) float64 { return one }
	stated := followedRun(t, line, approaching(2e-3))
	for _, tau := range []float64{1.8e-3, 1.9e-3, 2.1e-3, 2.2e-3} {
		r := followedRun(t, line, approaching(tau))
		if r.U > 1.03*stated.U {
			t.Errorf("%g s: ± %g V, as stated ± %g V", tau, r.U, stated.U)
		}
	}
}

// The point with all levels moved at once is one for all of them, before those that
// move one, and by a third as much; a current needs none.
func TestOnePointForAllBends(t *testing.T) {
	d := inverterDevice()
	m := base("voltage")
	m.Pins, m.Powered, m.Compliance = []int{2}, true, 6
	m.Hold = []Hold{{Pin: 1, Use: UseVoltage, Level: 2.5, Compliance: 1e-3}}
	all := expand(t, m, d)
	if len(all) != 4 || all[0].Bending || !all[1].Bending || all[2].Bending || all[3].Bending {
		t.Fatalf("%+v", all)
	}
	near(t, "supply", holdAt(all[1].Hold, 6).Level, 4.95, 1e-12)
	near(t, "input", holdAt(all[1].Hold, 1).Level, 2.45, 1e-12)
	for _, kind := range []string{"supply-current", "leakage", "threshold"} {
		m := mustKind(t, kind).Default(d)
		for p := range mustKind(t, kind).Points(&m, d) {
			if p.Bending {
				t.Errorf("%s: %+v", kind, p)
			}
		}
	}
}

// A word about what may follow a level along a curve is left of what a level does
// above its own value alone.
func TestBendsAreCounted(t *testing.T) {
	m := voltageKind.Default(inverterDevice())
	b := &Budget{Lines: []Line{{Name: "x"}}, Held: []Held{{Pin: 6, Set: 5, Value: 5.001}}}
	said := strings.Join(NotCounted(&m, b, 50), "; ")
	if strings.Contains(said, "straight line") || !strings.Contains(said, "above") || strings.Contains(said, "undo each other") {
		t.Error(said)
	}
	// One point for all levels cannot tell two that undo each other; pins at one level
	// move together, and a current tells its bends one by one.
	one, two := Held{Pin: 6, Set: 5}, Held{Pin: 1, Set: 2.5}
	current := supplyCurrentKind.Default(inverterDevice())
	sweep := mustKind(t, "sweep").Default(inverterDevice())
	sweep.Use = UseCurrent
	for _, c := range []struct {
		m    *Measurement
		held []Held
		says bool
	}{
		{&m, []Held{one, two}, true}, {&sweep, []Held{one, two}, true}, {&m, []Held{one, {Pin: 3, Set: 5}}, false},
		{&m, []Held{one, {Pin: 3}}, false}, {&current, []Held{one, two}, false}, {&Measurement{Kind: "none"}, []Held{one, two}, false},
	} {
		b.Held = c.held
		if said := strings.Join(NotCounted(c.m, b, 50), "; "); strings.Contains(said, "undo each other") != c.says {
			t.Errorf("%s, %+v: %s", c.m.Kind, c.held, said)
		}
	}
}
