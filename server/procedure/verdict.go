package procedure

import "ohmkeep/server/derive"

// Verdict gathers the results of a run and judges the whole. A result that
// replaces another must be added alone.
type Verdict struct {
	worst  derive.Outcome
	judged map[output]bool
}

// output is an output of a measurement, by the measurement's index.
type output struct {
	measurement int
	key         string
}

// Add counts a result.
func (v *Verdict) Add(measurement int, key string, o derive.Outcome) {
	if v.judged == nil {
		v.judged = map[output]bool{}
	}
	v.worst = derive.Worst(v.worst, o)
	v.judged[output{measurement, key}] = true
}

// Of is the outcome of the whole run, of a procedure as it was carried out. A
// limit that nothing was held against, be it that the run did not get so far or
// that no value came of what was read, leaves the run undecided: it must not read
// as passed.
func (v *Verdict) Of(p *Procedure, status Status) derive.Outcome {
	for i := range p.Measurements {
		m := &p.Measurements[i]
		if m.Disabled {
			continue
		}
		if status != Done && m.Limited() || v.unjudged(i, m) {
			return derive.Worst(v.worst, derive.Invalid)
		}
	}
	return v.worst
}

// unjudged reports whether a limit of a measurement has no result at all.
func (v *Verdict) unjudged(index int, m *Measurement) bool {
	for key, limit := range m.Limits {
		if (limit.Low != nil || limit.High != nil) && !v.judged[output{index, key}] {
			return true
		}
	}
	return false
}
