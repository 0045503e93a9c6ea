package web

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/cardinfo"
)

// CardCheckProps is the page that checks cards against the protocol.
type CardCheckProps struct {
	Page        Page
	HasCards    bool
	CanUse      bool
	Form        Form // connection, and confirm by name; posted to /bench/check-cards
	Connections []Option
	Items       []ToConfirm // what is to be confirmed before it
	Takes       bool        // nobody holds control: whoever starts takes it
	Result      CardCheck
}

// CardCheck is a check of cards: at work, or how it ended.
type CardCheck struct {
	Running     bool
	By          string
	Started     time.Time
	Ended       time.Time
	Connections []string
	Findings    []CheckFinding
	Dropped     int    // findings beyond what is kept
	Err         string // why it ended before its end
	// Turn tells a drawing from one of another check that looks the same, which a
	// page that was drawn in between must be sent again.
	Turn uint64
}

func (c *CardCheck) turn() string { return strconv.FormatUint(c.Turn, 10) }

// CheckFinding is a finding with its raw exchange decoded.
type CheckFinding struct {
	cardinfo.Finding
	Connection string
	Rows       []TrafficRow
}

// The parts of the page that live frames may replace: the summary, the button,
// and the groups of findings, whose places are all there from the beginning.
const (
	PartCheckSummary = "check-summary"
	PartCheckStop    = "check-stop"
	partCheckGroup   = "check-group-"
	// CheckGroups is how many groups the page shows apart; the last one takes
	// what is beyond.
	CheckGroups = 40
)

// CheckGroup is the findings of one connection and one group.
type CheckGroup struct {
	At       int
	Title    string
	Turn     string // of the check
	Findings []CheckFinding
}

// PartCheckGroup returns the element id of a group of findings.
func PartCheckGroup(at int) string { return partCheckGroup + strconv.Itoa(at) }

// Groups sorts the findings, in the order in which the groups came. It is
// always CheckGroups long.
func (c *CardCheck) Groups() []CheckGroup {
	out := make([]CheckGroup, CheckGroups)
	n := 0
	for i := range out {
		out[i].At, out[i].Turn = i, c.turn()
	}
	for _, f := range c.Findings {
		title := f.Group
		if len(c.Connections) > 1 {
			title = f.Connection + ": " + title
		}
		at := slices.IndexFunc(out[:n], func(g CheckGroup) bool { return g.Title == title })
		if at < 0 && n < CheckGroups {
			at, out[n].Title = n, title
			n++
		} else if at < 0 {
			at, out[n-1].Title = n-1, "Further groups"
		}
		out[at].Findings = append(out[at].Findings, f)
	}
	return out
}

// verdicts returns the number of findings with a verdict.
func verdicts(list []CheckFinding, v cardinfo.Verdict) int {
	n := 0
	for _, f := range list {
		if f.Verdict == v {
			n++
		}
	}
	return n
}

// verdictLine returns the counts of findings by verdict, in a line.
func verdictLine(list []CheckFinding) string {
	var words []string
	for _, v := range []struct {
		verdict cardinfo.Verdict
		word    string
	}{{cardinfo.Fail, "failed"}, {cardinfo.Pass, "passed"}, {cardinfo.Skipped, "not carried out"}} {
		if n := verdicts(list, v.verdict); n > 0 {
			words = append(words, strconv.Itoa(n)+" "+v.word)
		}
	}
	if len(words) == 0 {
		return "nothing found out"
	}
	return strings.Join(words, ", ")
}

// checkWords returns the summary of a check of cards, in a sentence.
func checkWords(c *CardCheck) string {
	fails := verdicts(c.Findings, cardinfo.Fail)
	switch {
	case c.Running:
		return "At work: " + verdictLine(c.Findings) + " so far."
	case c.Err != "":
		return "It did not come to its end: " + c.Err + ". Until then " + verdictLine(c.Findings) + "."
	case len(c.Findings) == 0:
		return "Nothing was found out."
	case fails > 0:
		return "The card does not do what the protocol asks: " + verdictLine(c.Findings) + "."
	case verdicts(c.Findings, cardinfo.Skipped) > 0:
		return "What was carried out passed: " + verdictLine(c.Findings) + "."
	}
	return "The card does what the protocol asks: " + verdictLine(c.Findings) + "."
}

func verdictMark(v cardinfo.Verdict) string {
	switch v {
	case cardinfo.Pass:
		return "✓"
	case cardinfo.Fail:
		return "✕"
	}
	return "–"
}

func verdictWord(v cardinfo.Verdict) string {
	if v == cardinfo.Skipped {
		return "not carried out"
	}
	return string(v)
}

func verdictClass(v cardinfo.Verdict) string { return "verdict-word verdict-" + string(v) }
