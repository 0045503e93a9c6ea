package web

import (
	"strings"

	"github.com/a-h/templ"
	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// look is the appearance of an outcome: a mark, a word and a colour (by
// class). A rule under the mark says that the value lies within the guard
// band.
type look struct{ class, word, path string }

const (
	tickPath  = "M1.5 6.5l3 3.5 6-8"
	crossPath = "M2 1.5l8 8M10 1.5l-8 8"
	underline = "M.5 12.5h11"
)

var looks = map[derive.Outcome]look{
	derive.NoLimits:        {"none", "no limits", "M3 6h6"},
	derive.Untrusted:       {"invalid", "not to be trusted", "M6 1a5 5 0 1 0 .01 0M2.5 9.5l7-7"},
	derive.Pass:            {"pass", "pass", tickPath},
	derive.ConditionalPass: {"cond-pass", "conditional pass", tickPath + underline},
	derive.ConditionalFail: {"cond-fail", "conditional fail", crossPath + underline},
	derive.Fail:            {"fail", "fail", crossPath},
	derive.Invalid:         {"invalid", "invalid", "M6 1a5 5 0 1 0 .01 0M2.5 9.5l7-7"},
	derive.Damaged:         {"invalid", "damaged", "M6 1a5 5 0 1 0 .01 0M2.5 9.5l7-7"},
}

func lookOf(o derive.Outcome) look {
	if l, ok := looks[o]; ok {
		return l
	}
	return looks[derive.Invalid]
}

func outcomeWord(o derive.Outcome) string  { return lookOf(o).word }
func outcomeClass(o derive.Outcome) string { return "o-" + lookOf(o).class }

// markPath returns the mark as an SVG path in a 12 by 13 field.
func markPath(o derive.Outcome) string {
	l := lookOf(o)
	return `<path class="mark-path o-` + l.class + `" d="` + l.path + `"/>`
}

// Mark renders the mark alone; a word must stand beside it.
func Mark(o derive.Outcome) templ.Component {
	return templ.Raw(`<svg class="mark-icon" viewBox="-1 -1 14 15" aria-hidden="true" focusable="false">` + markPath(o) + `</svg>`)
}

// Outcomes lists the outcomes that a filter offers.
func Outcomes() []derive.Outcome {
	return []derive.Outcome{derive.Pass, derive.ConditionalPass, derive.ConditionalFail, derive.Fail, derive.Invalid}
}

// Statuses lists the states of a run that a filter offers.
func Statuses() []procedure.Status {
	return []procedure.Status{procedure.Running, procedure.Done, procedure.Stopped, procedure.Interrupted, procedure.Failed}
}

// flagWords returns a reading's flags in words.
func flagWords(f bench.Flags) string {
	var words []string
	for _, w := range []struct {
		flag bench.Flags
		word string
	}{
		{bench.InCompliance, "at compliance"}, {bench.OverRange, "over range"}, {bench.NotSettled, "not settled"},
		{bench.OutOfLimit, "out of limit"}, {bench.AfterFault, "after a fault"}, {bench.Auxiliary, "for a correction"},
	} {
		if f.Has(w.flag) {
			words = append(words, w.word)
		}
	}
	return strings.Join(words, ", ")
}

var outcomeHelp = []struct {
	outcome derive.Outcome
	help    string
}{
	{derive.Pass, "inside the limits by at least the guard band"},
	{derive.ConditionalPass, "inside the limits, but nearer than the guard band"},
	{derive.ConditionalFail, "outside the limits, but nearer than the guard band"},
	{derive.Fail, "outside the limits by more than the guard band"},
	{derive.Invalid, "no valid measure: at compliance, over range, not settled, or the link was lost"},
}
