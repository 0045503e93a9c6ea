package circuit

import (
	"math"
	"testing"
)

func TestChannelCrossover(t *testing.T) {
	for _, x := range []struct {
		name       string
		mode       Mode
		level, lim float64
		load       float64
		v, i       float64
		compliance bool
	}{
		{"voltage", ForceVoltage, 5, 10e-3, 1e3, 5, 5e-3, false},
		{"voltage limited", ForceVoltage, 5, 10e-3, 100, 1, 10e-3, true},
		{"negative limited", ForceVoltage, -5, 10e-3, 100, -1, -10e-3, true},
		{"tiny range", ForceVoltage, 1e-3, 1e-9, 1e9, 1e-3, 1e-12, false},
		{"current", ForceCurrent, 1e-3, 5, 1e3, 1, 1e-3, false},
		{"current limited", ForceCurrent, 1e-3, 5, 1e4, 5, 5e-4, true},
		{"current limited below", ForceCurrent, -1e-3, 5, 1e4, -5, -5e-4, true},
		{"tiny current", ForceCurrent, 1e-9, 2, 1e6, 1e-3, 1e-9, false},
		{"off", Off, 3, 3, 1e3, 0, 0, false},
	} {
		for _, remote := range []bool{false, true} {
			c := New(300)
			f := c.Node("f")
			ch := c.Channel(f, f, 0.5)
			ch.Remote = remote
			ch.Headroom = 12
			ch.Set(x.mode, x.level, x.lim)
			c.Resistor(f, Ground, x.load-map[bool]float64{true: 0, false: 0.5}[remote])
			solve(t, c)
			closeTo(t, x.name+" V", ch.V(), x.v, 1e-6*1e-1)
			closeTo(t, x.name+" I", ch.I(), x.i, 1e-6*1e-1+1e-15*x.load)
			if ch.InCompliance() != x.compliance {
				t.Errorf("%s: compliance %v", x.name, ch.InCompliance())
			}
		}
	}
}

func TestRemoteSense(t *testing.T) {
	c := New(300)
	f, p, s := c.Node("force"), c.Node("part"), c.Node("sense")
	ch := c.Channel(f, s, 0.1)
	ch.Remote, ch.Headroom = true, 12
	c.Resistor(f, p, 50)
	sense := c.Resistor(p, s, 1e3)
	c.Resistor(p, Ground, 100)
	ch.Set(ForceVoltage, 1, 0.1)
	sol := solve(t, c)
	closeTo(t, "at the part", sol.V(p), 1, 1e-11)
	closeTo(t, "at the output", sol.V(f), 1.5, 1e-11)
	// An open sense wire: the output runs to its headroom, and says so.
	sense.SetR(1e18)
	ch.Set(ForceVoltage, 1, 0.1)
	solve(t, c)
	if !ch.InCompliance() {
		t.Error("open sense wire goes unnoticed")
	}
	// The insulation holds the sense node at 0 V; 12 V drop over 150.1 Ω.
	closeTo(t, "headroom", ch.I(), 12/150.1, 1e-6)
}

func TestChannelsAgainstEachOther(t *testing.T) {
	c := New(300)
	f := c.Node("f")
	a, b := c.Channel(f, f, 0.5), c.Channel(f, f, 0.5)
	a.Set(ForceVoltage, 5, 10e-3)
	b.Set(ForceVoltage, -5, 20e-3)
	solve(t, c)
	if !a.InCompliance() || b.InCompliance() {
		t.Error("the weaker channel is the limited one")
	}
	closeTo(t, "current", b.I(), -10e-3, 1e-7)
	b.Set(ForceVoltage, -5, 10e-3)
	sol := solve(t, c)
	if !a.InCompliance() || !b.InCompliance() || math.Abs(sol.V(f)) > 5 {
		t.Errorf("equal limits: %v V", sol.V(f))
	}
}

func TestCornerSweep(t *testing.T) {
	c := New(300)
	f := c.Node("f")
	ch := c.Channel(f, f, 0)
	c.Diode(f, Ground, DiodeParams{Is: 1e-14, N: 1})
	last := math.Inf(-1)
	for k := range 400 {
		v := -1 + float64(k)*5e-3
		ch.Set(ForceVoltage, v, 1e-3)
		sol := solve(t, c)
		if ch.I() < last {
			t.Fatalf("current falls at %g V", v)
		}
		last = ch.I()
		if !ch.InCompliance() && math.Abs(sol.V(f)-v) > 1e-12 {
			t.Errorf("%g V forced, %g V there", v, sol.V(f))
		}
	}
	closeTo(t, "compliance", last, 1e-3, 1e-7)
}
