package web

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/cause"
	"ohmkeep/server/check"
)

// causeCaution says what the probabilities of causes rest on.
const causeCaution = "One fault alone is assumed. The odds before the run and what each fault does to results are assumptions of this program, " +
	"not counts; the readings behind the results, and a model of the part, are not used. A fault that leaves no trace in results, such as a channel that has drifted, is not seen here: the bench check sees it."

// causeSummary says how many findings there are, and whether part or bench is likelier.
func causeSummary(d *cause.Diagnosis) string {
	what := fmt.Sprintf("%d of %s (those of one pin in one measurement counted once) %s out of limits, invalid, or unlike %s of equal pins.",
		d.Findings, count(d.Results, "result", "results"), isOrAre(d.Findings), thatOrThose(d.Findings))
	switch {
	case d.Bench >= toName:
		return what + " Most probably it is the bench: " + chance(d.Bench) + "."
	case 1-d.Bench >= toName:
		return what + " Most probably it is the part: " + chance(1-d.Bench) + "."
	}
	return what + " Whether it is the part or the bench cannot be told from this run alone."
}

// toName is the probability from which part or bench is named. From there on it was
// right in 40 of 43 drawn faults; below, saying "the bench" each time does as well.
const toName = 0.9

// chance is a probability in words, without digits that it does not carry.
func chance(p float64) string {
	switch pc := math.Round(100 * p); {
	case pc > 95:
		return "more than 95 %"
	case pc < 5:
		return "less than 5 %"
	case pc < 10:
		return fmt.Sprintf("about %.0f %%", pc)
	default:
		return fmt.Sprintf("about %.0f %%", 5*math.Round(pc/5))
	}
}

// settles says how much a step is expected to tell.
func settles(s cause.NextStep) string {
	if s.Now <= 0 {
		return ""
	}
	return fmt.Sprintf("Expected to settle %.0f %% of what is open.", 100*(1-s.Expected/s.Now))
}

// stageOf is the element of the bench check's page at which a step is offered: steps
// that need the same in the socket stand together.
func stageOf(s check.Step) string {
	info, _ := check.InfoOf(s)
	return stageID(info.Model)
}

// firstRerunBefore reports whether a step before the i-th has the button already.
func firstRerunBefore(all []cause.NextStep, i int) bool {
	return slices.ContainsFunc(all[:i], func(s cause.NextStep) bool { return s.Rerun })
}

func isOrAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func thatOrThose(n int) string {
	if n == 1 {
		return "that"
	}
	return "those"
}

func theirs(n int) string {
	if n == 1 {
		return "its"
	}
	return "their"
}
