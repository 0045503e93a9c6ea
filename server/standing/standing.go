// Package standing says what stands behind a run: which checks of its bench were
// done before it and after it, what they found, and whether that touches anything
// that the run used. It is pure: the checks are given to it.
package standing

import (
	"time"

	"ohmkeep/server/check"
	"ohmkeep/server/procedure"
)

// Fresh is how long a step of a bench check speaks for the runs after it, where
// nothing else is set. Common practice: a bench is checked at the beginning of a
// day's work; no standard says a time.
const Fresh = 24 * time.Hour

// Badge is what stands behind a run, in a word.
type Badge string

const (
	Checked  Badge = "checked"   // the whole check before it was good and fresh, and what was checked after it, too
	Due      Badge = "check due" // no whole check before it, or too old a one
	Doubtful Badge = "doubtful"  // a check before or after it found what touches something that it used
	Untold   Badge = "not told"  // the checks kept here do not speak of it
)

// Standing is what stands behind a run.
type Standing struct {
	Badge Badge  `json:"badge" doc:"checked, check due, doubtful, not told: what the checks of the bench say of the run"`
	Said  string `json:"said" doc:"why, in words"`
	// Before and After are the last check before the run and the first after it.
	Before *Look   `json:"before,omitempty" doc:"the last check of the bench before the run; absent: none"`
	After  *Look   `json:"after,omitempty" doc:"the first check of the bench after the run began; absent: none yet"`
	Faults []Found `json:"faults,omitempty" doc:"what the checks before and after it found that spoils results; absent: nothing"`
}

// Look is a check beside a run.
type Look struct {
	Check   string        `json:"check" doc:"id of the check"`
	At      time.Time     `json:"at" doc:"end of its newest step"`
	Verdict check.Verdict `json:"verdict,omitempty" doc:"absent: what is stored of it is damaged"`
}

// Found is a fault that a check beside a run found.
type Found struct {
	Check   string     `json:"check" doc:"id of the check"`
	Step    check.Step `json:"step"`
	Kind    check.Kind `json:"kind"`
	After   bool       `json:"after" doc:"whether it was found after the run began"`
	Said    string     `json:"said" doc:"what was found, in words"`
	Touches bool       `json:"touches" doc:"whether the run used what it is about"`
	Used    string     `json:"used,omitempty" doc:"what the run used of it, in words"`
	// Finding is what was found, with its places.
	Finding check.Finding `json:"-"`
}

// Touching are the faults that touch what the run used.
func (s *Standing) Touching() (out []check.Finding) {
	for i := range s.Faults {
		if s.Faults[i].Touches {
			out = append(out, s.Faults[i].Finding)
		}
	}
	return out
}

// Run is what of a run decides which checks speak of it.
type Run struct {
	Started time.Time
	Serial  string // of its bench
	Built   string // sum of its bench's definition (bench.Definition.Built); "": not known
	// Use is asked for only where a check found a fault.
	Use func() (*procedure.BenchUse, error)
	// Apart says why the checks that are kept do not speak of it, as a sentence;
	// "": they do.
	Apart string
}

// Check is a check of a bench, as far as it speaks for runs.
type Check struct {
	ID      string
	At      time.Time // end of its newest step
	Serial  string    // of the bench
	Built   string    // sum of its definition; "": not known
	Verdict check.Verdict
	Damaged bool // nothing of it is to be believed
	Steps   []Step
}

// Step is a step of a check.
type Step struct {
	Step   check.Step
	Ended  time.Time
	Untold []string        // what could not be told, in words
	Faults []check.Finding // what spoils results
}

// CheckOf takes from a record what speaks for runs.
func CheckOf(r *check.Record, at time.Time) Check {
	c := Check{ID: r.ID, At: at, Serial: r.Identity.Serial, Built: r.Built, Verdict: r.Verdict()}
	for i := range r.Steps {
		s := Step{Step: r.Steps[i].Step, Ended: r.Steps[i].Ended}
		for _, f := range r.Steps[i].Findings {
			if f.Fault {
				s.Faults = append(s.Faults, f)
			} else {
				s.Untold = append(s.Untold, f.Said)
			}
		}
		c.Steps = append(c.Steps, s)
	}
	return c
}
