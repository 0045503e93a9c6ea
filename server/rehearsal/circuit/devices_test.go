package circuit

import (
	"math"
	"testing"
)

func TestFETRegions(t *testing.T) {
	p := FETParams{K: 1e-3, Vt: 0.7, N: 1.4}
	at := func(pol Polarity, vg, vd float64) float64 {
		c := New(300)
		g, d := c.Node("g"), c.Node("d")
		c.VSource(g, Ground, vg*float64(pol))
		c.VSource(d, Ground, vd*float64(pol))
		f := c.FET(d, g, Ground, Ground, pol, p)
		solve(t, c)
		return f.I() * float64(pol)
	}
	for _, pol := range []Polarity{NType, PType} {
		// Strong inversion: K/(2n)·(vg-vt)² saturated; K·(vg-vt)·vd for small vd.
		closeTo(t, "saturation", at(pol, 5, 5), p.K/(2*p.N)*4.3*4.3, 1e-3)
		closeTo(t, "ohmic", at(pol, 5, 1e-3), p.K*4.3*1e-3, 2e-3)
		// Weak inversion: a decade per n·Ut·ln 10.
		decade := p.N * 300 * boltzmannPerCharge * math.Ln10
		closeTo(t, "subthreshold", at(pol, 0.2+decade, 1)/at(pol, 0.2, 1), 10, 1e-2)
		// Symmetry: swapping drain and source turns the current.
		c := New(300)
		a, g := c.Node("a"), c.Node("g")
		c.VSource(g, Ground, 3*float64(pol))
		c.VSource(a, Ground, 0.4*float64(pol))
		x := c.FET(a, g, Ground, Ground, pol, p)
		y := c.FET(Ground, g, a, Ground, pol, p)
		solve(t, c)
		closeTo(t, "symmetry", x.I(), -y.I(), 1e-12)
	}
}

func TestBJTGummel(t *testing.T) {
	for _, pol := range []Polarity{NType, PType} {
		c := New(300)
		b, k := c.Node("b"), c.Node("c")
		c.VSource(b, Ground, 0.6*float64(pol))
		c.VSource(k, Ground, 2*float64(pol))
		q := c.BJT(k, b, Ground, pol, BJTParams{Is: 1e-15, Bf: 150, Br: 3})
		solve(t, c)
		want := 1e-15 * math.Expm1(0.6/c.ThermalVoltage())
		closeTo(t, "Ic", q.Ic()*float64(pol), want, 1e-9)
		closeTo(t, "gain", q.Ic()/q.Ib(), 150, 1e-8) // the reverse junction leaks Is/Br
	}
}

func TestBJTSaturation(t *testing.T) {
	// Open collector: vce = Ut·ln((1 + 1/αr)/(1)) with Ic = 0, αr = Br/(1+Br)
	// (Ebers and Moll 1954, offset voltage of a switch).
	c := New(300)
	b, k := c.Node("b"), c.Node("c")
	c.ISource(Ground, b, 1e-3)
	c.BJT(k, b, Ground, NType, BJTParams{Is: 1e-15, Bf: 150, Br: 3})
	closeTo(t, "offset", solve(t, c).V(k), c.ThermalVoltage()*math.Log(4.0/3), 1e-6)
}

// TestAmplifierWithoutSupply: it neither drives nor draws, also with its supply
// pulled below ground, so that a contact test finds the protection diodes.
func TestAmplifierWithoutSupply(t *testing.T) {
	for _, supply := range []float64{0, -0.6, 0.01} {
		for _, v := range []float64{0.7, -0.7} {
			c := New(300)
			vp, out := c.Node("vp"), c.Node("out")
			rail := c.VSource(vp, Ground, supply)
			pin := c.VSource(out, Ground, v)
			c.Amplifier(Ground, out, out, vp, Ground, AmplifierParams{2e5, 1e-3, 50, 20e-3, 0.08, 0.5e-3})
			solve(t, c)
			// What an output takes may come from the supply; nothing else does.
			if out := math.Abs(pin.I()); out > 0.7e-6 || math.Abs(rail.I()) > out+1e-9 {
				t.Errorf("supply %g V, output held at %g V: %g A from the supply, %g A into the output", supply, v, rail.I(), pin.I())
			}
		}
	}
}

