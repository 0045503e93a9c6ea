package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// rangeReaches is how the remedy of a smaller sense range begins.
const rangeReaches = "a compliance of "

// reach finds what would bring a prediction to four to one: a longer settle, a
// smaller sense range, a longer aperture, more readings a point, each tried by
// predicting again.
func (c *preCheck) reach(m *Measurement, p *Prediction) string {
	lim := m.Limits[p.Key]
	one := *m
	one.Pins = slices.Clone(m.Pins)
	if k, ok := KindByKey(m.Kind); ok && !k.Together() && slices.Contains(m.Pins, p.Pin) {
		one.Pins = []int{p.Pin}
	}
	one.Limits = map[string]Limit{p.Key: lim}
	for _, settle := range []float64{10e-3, 30e-3, 100e-3, 300e-3, 1} {
		try := one
		try.Settle.Time = settle
		if !m.Settle.UntilStable && m.Settle.Time < settle && c.reaches(&try, p.Key) {
			return "a settle of " + say(settle, quantity.Second) + " reaches it"
		}
	}
	for _, full := range c.smallerRanges(m, p, lim) {
		try := one
		try.Compliance = full
		if c.reaches(&try, p.Key) {
			return rangeReaches + say(full, unitOfCompliance(m)) + " takes the range that reaches it"
		}
	}
	for _, cycles := range []float64{1, 10, 100} {
		try := one
		try.Aperture = Aperture{Cycles: cycles}
		if cycles > m.Aperture.ApertureSeconds(c.Bench.LineHz)*c.Bench.LineHz && c.reaches(&try, p.Key) {
			return "an aperture of " + say(cycles, "") + " power-line cycles reaches it"
		}
	}
	for _, n := range []int{10, 100} {
		try := one
		try.Repeats = n
		if m.repeats() < n && c.reaches(&try, p.Key) {
			return say(float64(n), "") + " readings a point reach it"
		}
	}
	what := "set the limits apart by at least "
	if lim.Low == nil || lim.High == nil {
		what = "set the limit at least as far from zero as "
	}
	return "no range, aperture or number of readings of this bench reaches it; " + what + say(2*ratioWarn*p.U, p.Unit)
}

// unitOfCompliance is the unit of the measurement's compliance, by its kind.
func unitOfCompliance(m *Measurement) quantity.Unit {
	f, _ := fieldNamed(fieldsFor(m), fieldCompliance.Name)
	return f.UnitFor(m.Use)
}

// smallerRanges are the sense ranges below the one in use that still hold the
// limits, smallest last.
func (c *preCheck) smallerRanges(m *Measurement, p *Prediction, lim Limit) []float64 {
	unit := unitOfCompliance(m)
	if p.Unit != unit || len(c.Bench.Channels) == 0 {
		return nil
	}
	ranges := c.Bench.Channels[0].SenseI
	if unit == quantity.Volt {
		ranges = c.Bench.Channels[0].SenseV
	}
	most := 0.0
	for _, l := range []*float64{lim.Low, lim.High} {
		if l != nil {
			most = max(most, math.Abs(*l))
		}
	}
	now := m.complianceAt(c.Device, p.Pin)
	var out []float64
	for _, r := range slices.Backward(ranges) {
		if r.FullScale < now && r.FullScale >= most {
			out = append(out, r.FullScale)
		}
	}
	return out
}

// complianceAt is the compliance that a pin is held with, A or V; 0 where no
// channel holds it.
func (m *Measurement) complianceAt(d *dut.Device, pin int) float64 {
	k, ok := KindByKey(m.Kind)
	if !ok {
		return 0
	}
	for pt := range k.Points(m, d) {
		for _, h := range pt.Hold {
			if h.Pin == pin && h.Use.TakesChannel() {
				return h.Compliance
			}
		}
	}
	return 0
}

// reaches predicts a changed measurement.
func (c *preCheck) reaches(m *Measurement, key string) bool {
	kind, ok := KindByKey(m.Kind)
	if !ok || len(kind.Validate(m, c.Device)) > 0 {
		return false
	}
	step, err := NewPlanner(c.Device, c.PinMap, c.Bench).Step(0, m, kind, nil)
	if err != nil {
		return false
	}
	found := false
	all, _ := predict(&c.CheckInput, step)
	for _, p := range all {
		if p.Key == key {
			if p.Ratio < ratioWarn {
				return false
			}
			found = true
		}
	}
	return found
}
