package procedure

import (
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// settleConstants is how many time constants a settle should have: seven leave
// 0.09 % of a step (exp(-7); the table of settling errors is in testdata). For
// a watched output, of which only the side of the middle counts, three will do.
const (
	settleConstants = 7.0
	sideConstants   = 3.0
	// nearly is what counts as enough: no time constant is known better.
	nearly = 0.98
)

// settles holds the measurement's settle against the time constant of every
// channel that is read or newly brought up: its loop in the range in use, and
// the capacitance behind its path's resistance.
func (c *preCheck) settles(e *exposure, seg *Segment) {
	m := e.m
	for k, d := range seg.Drives {
		if d.Zero || d.Power != nil && !c.readsOf(m, d.Pin) {
			continue // a supply has its own ramp and delay
		}
		need, tau, range_ := c.settleNeed(m, seg, k)
		if have := m.Settle.Time; !m.Settle.UntilStable && have < need*nearly {
			c.add(SeverityWarning, CodeSettle, []int{d.Pin}, []string{"settle.time"},
				"settles for %s, but on the %s range its channel has a time constant of %s: wait at least %s, or until stable",
				say(have, quantity.Second), amps(range_), say(tau, quantity.Second), say(need, quantity.Second))
		}
	}
}

// readsOf reports whether the measurement itself reads the pin.
func (c *preCheck) readsOf(m *Measurement, pin int) bool {
	return pin == m.Observe || slices.Contains(m.Pins, pin)
}

// settleNeed is the time that a drive needs, its time constant and its current
// range. Before that the current that it has must charge the capacitance: to the
// level, or where a current is forced to at most the compliance.
func (c *preCheck) settleNeed(m *Measurement, seg *Segment, k int) (need, tau, fullScale float64) {
	d, conn := seg.Drives[k], seg.conn(k)
	farads := c.Bench.Capacitance
	r, ok := bench.RangeFor(d.Channel.SenseI, d.sense)
	constants := settleConstants
	if d.Mode == bench.ForceCurrent {
		r, ok = bench.RangeFor(d.Channel.ForceI, conn.Least)
		if m.Observe == d.Pin {
			constants = sideConstants
		}
	}
	if !ok {
		return 0, 0, 0
	}
	ohms := d.Channel.SourceR
	if p, is := c.Bench.PathByID(d.Path); is {
		ohms += p.Resistance
	}
	tau = r.LoopTime + ohms*farads
	need = constants * tau
	switch {
	case d.Mode == bench.ForceVoltage:
		need += farads * conn.Level / conn.Compliance
	case conn.Least > 0:
		need += farads * conn.Compliance / conn.Least
	}
	return need, tau, r.FullScale
}