func TestAmplifierFollower(t *testing.T) {
	p := AmplifierParams{Gain: 1e5, Offset: 1e-3, Rout: 50, Limit: 20e-3, Headroom: 0.1, Iq: 1e-3}
	c := New(300)
	vp, vn, in, out := c.Node("vp"), c.Node("vn"), c.Node("in"), c.Node("out")
	pos := c.VSource(vp, Ground, 5)
	neg := c.VSource(vn, Ground, -5)
	src := c.VSource(in, Ground, 1)
	amp := c.Amplifier(in, out, out, vp, vn, p)
	load := c.Resistor(out, Ground, 1e3)
	sol := solve(t, c)
	closeTo(t, "follows", sol.V(out), 1.001, 2e-5)
	closeTo(t, "from the supply", pos.I(), 1.001e-3+1e-3, 2e-2)
	closeTo(t, "Kirchhoff", pos.I()+neg.I(), amp.I(), 1e-9)
	load.SetR(10)
	if solve(t, c); amp.I() > 20e-3 || amp.I() < 15e-3 {
		t.Errorf("current limit: %g A", amp.I())
	}
	load.SetR(1e5)
	for _, v := range []float64{7, -7, 0, 4.95, -60, 3} {
		src.SetV(v)
		if got := solve(t, c).V(out); math.Abs(got) > 4.9001 || got*v < 0 {
			t.Errorf("%g V in: %g V out", v, got)
		}
	}
}

// The derivatives that a device stamps are those of its current.
func TestDerivatives(t *testing.T) {
	build := func(c *Circuit, n []Node) {
		c.FET(n[0], n[1], n[2], n[3], NType, FETParams{1e-3, 0.7, 1.3, 0.03})
		c.FET(n[1], n[2], n[3], n[0], PType, FETParams{2e-3, 0.8, 1.4, 0.05})
		c.BJT(n[4], n[1], n[2], NType, BJTParams{1e-14, 100, 2, 50})
		c.BJT(n[2], n[3], n[4], PType, BJTParams{1e-14, 80, 3, 0})
		c.Diode(n[0], n[4], DiodeParams{1e-12, 1.5, 10})
		c.Diode(n[4], n[2], DiodeParams{1e-13, 1, 0})
		c.Amplifier(n[0], n[1], n[2], n[3], n[4], AmplifierParams{10, 0.01, 100, 1e-2, 0.2, 1e-3})
	}
	for _, v := range [][]float64{
		{1, 1.2, 0.8, 0.9, 1.1}, {0.1, -0.3, 0.2, 0.4, 0}, {0, 0, 0, 1e-9, 0}, {2, 1.7, 1.5, 3, 0.9}, {0.5, 0.5, 0.3, 2.2, -0.2},
	} {
		c := New(300)
		var n []Node
		for range 5 {
			n = append(n, c.NewNode())
		}
		build(c, n)
		c.build()
		s := &c.sys
		eval := func(k int, d float64) []float64 {
			clear(s.hi)
			clear(s.lo)
			s.hi[6], s.hi[7] = 0.3, 2e-3
			for j := range v {
				s.hi[n[j]] = v[j]
			}
			if k > 0 {
				s.hi[k] += d
			}
			for range 200 {
				if c.load(); !s.limited {
					return append([]float64(nil), s.f...)
				}
			}
			t.Fatal("limiting does not come to rest")
			return nil
		}
		for k := 1; k <= s.n; k++ {
			const h = 1e-6
			up, down := eval(k, h), eval(k, -h)
			eval(0, 0)
			for r := 1; r <= s.n; r++ {
				num := (up[r] - down[r]) / (2 * h)
				ana := s.a[s.lu.find(r, k)]
				if math.Abs(num-ana) > 1e-5*math.Abs(ana)+1e-9 {
					t.Errorf("%v: df%d/dx%d: stamped %g, numeric %g", v, r, k, ana, num)
				}
			}
		}
	}
}

func (m *sparse) find(row, col int) int {
	for k, e := range m.entries {
		if e == [2]int{row, col} {
			return k + 1
		}
	}
	return 0
}
