package web

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// CheckProps is the page of the check before power.
type CheckProps struct {
	Page      Page
	Procedure procedure.Procedure
	Rev       int
	Device    dut.Device
	Report    procedure.CheckReport
	// Start has the fields of the form on the first page, and acknowledge: the
	// names of the warnings that are acknowledged. Asked says that a start was
	// refused for want of them.
	Start     Form
	Asked     bool
	OfferSeat bool
	CanStart  bool
}

// checkLine returns the summary of the check before power, in a line.
func checkLine(r *procedure.CheckReport) string {
	errors, warnings := len(r.Errors()), len(WarningsByName(r))
	switch {
	case errors > 0 && warnings > 0:
		return count(errors, "error keeps", "errors keep") + " it from starting, and " + count(warnings, "warning waits", "warnings wait") + " to be acknowledged."
	case errors > 0:
		return count(errors, "error keeps", "errors keep") + " it from starting."
	case warnings > 0:
		return "It may start once " + count(warnings, "warning is", "warnings are") + " acknowledged."
	}
	return "Nothing stands in its way."
}

// NamedWarning is a group of warnings that one tick box acknowledges.
type NamedWarning struct {
	Name     string
	Findings []procedure.Finding
}

// WarningsByName gathers warnings under the names that they are acknowledged by.
func WarningsByName(r *procedure.CheckReport) []NamedWarning {
	var out []NamedWarning
	for _, f := range r.Warnings() {
		i := slices.IndexFunc(out, func(n NamedWarning) bool { return n.Name == f.Name() })
		if i < 0 {
			out = append(out, NamedWarning{Name: f.Name()})
			i = len(out) - 1
		}
		out[i].Findings = append(out[i].Findings, f)
	}
	return out
}

// measurementName returns the name of the measurement that a finding is about.
func (p CheckProps) measurementName(f procedure.Finding) string {
	for _, m := range p.Report.Measurements {
		if m.ID == f.ID && f.ID != "" {
			return m.Name
		}
	}
	return ""
}

// sentenceOf returns a message with a capital at its head and a stop at its
// end.
func sentenceOf(message string) string {
	r, n := utf8.DecodeRuneInString(message)
	return string(unicode.ToUpper(r)) + message[n:] + "."
}

// severityMark returns the mark of a finding's severity; its heading says it
// in words.
func severityMark(s procedure.Severity) string {
	switch s {
	case procedure.SeverityError:
		return "✕"
	case procedure.SeverityWarning:
		return "!"
	}
	return "·"
}

// codeOf returns the part of an acknowledgement's name that says what it is
// about.
func codeOf(name string) string {
	code, _, _ := strings.Cut(name, ":")
	return strings.ReplaceAll(code, "-", " ")
}

// predicted is one row of the table of predictions: the least certain case of
// one result.
type predicted struct {
	procedure.Prediction
	measurement string
	pins        int
}

// predictions is the least certain case of each result, of all its pins.
func (p CheckProps) predictions() []predicted { return worstOf(&p.Report) }

// worstOf is the least certain case of each result of each measurement.
func worstOf(report *procedure.CheckReport) []predicted {
	if report == nil {
		return nil
	}
	var out []predicted
	for _, m := range report.Measurements {
		first := len(out)
		for _, q := range m.Predictions {
			i := slices.IndexFunc(out[first:], func(o predicted) bool { return o.Key == q.Key })
			if i < 0 {
				out = append(out, predicted{q, m.Name, 1})
				continue
			}
			at := &out[first+i]
			at.pins++
			if q.Ratio < at.Ratio {
				at.Prediction = q
			}
		}
	}
	return out
}

// consequence is what the decision rule does to some results.
type consequence struct{ of, words string }

// consequencesOf gathers what the decision rule does: results to which it does
// the same stand together.
func consequencesOf(rows []predicted) []consequence {
	var out []consequence
	at, n := map[string]int{}, map[string]int{}
	for _, q := range rows {
		words := q.Consequence()
		i, known := at[words]
		if !known {
			at[words] = len(out)
			out = append(out, consequence{q.measurement + ", " + q.Name, words})
		} else if n[words] == 1 {
			out[i].of += " and others"
		}
		n[words]++
	}
	for words, i := range at {
		if n[words] == len(rows) && len(rows) > 1 {
			out[i].of = "Every result"
		}
	}
	return out
}

func ratioWords(r float64) string {
	switch {
	case math.IsInf(r, 0) || r >= 1000:
		return "over 1000:1"
	case r >= 10:
		return fmt.Sprintf("%.0f:1", r)
	case r >= 4:
		return fmt.Sprintf("%.1f:1", r)
	case r >= 1:
		return severityMark(procedure.SeverityWarning) + " " + fmt.Sprintf("%.1f:1", r)
	}
	return severityMark(procedure.SeverityError) + " " + fmt.Sprintf("%.2g:1", r)
}

func ratioClass(r float64) string {
	switch {
	case r < 1:
		return "severity severity-error"
	case r < 4:
		return "severity severity-warning"
	}
	return ""
}

// partOf formats a part of a duration.
func partOf(s float64) string {
	if s == 0 {
		return "—"
	}
	return quantity.Format(s, quantity.Second, 3)
}

// parts returns the sum of all measurements' estimates, part by part.
func (p CheckProps) parts() procedure.Estimate {
	var sum procedure.Estimate
	for _, m := range p.Report.Measurements {
		e := m.Estimate
		sum.Points += e.Points
		sum.Readings += e.Readings
		sum.Switching += e.Switching
		sum.Settling += e.Settling
		sum.Reading += e.Reading
		sum.Ramp += e.Ramp
	}
	return sum
}

func totalWords(s float64) string { return span(time.Duration(s * float64(time.Second))) }
