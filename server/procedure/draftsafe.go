package procedure

import "slices"

// maxPasses bounds how often a draft is checked: each pass takes something out.
const maxPasses = 8

// safe takes out of the draft whatever the check before power refuses, with its
// words as the reason: first the pins that it names, and the whole measurement
// where they are not the measured ones.
func (dr *drafter) safe() {
	for range maxPasses {
		if dr.planner == nil || !dr.refused() {
			break
		}
	}
	dr.reasons = slices.DeleteFunc(dr.reasons, func(r Reason) bool {
		return r.Measurement != "" && !slices.ContainsFunc(dr.p.Measurements, func(m Measurement) bool { return m.ID == r.Measurement })
	})
}

// refused takes out what one check refuses, and reports whether that was anything.
func (dr *drafter) refused() bool {
	report := PrePower(CheckInput{Device: dr.d, Procedure: &dr.p, PinMap: dr.pm, Bench: dr.def})
	took := false
	for i := len(dr.p.Measurements) - 1; i >= 0; i-- {
		m := &dr.p.Measurements[i]
		var bad []int
		whole := false
		for _, f := range report.Errors() {
			if f.Measurement != i {
				continue
			}
			took = true
			hit := slices.DeleteFunc(slices.Clone(f.Pins), func(n int) bool { return !slices.Contains(m.Pins, n) })
			bad, whole = append(bad, hit...), whole || len(hit) == 0
			dr.why("", "", "%s: left out as far as the check before power refuses it: %s.", m.Name, f.Message)
		}
		left := slices.DeleteFunc(slices.Clone(m.Pins), func(n int) bool { return slices.Contains(bad, n) })
		switch {
		case whole || len(left) == 0:
			dr.p.Measurements = slices.Delete(dr.p.Measurements, i, i+1)
		case len(bad) > 0:
			m.Pins = left
			if m.Method == Neighbours && len(left) == 1 {
				m.Method = AllOthers
			}
		}
	}
	return took
}
