// Package cause says what most probably explains the findings of a run: one fault of
// the bench or of the part. It is pure: a run's record, its results and what the
// checks of the bench told are given to it. All values are in SI base units.
//
// Every single fault that could touch what the run used is a candidate. How likely
// each is before the run is an assumption of ours (candidates.go); how likely it makes
// what was seen comes from the run's own plan (expect.go). The posterior follows by
// Bayes' theorem over single faults, and the next step is the one that leaves the least
// entropy to be expected, after J. de Kleer, B. C. Williams, "Diagnosing multiple
// faults", Artificial Intelligence 32 (1987) 97-130.
package cause

import (
	"cmp"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/procedure"
)

// The kinds of cause that are the part's own. Those of the bench are named as the
// bench check names them.
const (
	OpenBond  check.Kind = "open-bond"     // a pin has no way to the die
	Shorted   check.Kind = "pins-shorted"  // two pins are joined
	LeakyPin  check.Kind = "leaky-pin"     // current leaks from a pin
	Parameter check.Kind = "out-of-limits" // the part itself is not as its limits say
)

// Cause is one single fault that explains the findings of a run.
type Cause struct {
	Kind        check.Kind        `json:"kind" doc:"open-bond, pins-shorted, leaky-pin, out-of-limits of the part; enable-floats, stuck-closed, stuck-open, poor-contact, wrong-contact, channel-disagrees of the bench"`
	Bench       bool              `json:"bench" doc:"whether it is the bench; otherwise the part"`
	Probability float64           `json:"probability" doc:"among single faults, with assumed odds before the run; 0 to 1"`
	Said        string            `json:"said" doc:"what it is and where, in words"`
	Evidence    []string          `json:"evidence" doc:"what was seen that speaks for it, or against"`
	Mux         string            `json:"mux,omitempty" doc:"the multiplexer"`
	Paths       []bench.PathID    `json:"paths,omitempty" doc:"numbers of the paths"`
	Contacts    []int             `json:"contacts,omitempty" doc:"contacts of the socket"`
	Channels    []bench.ChannelID `json:"channels,omitempty" doc:"numbers of the channels"`
	Pins        []int             `json:"pins,omitempty" doc:"numbers of the pins"`
}

// Diagnosis is what most probably explains the findings of a run.
type Diagnosis struct {
	Findings int        `json:"findings" doc:"results, several of one pin and measurement counted once, that are out of their limits, invalid or unlike those of equal pins"`
	Results  int        `json:"results" doc:"those that were looked at, counted in the same way"`
	Bench    float64    `json:"bench" doc:"probability that it is the bench and not the part, 0 to 1"`
	Causes   []Cause    `json:"causes" doc:"the likeliest first"`
	Next     []NextStep `json:"next" doc:"what would settle most, the best first"`
	// Unlike are the results that are within their limits but unlike those of equal
	// pins, in words.
	Unlike []string `json:"unlike,omitempty" doc:"results that are not like those of equal pins, in words"`
}

// Told is what the checks of the bench tell of a run.
type Told struct {
	Checked bool            // the whole check before it found nothing that touches it
	Faults  []check.Finding // that touch what it used
}

const (
	mostCauses = 6    // that are listed
	leastCause = 0.01 // probability below which a cause is not listed
	// independent is the part of the results that is taken to speak independently under
	// a fault: what one fault does to ten results of a kind is one thing, so each
	// result counts half. An assumption of ours, that keeps probabilities modest.
	independent = 0.5
)

// Diagnose ranks what explains the findings of a run; nil where there are none, or
// where nothing is known of how its pins were read.
func Diagnose(rec *procedure.Record, results []procedure.Result, told Told) *Diagnosis {
	s := &situation{rec: rec}
	apart := s.departures(results)
	if len(apart) == 0 && !slices.ContainsFunc(results, func(r procedure.Result) bool { return bad(&r) }) {
		return nil
	}
	s.gather(results, apart)
	out := &Diagnosis{Results: len(s.seen)}
	for i := range s.seen {
		if s.seen[i].class != sound {
			out.Findings++
		}
	}
	if out.Findings == 0 {
		return nil // of no pin of which it is known how it was read
	}
	all := candidates(s, told)
	weigh(s, all)
	for i := range all {
		if all[i].Bench {
			out.Bench += all[i].Probability
		}
	}
	out.Unlike, out.Next = s.unlike, nextSteps(all)
	for i := range all {
		if len(out.Causes) == mostCauses || i > 0 && all[i].Probability < leastCause {
			break
		}
		c := all[i]
		c.Said, c.Evidence = s.say(&c), s.evidence(&c)
		out.Causes = append(out.Causes, c.Cause)
	}
	return out
}

// weigh gives every candidate its probability and puts the likeliest first.
func weigh(s *situation, all []candidate) {
	most := math.Inf(-1)
	for i := range all {
		all[i].log = math.Log(all[i].odds) + independent*all[i].likelihood(s)
		most = max(most, all[i].log)
	}
	sum := 0.0
	for i := range all {
		all[i].Probability = math.Exp(all[i].log - most)
		sum += all[i].Probability
	}
	for i := range all {
		all[i].Probability /= sum
	}
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(b.log, a.log) })
}
