package circuit

import (
	"math"
	"testing"
)

func solve(t testing.TB, c *Circuit) *Solution {
	t.Helper()
	sol, err := c.Solve()
	if err != nil {
		t.Fatal(err)
	}
	if !(sol.Residual <= 1e-12) {
		t.Errorf("residual %g", sol.Residual)
	}
	return sol
}

func TestDivider(t *testing.T) {
	c := New(300)
	in, mid := c.Node("in"), c.Node("mid")
	v := c.VSource(in, Ground, 5)
	c.Resistor(in, mid, 1e3)
	low := c.Resistor(mid, Ground, 3e3)
	sol := solve(t, c)
	closeTo(t, "divider", sol.V(mid), 3.75, 1e-11)
	closeTo(t, "source current", v.I(), 1.25e-3, 1e-11)
	closeTo(t, "looking into it", sol.Thevenin(mid), 750, 1e-11)
	low.SetR(1e3)
	closeTo(t, "changed", solve(t, c).V(mid), 2.5, 1e-11)
}

func TestStarDelta(t *testing.T) {
	// A star of 10, 20, 30 Ω is the delta of 110/30, 110/10, 110/20 · 10...:
	// Rab = Ra + Rb + Ra·Rb/Rc.
	a, b, d := 10.0, 20.0, 30.0
	delta := func(x, y, z float64) float64 { return x + y + x*y/z }
	resistance := func(star bool) float64 {
		c := New(300)
		x, y, m := c.Node("x"), c.Node("y"), c.Node("m")
		if star {
			c.Resistor(x, m, a)
			c.Resistor(y, m, b)
			c.Resistor(Ground, m, d)
		} else {
			c.Resistor(x, y, delta(a, b, d))
			c.Resistor(y, Ground, delta(b, d, a))
			c.Resistor(Ground, x, delta(d, a, b))
		}
		c.Resistor(y, Ground, 47)
		c.ISource(Ground, x, 1e-3)
		return solve(t, c).V(x) / 1e-3
	}
	closeTo(t, "star and delta", resistance(true), resistance(false), 1e-12)
	closeTo(t, "by hand", resistance(true), a+1/(1/d+1/(b+47)), 1e-12)
}

func TestBridge(t *testing.T) {
	c := New(300)
	p, l, r := c.Node("p"), c.Node("l"), c.Node("r")
	c.VSource(p, Ground, 10)
	c.Resistor(p, l, 100)
	c.Resistor(l, Ground, 200)
	c.Resistor(p, r, 150)
	c.Resistor(r, Ground, 300)
	g := c.Resistor(l, r, 1e3)
	sol := solve(t, c)
	// The insulation of l and r (67 and 100 Ω behind them, 6.7 fA) unbalances it by 0.2 pV.
	if math.Abs(g.I()) > 3e-16 {
		t.Errorf("balanced bridge: %g A, %g V", g.I(), sol.Between(l, r))
	}
}

func TestLadder(t *testing.T) {
	// An R-2R ladder halves at every node.
	c := New(300)
	at := c.Node("0")
	c.VSource(at, Ground, 8)
	nodes := []Node{at}
	for range 20 {
		n := c.NewNode()
		c.Resistor(nodes[len(nodes)-1], n, 1e3)
		nodes = append(nodes, n)
		c.Resistor(n, Ground, 2e3)
	}
	c.Resistor(nodes[20], Ground, 2e3)
	sol := solve(t, c)
	for k, n := range nodes {
		closeTo(t, "ladder", sol.V(n), 8*math.Pow(0.5, float64(k)), 1e-8)
	}
}

func TestSuperposition(t *testing.T) {
	at := func(v, i float64) float64 {
		c := New(300)
		a, b, m := c.Node("a"), c.Node("b"), c.Node("m")
		c.VSource(a, Ground, v)
		c.Resistor(a, b, 330)
		c.Resistor(b, Ground, 470)
		c.Resistor(b, m, 1.2e3)
		c.Resistor(m, Ground, 680)
		c.ISource(Ground, m, i)
		return solve(t, c).V(m)
	}
	closeTo(t, "superposition", at(3.3, 2e-3), at(3.3, 0)+at(0, 2e-3), 1e-13)
}

func TestSmallCurrentBesideLargeVoltage(t *testing.T) {
	// 1 pA through 50 Ω at 5 V is 50 pV on 5 V.
	c := New(300)
	a, b := c.Node("a"), c.Node("b")
	c.VSource(a, Ground, 5)
	sw := c.Resistor(a, b, 50)
	c.ISource(b, Ground, 1e-12)
	sol := solve(t, c)
	closeTo(t, "switch current", sw.I(), 1e-12+5*Insulation, 1e-11)
	closeTo(t, "drop", sol.Between(a, b), 50e-12+250*Insulation, 1e-9)
}

func TestFloating(t *testing.T) {
	c := New(300)
	a, b, d := c.Node("a"), c.Node("b"), c.Node("d")
	c.Resistor(a, b, 0.01)
	c.Resistor(b, d, 1e3)
	sol := solve(t, c)
	for _, n := range []Node{a, b, d} {
		if !sol.Floating(n) || sol.V(n) != 0 {
			t.Errorf("node %d: %g V, %g Ω", n, sol.V(n), sol.Thevenin(n))
		}
	}
	closeTo(t, "insulation of three nodes", sol.Thevenin(a), 1/(3*Insulation), 1e-2)
}
