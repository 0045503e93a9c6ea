package standing

import (
	"cmp"
	"slices"
	"time"

	"ohmkeep/server/check"
)

// Timeline is the checks of one bench's key in the order of time, by the serial
// number of the bench: another bench of the same name is another bench. It is not
// changed once it is made.
type Timeline struct {
	benches map[string]*line
}

// line is the checks of one bench.
type line struct {
	checks  []Check                 // by At
	results map[check.Step][]result // by the end of the step
}

// result is a step's result with the check that has it.
type result struct {
	check *Check
	step  *Step
}

// NewTimeline orders checks, given in any order.
func NewTimeline(checks []Check) *Timeline {
	t := &Timeline{benches: map[string]*line{}}
	for _, c := range checks {
		serials := []string{c.Serial}
		if c.Damaged { // which bench it was of is not known
			serials = serialsOf(checks)
		}
		for _, serial := range serials {
			b := t.benches[serial]
			if b == nil {
				b = &line{results: map[check.Step][]result{}}
				t.benches[serial] = b
			}
			b.checks = append(b.checks, c)
		}
	}
	for _, b := range t.benches {
		b.order()
	}
	return t
}

func serialsOf(checks []Check) (out []string) {
	for _, c := range checks {
		if !c.Damaged && !slices.Contains(out, c.Serial) {
			out = append(out, c.Serial)
		}
	}
	return out
}

func (b *line) order() {
	slices.SortStableFunc(b.checks, func(x, y Check) int { return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.ID, y.ID)) })
	for i := range b.checks {
		c := &b.checks[i]
		for k := range c.Steps {
			b.results[c.Steps[k].Step] = append(b.results[c.Steps[k].Step], result{c, &c.Steps[k]})
		}
	}
	for _, all := range b.results {
		slices.SortStableFunc(all, func(x, y result) int { return x.step.Ended.Compare(y.step.Ended) })
	}
}

// beside is the last result of a step that ended at or before t, and the first
// that ended after it; nil where there is none.
func (b *line) beside(s check.Step, t time.Time) (before, after *result) {
	all := b.results[s]
	i, _ := slices.BinarySearchFunc(all, t, func(r result, t time.Time) int {
		if r.step.Ended.After(t) {
			return 1
		}
		return -1
	})
	if i > 0 {
		before = &all[i-1]
	}
	if i < len(all) {
		after = &all[i]
	}
	return before, after
}

// checksBeside is the last check at or before t and the first after it.
func (b *line) checksBeside(t time.Time) (before, after *Check) {
	i, _ := slices.BinarySearchFunc(b.checks, t, func(c Check, t time.Time) int {
		if c.At.After(t) {
			return 1
		}
		return -1
	})
	if i > 0 {
		before = &b.checks[i-1]
	}
	if i < len(b.checks) {
		after = &b.checks[i]
	}
	return before, after
}

// Since is from when on runs are in doubt by what a check found: the end of the
// last good result of the steps that found a fault, the earliest of them; zero
// where there is none. It reports false for a check that found no fault.
func (t *Timeline) Since(id string) (from time.Time, some bool) {
	for _, b := range t.benches {
		i := slices.IndexFunc(b.checks, func(c Check) bool { return c.ID == id })
		if i < 0 || b.checks[i].Damaged {
			continue
		}
		for _, s := range b.checks[i].Steps {
			if len(s.Faults) == 0 {
				continue
			}
			good := b.lastGood(s.Step, s.Ended)
			if !some || good.Before(from) {
				from = good
			}
			some = true
		}
	}
	return from, some
}

// lastGood is the end of the last result of a step without a fault that ended
// before t; zero where there is none.
func (b *line) lastGood(s check.Step, t time.Time) (at time.Time) {
	for _, r := range b.results[s] {
		if r.step.Ended.Before(t) && len(r.step.Faults) == 0 {
			at = r.step.Ended
		}
	}
	return at
}

// LastGood is the end of the newest good check of a bench; zero where there is
// none.
func (t *Timeline) LastGood(serial string) (at time.Time) {
	for _, c := range t.of(serial).checks {
		if c.Verdict == check.Good && !c.Damaged {
			at = c.At
		}
	}
	return at
}

// none is a bench without a check.
var none = &line{}

func (t *Timeline) of(serial string) *line {
	if b := t.benches[serial]; b != nil {
		return b
	}
	return none
}
