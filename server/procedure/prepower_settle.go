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
		if d.Zero || d.Witness || d.Power != nil && !c.readsOf(m, d.Pin) {
			continue // a supply has its own ramp and delay
		}
		need, tau, range_ := seg.settleNeed(m, k)
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
// range.
func (seg *Segment) settleNeed(m *Measurement, k int) (need, tau, fullScale float64) {
	s := seg.settlingOf(k)
	constants := settleConstants
	if d := seg.Drives[k]; d.Mode == bench.ForceCurrent && m.Observe == d.Pin {
		constants = sideConstants
	}
	return s.need(constants), s.tau, s.fullScale
}

// aperture warns of one that leaves the hum of the line in the readings. A
// threshold looks for a side of the middle only, which hum does not change.
func (c *preCheck) aperture(m *Measurement) {
	if m.Observe != 0 {
		return
	}
	cycles := m.Aperture.ApertureSeconds(c.Bench.LineHz) * c.Bench.LineHz
	if words := humWords(cycles, c.Bench.LineHz); words != "" {
		c.add(SeverityWarning, CodeAperture, nil, []string{"aperture"}, "%s: read over 1 power-line cycle, or a whole number of them", words)
	}
}
