package procedure

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/dut"
)

var (
	gnd = Hold{Pin: 3, Use: UseReturn}
	vcc = Hold{Pin: 6, Use: UseVoltage, Level: 5, Compliance: 20e-3}
	// lower is the supply moved to see what follows it.
	lower = Hold{Pin: 6, Use: UseVoltage, Level: 4.85, Compliance: 20e-3}
	// bit is the supply moved by a third of that, to see whether it is followed straight.
	bit = Hold{Pin: 6, Use: UseVoltage, Level: 4.95, Compliance: 20e-3}
	v00 = Hold{Pin: 6, Use: UseReturn}
)

func ret(pin int) Hold { return Hold{Pin: pin, Use: UseReturn} }

// holdRead is what the expansion tables compare.
type holdRead struct {
	Group uint16
	Hold  []Hold
	Read  []int
}

func TestPoints(t *testing.T) {
	inv, net := inverterDevice(), networkDevice()
	amp := func(pin int, level, compliance float64) Hold {
		return Hold{Pin: pin, Use: UseCurrent, Level: level, Compliance: compliance}
	}
	vlt := func(pin int, level, compliance float64) Hold {
		return Hold{Pin: pin, Use: UseVoltage, Level: level, Compliance: compliance}
	}
	kelvin := func(h Hold) Hold { h.Kelvin = true; return h }
	for _, c := range []struct {
		name string
		d    *dut.Device
		kind string
		set  func(*Measurement)
		want []holdRead
	}{
		{"contact of an input and of a supply", inv, "contact",
			func(m *Measurement) { m.Pins, m.Level, m.Compliance = []int{1, 6}, 100e-6, 2 },
			[]holdRead{
				{0, []Hold{gnd, v00, amp(1, 100e-6, 2)}, []int{1}},
				{1, []Hold{gnd, v00, amp(1, -100e-6, 2)}, []int{1}},
				{1, []Hold{gnd, amp(6, -100e-6, 2)}, []int{6}},
			}},
		{"contact with all other pins on the return", inv, "contact",
			func(m *Measurement) { m.Pins, m.Level, m.Compliance, m.Rest = []int{1}, 100e-6, 2, UseReturn },
			[]holdRead{
				{0, []Hold{gnd, v00, ret(2), ret(4), ret(5), amp(1, 100e-6, 2)}, []int{1}},
				{1, []Hold{gnd, v00, ret(2), ret(4), ret(5), amp(1, -100e-6, 2)}, []int{1}},
			}},
		{"shorts against all others", inv, "shorts",
			func(m *Measurement) {
				m.Pins, m.Method, m.Level, m.Compliance = []int{1, 2, 6}, AllOthers, 0.2, 1e-3
			},
			[]holdRead{
				{0, []Hold{gnd, ret(2), ret(6), vlt(1, 0.2, 1e-3)}, []int{1}},
				{1, []Hold{gnd, ret(1), ret(6), vlt(2, 0.2, 1e-3)}, []int{2}},
				{2, []Hold{gnd, ret(1), ret(2), vlt(6, 0.2, 1e-3)}, []int{6}},
			}},
		{"shorts between neighbours", inv, "shorts",
			func(m *Measurement) {
				m.Pins, m.Method, m.Level, m.Compliance = []int{1, 2, 4}, Neighbours, 0.2, 1e-3
			},
			[]holdRead{
				{0, []Hold{gnd, ret(2), vlt(1, 0.2, 1e-3)}, []int{1}},
				{1, []Hold{gnd, ret(4), vlt(2, 0.2, 1e-3)}, []int{2}},
			}},
		{"shorts of every pair", inv, "shorts",
			func(m *Measurement) {
				m.Pins, m.Method, m.Level, m.Compliance = []int{1, 2, 4}, EveryPair, 0.2, 1e-3
			},
			[]holdRead{
				{0, []Hold{gnd, ret(2), vlt(1, 0.2, 1e-3)}, []int{1}},
				{1, []Hold{gnd, ret(4), vlt(1, 0.2, 1e-3)}, []int{1}},
				{2, []Hold{gnd, ret(4), vlt(2, 0.2, 1e-3)}, []int{2}},
			}},
		{"leakage at the clamp supply's level", inv, "leakage",
			func(m *Measurement) { m.Pins, m.Powered, m.Compliance = []int{1}, true, 10e-6 },
			[]holdRead{
				{0, []Hold{gnd, ret(5), vcc, vlt(1, 5, 10e-6)}, []int{1}},
				{1, []Hold{gnd, ret(5), vcc, vlt(1, 0, 10e-6)}, []int{1}},
			}},
		{"supply current with an input held high", inv, "supply-current",
			func(m *Measurement) {
				m.Pins, m.Powered, m.Rest, m.Compliance = []int{6}, true, UseOpen, 1e-3
				m.Hold = []Hold{vlt(1, 5, 1e-3)}
			},
			[]holdRead{ // and once more with what stands at 5 V moved by 1 %
				{0, []Hold{vlt(1, 5, 1e-3), gnd, vlt(6, 5, 1e-3)}, []int{6}},
				{0, []Hold{vlt(1, 4.95, 1e-3), gnd, vlt(6, 4.95, 1e-3)}, []int{6}},
			}},
		{"supply current at another level", inv, "supply-current",
			func(m *Measurement) { m.Pins, m.Powered, m.Level = []int{6}, true, 4.5 },
			[]holdRead{
				{0, []Hold{ret(1), gnd, ret(5), vlt(6, 4.5, 20e-3)}, []int{6}},
				{0, []Hold{ret(1), gnd, ret(5), vlt(6, 4.455, 20e-3)}, []int{6}},
			}},
		{"output level, sink, with another supply level", inv, "output-level",
			func(m *Measurement) {
				m.Pins, m.Powered, m.Level, m.Compliance = []int{2}, true, 4e-3, 6
				m.Hold = []Hold{vlt(6, 4.5, 30e-3), vlt(1, 4.5, 1e-3)}
			},
			[]holdRead{
				// Each once more with what is held at 4.5 V moved by 150 mV.
				{0, []Hold{vlt(1, 4.5, 1e-3), gnd, ret(5), vlt(6, 4.5, 30e-3), amp(2, 0, 6)}, []int{2}},
				{0, []Hold{vlt(1, 4.45, 1e-3), gnd, ret(5), vlt(6, 4.45, 30e-3), amp(2, 0, 6)}, []int{2}},
				{0, []Hold{vlt(1, 4.35, 1e-3), gnd, ret(5), vlt(6, 4.35, 30e-3), amp(2, 0, 6)}, []int{2}},
				{1, []Hold{vlt(1, 4.5, 1e-3), gnd, ret(5), vlt(6, 4.5, 30e-3), amp(2, 4e-3, 6)}, []int{2}},
				{1, []Hold{vlt(1, 4.45, 1e-3), gnd, ret(5), vlt(6, 4.45, 30e-3), amp(2, 4e-3, 6)}, []int{2}},
				{1, []Hold{vlt(1, 4.35, 1e-3), gnd, ret(5), vlt(6, 4.35, 30e-3), amp(2, 4e-3, 6)}, []int{2}},
			}},
		{"threshold", inv, "threshold",
			func(m *Measurement) {
				m.Pins, m.Observe, m.Powered, m.Compliance = []int{1}, 2, true, 1e-3
				m.Sweep = &Sweep{Spacing: List, List: []float64{0, 2, 5}, Back: true}
			},
			[]holdRead{
				{0, []Hold{gnd, ret(5), vcc, amp(2, 0, 7), vlt(1, 0, 1e-3)}, []int{1, 2}},
				{0, []Hold{gnd, ret(5), vcc, amp(2, 0, 7), vlt(1, 2, 1e-3)}, []int{1, 2}},
				{0, []Hold{gnd, ret(5), vcc, amp(2, 0, 7), vlt(1, 5, 1e-3)}, []int{1, 2}},
				{1, []Hold{gnd, ret(5), vcc, amp(2, 0, 7), vlt(1, 5, 1e-3)}, []int{1, 2}},
				{1, []Hold{gnd, ret(5), vcc, amp(2, 0, 7), vlt(1, 2, 1e-3)}, []int{1, 2}},
				{1, []Hold{gnd, ret(5), vcc, amp(2, 0, 7), vlt(1, 0, 1e-3)}, []int{1, 2}},
			}},
		{"resistance, two-wire to a second terminal", net, "resistance",
			func(m *Measurement) {
				m.Pins, m.Against, m.Method, m.Use, m.Level, m.Compliance = []int{1, 2}, 4, TwoWire, UseVoltage, 1, 10e-3
			},
			[]holdRead{
				{0, []Hold{ret(4), vlt(1, 1, 10e-3)}, []int{1}},
				{0, []Hold{ret(4), vlt(2, 1, 10e-3)}, []int{2}},
			}},
		{"resistance, current reversal over four wires", net, "resistance",
			func(m *Measurement) {
				m.Pins, m.Against, m.Method, m.Use, m.Level, m.Compliance = []int{1}, 4, CurrentReversal, UseCurrent, 1e-3, 2
			},
			[]holdRead{
				{0, []Hold{kelvin(ret(4)), kelvin(amp(1, 1e-3, 2))}, []int{1}},
				{1, []Hold{kelvin(ret(4)), kelvin(amp(1, -1e-3, 2))}, []int{1}},
				{0, []Hold{kelvin(ret(4)), kelvin(amp(1, 1e-3, 2))}, []int{1}},
			}},
		{"resistance, four-wire to a ground pin, supply open", inv, "resistance",
			func(m *Measurement) {
				m.Pins, m.Against, m.Method, m.Use, m.Level, m.Compliance = []int{2}, 3, FourWire, UseCurrent, 1e-3, 2
				m.Hold = []Hold{{Pin: 6, Use: UseOpen}}
			},
			[]holdRead{{0, []Hold{kelvin(ret(3)), kelvin(amp(2, 1e-3, 2))}, []int{2}}}},
		{"voltage at no load, inputs open", inv, "voltage",
			func(m *Measurement) { m.Pins, m.Powered, m.Rest, m.Compliance = []int{2, 4}, true, UseOpen, 6 },
			[]holdRead{
				{0, []Hold{gnd, vcc, amp(2, 0, 6)}, []int{2}},
				{0, []Hold{gnd, bit, amp(2, 0, 6)}, []int{2}},
				{0, []Hold{gnd, lower, amp(2, 0, 6)}, []int{2}},
				{0, []Hold{gnd, vcc, amp(4, 0, 6)}, []int{4}},
				{0, []Hold{gnd, bit, amp(4, 0, 6)}, []int{4}},
				{0, []Hold{gnd, lower, amp(4, 0, 6)}, []int{4}},
			}},
		{"sweep with a stepped pin", net, "sweep",
			func(m *Measurement) {
				m.Pins, m.Against, m.Use, m.Compliance = []int{1}, 3, UseVoltage, 10e-3
				m.Sweep = &Sweep{Spacing: Linear, From: 0, To: 1, Points: 2, Back: true}
				m.Step = &Step{Pin: 2, Use: UseCurrent, Compliance: 5, Sweep: Sweep{Spacing: List, List: []float64{0, 1e-6}}}
			},
			[]holdRead{
				{0, []Hold{ret(3), amp(2, 0, 5), vlt(1, 0, 10e-3)}, []int{1}},
				{0, []Hold{ret(3), amp(2, 0, 5), vlt(1, 1, 10e-3)}, []int{1}},
				{0, []Hold{ret(3), amp(2, 1e-8, 5), vlt(1, 1, 10e-3)}, []int{1}}, // the level moved, from the last point
				{0, []Hold{ret(3), amp(2, 1e-8, 5), vlt(1, 0, 10e-3)}, []int{1}},
				{1, []Hold{ret(3), amp(2, 0, 5), vlt(1, 1, 10e-3)}, []int{1}},
				{1, []Hold{ret(3), amp(2, 0, 5), vlt(1, 0, 10e-3)}, []int{1}},
				{1, []Hold{ret(3), amp(2, 1e-8, 5), vlt(1, 0, 10e-3)}, []int{1}},
				{1, []Hold{ret(3), amp(2, 1e-8, 5), vlt(1, 1, 10e-3)}, []int{1}},
				{2, []Hold{ret(3), amp(2, 1e-6, 5), vlt(1, 0, 10e-3)}, []int{1}},
				{2, []Hold{ret(3), amp(2, 1e-6, 5), vlt(1, 1, 10e-3)}, []int{1}},
				{2, []Hold{ret(3), amp(2, 0.99e-6, 5), vlt(1, 1, 10e-3)}, []int{1}},
				{2, []Hold{ret(3), amp(2, 0.99e-6, 5), vlt(1, 0, 10e-3)}, []int{1}},
				{3, []Hold{ret(3), amp(2, 1e-6, 5), vlt(1, 1, 10e-3)}, []int{1}},
				{3, []Hold{ret(3), amp(2, 1e-6, 5), vlt(1, 0, 10e-3)}, []int{1}},
				{3, []Hold{ret(3), amp(2, 0.99e-6, 5), vlt(1, 0, 10e-3)}, []int{1}},
				{3, []Hold{ret(3), amp(2, 0.99e-6, 5), vlt(1, 1, 10e-3)}, []int{1}},
			}},
		{"watch of two pins together", inv, "watch",
			func(m *Measurement) {
				m.Pins, m.Powered, m.Use, m.Compliance = []int{2, 4}, true, UseCurrent, 6
				m.Duration, m.Interval = 1, 0.1
			},
			[]holdRead{ // beside it: as it is, the supply 50 and 150 mV lower, and at the end as it is again
				{0, []Hold{ret(1), gnd, ret(5), vcc, amp(2, 0, 6), amp(4, 0, 6)}, []int{2, 4}},
				{0, []Hold{ret(1), gnd, ret(5), bit, amp(2, 0, 6), amp(4, 0, 6)}, []int{2, 4}},
				{0, []Hold{ret(1), gnd, ret(5), lower, amp(2, 0, 6), amp(4, 0, 6)}, []int{2, 4}},
				{0, []Hold{ret(1), gnd, ret(5), vcc, amp(2, 0, 6), amp(4, 0, 6)}, []int{2, 4}},
				{0, []Hold{ret(1), gnd, ret(5), vcc, amp(2, 0, 6), amp(4, 0, 6)}, []int{2, 4}},
			}},
		{"watch of an unpowered pin", inv, "watch",
			func(m *Measurement) {
				m.Pins, m.Use, m.Level, m.Compliance, m.Duration, m.Interval = []int{2}, UseVoltage, 0.4, 1e-3, 1, 0.1
			},
			[]holdRead{ // its own level is moved as well
				{0, []Hold{gnd, ret(6), vlt(2, 0.4, 1e-3)}, []int{2}},
				{0, []Hold{gnd, ret(6), vlt(2, 0.4*(1-nudge), 1e-3)}, []int{2}},
				{0, []Hold{gnd, ret(6), vlt(2, 0.4, 1e-3)}, []int{2}},
				{0, []Hold{gnd, ret(6), vlt(2, 0.4, 1e-3)}, []int{2}},
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := base(c.kind)
			c.set(&m)
			var got []holdRead
			for _, p := range expand(t, m, c.d) {
				got = append(got, holdRead{p.Group, p.Hold, p.Read})
				hastened := p.Auxiliary && p.Settle.Time < m.Settle.Time // see TestMovedLevelsHurry
				if p.Settle != m.Settle && !hastened || p.Aperture != m.Aperture && !hastened || p.Count < 1 {
					t.Errorf("settle, aperture or count of %+v", p)
				}
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
			if n := mustKind(t, c.kind).Shape(&m, c.d).Groups; len(n) <= int(got[len(got)-1].Group) {
				t.Errorf("%d group labels for group %d", len(n), got[len(got)-1].Group)
			}
		})
	}
}

func TestWatchCount(t *testing.T) {
	for _, c := range []struct {
		duration, interval, cycles float64
		want                       int
	}{{1, 0.1, 1, 11}, {0.3, 0.1, 1, 4}, {10, 3, 1, 4}, {1, 0, 1, 50}, {0.01, 0, 1, 1}} {
		m := base("watch")
		m.Duration, m.Interval, m.Aperture.Cycles = c.duration, c.interval, c.cycles
		if got := m.watchCount(); got != c.want {
			t.Errorf("%+v: %d", c, got)
		}
	}
}

func TestSweepLevels(t *testing.T) {
	for _, c := range []struct {
		s    Sweep
		want []float64
	}{
		{Sweep{Spacing: Linear, From: -1, To: 1, Points: 5}, []float64{-1, -0.5, 0, 0.5, 1}},
		{Sweep{Spacing: Linear, From: 1, To: 0, Points: 2, Back: true}, []float64{1, 0, 0, 1}},
		{Sweep{Spacing: Log, From: 1e-6, To: 1e-3, Points: 4}, []float64{1e-6, 1e-5, 1e-4, 1e-3}},
		{Sweep{Spacing: Log, From: -1e-3, To: -1e-5, Points: 3, Back: true}, []float64{-1e-3, -1e-4, -1e-5, -1e-5, -1e-4, -1e-3}},
		{Sweep{Spacing: List, List: []float64{3, 1, 2}, Back: true}, []float64{3, 1, 2, 2, 1, 3}},
	} {
		if c.s.Len() != len(c.want) {
			t.Errorf("%+v: %d points", c.s, c.s.Len())
			continue
		}
		for i, w := range c.want {
			if got := c.s.At(i); math.Abs(got-w) > 1e-15*math.Abs(w) {
				t.Errorf("%+v at %d: %g", c.s, i, got)
			}
		}
		n := c.s.Count()
		if c.s.Spacing != List && (c.s.At(0) != c.s.From || c.s.At(n-1) != c.s.To) {
			t.Errorf("%+v: the ends are not exact", c.s)
		}
	}
}
