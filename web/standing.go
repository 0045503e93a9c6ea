package web

import (
	"strings"

	"ohmkeep/server/check"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
)

// badgeLook is the outcome whose mark and colour a badge has.
func badgeLook(b standing.Badge) derive.Outcome {
	switch b {
	case standing.Checked:
		return derive.Pass
	case standing.Doubtful:
		return derive.Fail
	}
	return derive.NoLimits
}

// lookWord is the verdict of a check beside a run.
func lookWord(l *standing.Look) string {
	if l.Verdict == "" {
		return "damaged"
	}
	_, word := verdictLook(l.Verdict)
	return word
}

// touchedWords is what of the bench's faults a run used.
func touchedWords(s *standing.Standing) string {
	var used []string
	elsewhere := false
	for _, f := range s.Faults {
		switch {
		case f.Touches && f.Used != "" && !strings.Contains(strings.Join(used, ", "), f.Used):
			used = append(used, f.Used)
		case !f.Touches:
			elsewhere = true
		}
	}
	switch {
	case len(used) > 0:
		return "used " + strings.Join(used, ", ")
	case s.Badge != standing.Doubtful && elsewhere:
		return "used nothing of it"
	}
	return ""
}

func checkFirstWords(seats bool) string {
	if seats {
		return "About 20 seconds, with the socket empty: what is in it is taken out, and can be put back on the page of the check."
	}
	return "About 20 seconds, with nothing in the socket: take the part out first."
}

// StartCheck is the steps of the short check that is offered before a run: what
// needs nothing in the socket.
var StartCheck = string(check.Channels) + " " + string(check.Empty)

// servedWords is what a result's pin was read by: channel, path and contact.
func servedWords(p RunProps, r procedure.Result) string {
	channel, path, contact := p.Served.Columns(&r, &p.Record.Bench)
	if channel == "" {
		return ""
	}
	words := "by " + channel
	if path != "" {
		words += ", path " + path
	}
	if contact != "" {
		words += ", contact " + contact
	}
	return words
}
