package web

import (
	"context"
	"fmt"
	"html"
	"io"
	"net/url"
	"strconv"
	"strings"

	"github.com/a-h/templ"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// ProcedureEditProps is the editor of a procedure: its list of measurements and
// what holds for all of them.
type ProcedureEditProps struct {
	Page      Page
	Procedure procedure.Procedure
	Rev       int
	Device    dut.Device
	// Ticked are the ids of the measurements that are ticked.
	Ticked map[string]bool
	// Problems are those of Validate; Reasons those of the draft that still hold,
	// by id, "" for the whole.
	Problems dut.Problems
	Reasons  map[string][]string
	About    Form // name, notes, guard, stopOnFail, and the conditions
	Group    string
	Corners  int // rows of conditions in the form
	// Report is the check before power, for what the decision rule gives away;
	// nil where that would take long.
	Report   *procedure.CheckReport
	Conflict *Conflict
	CanDelete,
	Removed bool
}

// supplies returns the pins whose level a condition may state.
func (p ProcedureEditProps) supplies() (out []dut.Pin) {
	for _, s := range p.Device.Power {
		if pin, ok := p.Device.Pin(s.Pin); ok {
			out = append(out, pin)
		}
	}
	return out
}

// corners returns the procedure's conditions in words.
func (p ProcedureEditProps) corners() (out []string) {
	for i := range p.Procedure.Conditions {
		c := &p.Procedure.Conditions[i]
		w := c.Words(&p.Device)
		if c.Group != "" {
			w += " (" + c.Group + " only)"
		}
		if c.Note != "" {
			w += ": " + c.Note
		}
		out = append(out, w)
	}
	return out
}

// groupOptions returns the headings that a condition may be limited to.
func (p ProcedureEditProps) groupOptions(now string) []Option {
	out := []Option{{Value: "", Label: "all measurements"}}
	seen := map[string]bool{"": true}
	add := func(g string) {
		if !seen[g] {
			seen[g] = true
			out = append(out, Option{Value: g, Label: g})
		}
	}
	for _, m := range p.Procedure.Measurements {
		add(m.Group)
	}
	add(now)
	return out
}

// The list must stay usable with hundreds of measurements, and its page small:
// what a row says is cut to what fits. The form of the measurement has it whole.
const (
	listBytes = 275_000 // what the rows of a long list may take together
	rowFrame  = 455     // a row's own markup, without its words
	leastRow  = 60
	mostRow   = 700
	rowsTold  = 60 // problems that are told in full
)

func rowBudget(rows int) int {
	return min(max(listBytes/max(rows, 1)-rowFrame, leastRow), mostRow)
}

// cut shortens a text to a number of bytes, at a rune.
func cut(s string, most int) string {
	if len(s) <= most {
		return s
	}
	for i := range s {
		if i > most-3 {
			return strings.TrimRight(s[:i], " ,;") + "…"
		}
	}
	return s
}

// rows draws the list. It is written by hand: with 500 rows every byte of a row
// counts, and quotes around plain words are optional in HTML.
func (p ProcedureEditProps) rows() templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		var b strings.Builder
		budget := rowBudget(len(p.Procedure.Measurements))
		wrong := p.problemsByRow()
		told := 0
		open := false
		group := ""
		for i := range p.Procedure.Measurements {
			m := &p.Procedure.Measurements[i]
			if !open || m.Group != group {
				if open {
					b.WriteString("</ol>")
				}
				if m.Group != "" {
					b.WriteString("<h3>" + html.EscapeString(m.Group) + "</h3>")
				}
				fmt.Fprintf(&b, `<ol class="rows" start=%d>`, i+1)
				open, group = true, m.Group
			}
			problem := wrong[i]
			if problem != "" {
				if told++; told > rowsTold {
					problem = "needs another look"
				}
			}
			p.row(&b, i, m, budget, problem)
		}
		if open {
			b.WriteString("</ol>")
		}
		_, err := io.WriteString(w, b.String())
		return err
	})
}

func (p ProcedureEditProps) row(b *strings.Builder, i int, m *procedure.Measurement, budget int, problem string) {
	class := ""
	if m.Disabled {
		class = " class=off"
	}
	n := strconv.Itoa(i)
	ticked := ""
	if p.Ticked[m.ID] {
		ticked = " checked"
	}
	fmt.Fprintf(b, `<li id=r%s%s><input type=checkbox name=m value=%s aria-label=%d%s><div><a href="edit/%s">%s</a>`,
		n, class, n, i+1, ticked, html.EscapeString(url.PathEscape(m.ID)), html.EscapeString(cut(m.Name, 120)))
	if m.Disabled {
		b.WriteString(" <b>left out</b>")
	}
	b.WriteString("<i>" + html.EscapeString(cut(kindTitle(m.Kind)+", "+pinList(m.Pins, &p.Device), 90)) + "</i></div>")
	limits := limitsLine(*m)
	words := cut(conditionsLine(m, &p.Device), max(budget-len(limits), budget/2))
	b.WriteString("<p>" + html.EscapeString(words) + "</p><p>" + html.EscapeString(cut(limits, max(budget-len(words), budget/2))) + "</p><span>")
	out := "Leave out"
	if m.Disabled {
		out = "Take in"
	}
	for _, a := range [][2]string{{"up", "Up"}, {"down", "Down"}, {"copy", "Copy"}, {"off", out}, {"remove", "Remove"}} {
		b.WriteString("<button name=" + a[0] + " value=" + n + ">" + a[1] + "</button>")
	}
	b.WriteString("</span>")
	if problem != "" {
		b.WriteString("<em>" + html.EscapeString(problem) + "</em>")
	}
	if reasons := p.Reasons[m.ID]; len(reasons) > 0 {
		b.WriteString("<q>" + html.EscapeString(cut(strings.Join(reasons, " "), max(budget, 120))) + "</q>")
	} else if m.Note != "" && budget > 2*leastRow {
		b.WriteString("<q>" + html.EscapeString(cut(m.Note, budget)) + "</q>")
	}
	b.WriteString("</li>")
}

// problemsByRow returns the first problem of each measurement.
func (p ProcedureEditProps) problemsByRow() map[int]string {
	out := map[int]string{}
	for _, q := range p.Problems {
		var i int
		if _, err := fmt.Sscanf(q.Field, "measurements[%d]", &i); err == nil && out[i] == "" {
			out[i] = q.Message
		}
	}
	return out
}

// wholeProblems returns the problems that belong to no measurement.
func (p ProcedureEditProps) wholeProblems() []string {
	var out []string
	for _, q := range p.Problems {
		if !strings.HasPrefix(q.Field, "measurements[") {
			out = append(out, q.Field+": "+q.Message)
		}
	}
	return out
}

func (p ProcedureEditProps) path(rest string) templ.SafeURL {
	return templ.SafeURL("/procedures/" + p.Procedure.Key + rest)
}

// conditionsLine returns the conditions of a measurement in one line.
func conditionsLine(m *procedure.Measurement, d *dut.Device) string {
	return strings.Join(conditionWords(m, d), "; ")
}

// limitsLine returns the limits of a measurement in one line.
func limitsLine(m procedure.Measurement) string {
	var parts []string
	for _, l := range Limits(m) {
		parts = append(parts, l.Name+" "+l.Words)
	}
	return strings.Join(parts, "; ")
}

// outcomeRule returns the procedure's rules of judgement in a sentence.
func outcomeRule(p *procedure.Procedure) string {
	s := p.Rule().Words()
	if p.StopOnFail {
		s += " A run stops at the first measurement that fails."
	}
	return s
}
