package web

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/derive"
	"ohmkeep/server/quantity"
	"ohmkeep/server/standing"
)

// BenchCheckProps is the page that guides through a check of the bench.
type BenchCheckProps struct {
	Page   Page
	CanUse bool
	Form   Form // posted to /bench/check: steps, seat, confirm; what was refused
	Now    BenchCheckNow
}

// BenchCheckNow is how the check of a bench stands, the same for all who look
// at it.
type BenchCheckNow struct {
	Running  check.Step // at work; "": none
	Done, Of int        // its readings
	Broken   check.Step // the step that ended before its end; Err says why
	Err      string
	Refused  bool          // something else was in the socket than the step needs
	Check    BenchCheckRow // the newest; the zero one where it is no longer worth showing
	Open     bool          // a further step joins it
	Seats    bool          // a rehearsal bench, which seats what a step needs
	Seated   string        // model in its socket
	Back     string        // what can be put back into it, in words; "": nothing
	Newest   []BenchCheckRow
	Def      *bench.Definition
	// Turn counts what has changed. It stands in every part: a page may have been
	// drawn in a state that no frame has shown, and what looks as it did before
	// that must be sent to it again.
	Turn uint64
}

// BenchCheckRow is a check of a bench in a list, and on a page of its own.
type BenchCheckRow struct {
	ID      string
	Bench   string // name
	Verdict check.Verdict
	By      string
	Began   time.Time
	At      time.Time // end of its newest step
	Ended   time.Time
	Damaged string
	Record  *check.Record
}

// BenchCheckRecordProps is the permanent page of one check of a bench.
type BenchCheckRecordProps struct {
	Page  Page
	Check BenchCheckRow
	Def   *bench.Definition // of the bench at that time
	// Doubt is what the check puts in doubt; nil: it found no fault.
	Doubt *InDoubt
}

// InDoubt is the runs since the last good check of what a check found faulty,
// newest first, one page of them.
type InDoubt struct {
	Since  time.Time // end of the last good check; zero: there is none
	Runs   []DoubtRow
	Total  int
	More   bool   // there are, or may be, more runs than Total
	Next   string // address of the next page; ""
	First  string // address of the first; "": this is it
	CanRun bool
}

// DoubtRow is a run with what stands behind it.
type DoubtRow struct {
	RunRow
	Standing standing.Standing
}

// doubtful counts the runs of the page that used what was found faulty.
func (d *InDoubt) doubtful() (n int) {
	for i := range d.Runs {
		if d.Runs[i].Standing.Badge == standing.Doubtful {
			n++
		}
	}
	return n
}

// BenchChecksProps is the list of the checks of a bench.
type BenchChecksProps struct {
	Page  Page
	Bench string
	Rows  []BenchCheckRow
	Next  string // address of the page that follows; ""
}

// The parts of the page that live frames may replace.
const (
	PartBenchCheckHead    = "bench-check-head"
	PartBenchCheckButtons = "bench-check-buttons"
	PartBenchCheckList    = "bench-check-list"
)

// PartCheckStep is the id of what a step found.
func PartCheckStep(s check.Step) string { return "check-step-" + string(s) }

// PartCheckStage is the id of the form of a stage.
func PartCheckStage(g CheckStage) string { return "check-stage-" + g.Model }

// CheckStage is the steps that need the same thing in the socket.
type CheckStage struct {
	Model string
	Steps []check.StepInfo
}

// CheckStages lists the stages of a bench check in their order.
func CheckStages() (out []CheckStage) {
	for _, info := range check.Steps() {
		if n := len(out); n == 0 || out[n-1].Model != info.Model {
			out = append(out, CheckStage{Model: info.Model})
		}
		g := &out[len(out)-1]
		g.Steps = append(g.Steps, info)
	}
	return out
}

// StageOf is the id of the stage of a step on the page: its stop is in sight
// there.
func StageOf(s check.Step) string {
	info, _ := check.InfoOf(s)
	return stageID(info.Model)
}

func stageID(model string) string { return "stage-" + model }

func (g CheckStage) has(s check.Step) bool {
	return slices.ContainsFunc(g.Steps, func(info check.StepInfo) bool { return info.Step == s })
}

func (g CheckStage) heading() string {
	if len(g.Steps) > 1 || g.Steps[0].Model == emptyModel {
		return "Empty socket"
	}
	return g.Steps[0].Title
}

// emptyModel is the model that stands for an empty socket.
const emptyModel = "empty"

// toConfirm is what a person has to tick before the stage on a bench with cards.
func (g CheckStage) toConfirm() []ToConfirm {
	if g.Model == emptyModel {
		return []ToConfirm{{Name: emptyModel, Text: "The socket is empty: nothing is connected to its contacts."}}
	}
	return []ToConfirm{{Name: g.Model, Text: "In the socket is " + g.Steps[0].Socket + ". No part is connected."}}
}

// left are the steps of the stage that are still to be done; all of them where
// none is.
func (g CheckStage) left(n *BenchCheckNow) []check.StepInfo {
	var out []check.StepInfo
	for _, info := range g.Steps {
		if !n.Open || n.result(info.Step) == nil {
			out = append(out, info)
		}
	}
	if len(out) == 0 {
		return g.Steps
	}
	return out
}

func stepNames(list []check.StepInfo) string {
	var names []string
	for _, info := range list {
		names = append(names, string(info.Step))
	}
	return strings.Join(names, " ")
}

// startWords are what the button of a stage does.
func (g CheckStage) startWords(n *BenchCheckNow) string {
	again := n.Open && n.result(g.Steps[0].Step) != nil && n.result(g.Steps[len(g.Steps)-1].Step) != nil
	switch seats := n.Seats && n.Seated != g.Model; {
	case seats && g.Model == emptyModel:
		return "Take out what is there and start"
	case seats:
		return "Put it in the socket and start"
	case again && len(g.Steps) > 1:
		return "Do both steps again"
	case again:
		return "Do it again"
	case len(g.left(n)) > 1:
		return "Start both steps"
	}
	return "Start"
}

// result is what a step found in the check that is shown; nil: it was not done.
func (n *BenchCheckNow) result(s check.Step) *check.StepResult {
	if n.Check.Record == nil {
		return nil
	}
	return n.Check.Record.Result(s)
}

// brokenWords says why a step was broken off, and what is left of it; r is what
// it found before.
func (n *BenchCheckNow) brokenWords(r *check.StepResult) string {
	words := spoken(n.Err)
	if !n.Refused {
		words = "Broken off: " + unstopped(n.Err) + ". Nothing of this step was kept."
	}
	if r != nil {
		words += " What it found before stays."
	}
	return words
}

// unstopped is a sentence that something follows.
func unstopped(text string) string { return strings.TrimSuffix(text, ".") }

// verdictLook is the mark, the word and the colour of a verdict.
func verdictLook(v check.Verdict) (derive.Outcome, string) {
	switch v {
	case check.Good:
		return derive.Pass, "good"
	case check.Faulty:
		return derive.Fail, "faulty"
	case check.Partly:
		return derive.ConditionalPass, "partly checked"
	case check.NothingYet:
		return derive.NoLimits, "nothing checked yet"
	}
	return derive.Invalid, "damaged"
}

// verdictMeans says what a verdict means.
func verdictMeans(v check.Verdict) string {
	switch v {
	case check.Good:
		return "All steps were done, and none found a fault."
	case check.Partly:
		return "No fault was found; not all was done, or could be told."
	case check.Faulty:
		return "Something spoils results. What to do stands with each finding."
	}
	return ""
}

func (n *BenchCheckNow) turn() string { return strconv.FormatUint(n.Turn, 10) }

// endedWords says of a check that is shown that no step joins it any more.
func (n *BenchCheckNow) endedWords() string {
	if n.Open {
		return ""
	}
	return ". It has ended: a further step begins a new one."
}

// stepLook is that of one step.
func stepLook(r *check.StepResult) (derive.Outcome, string) {
	faults := 0
	for _, f := range r.Findings {
		if f.Fault {
			faults++
		}
	}
	switch {
	case faults > 0:
		return derive.Fail, count(faults, "fault found", "faults found")
	case len(r.Findings) > 0:
		return derive.ConditionalPass, "no fault, but not all could be told"
	}
	return derive.Pass, "good"
}

// faults are the findings of a check that spoil results.
func (c *BenchCheckRow) faults() (out []check.Finding) {
	if c.Record == nil {
		return nil
	}
	for _, r := range c.Record.Steps {
		for _, f := range r.Findings {
			if f.Fault {
				out = append(out, f)
			}
		}
	}
	return out
}

// doneWords says in a list which steps were done.
func (c *BenchCheckRow) doneWords() string {
	if c.Record == nil {
		return "—"
	}
	return fmt.Sprintf("%d of %d", len(c.Record.Steps), len(check.Steps()))
}

// foundWords says in a list what was found first.
func (c *BenchCheckRow) foundWords() string {
	found := c.faults()
	switch {
	case c.Damaged != "":
		return c.Damaged
	case len(found) == 0:
		return ""
	case len(found) == 1:
		return found[0].Said
	}
	return unstopped(found[0].Said) + "; and " + count(len(found)-1, "more", "more")
}

// took is the bench time of all steps, and their readings.
func (c *BenchCheckRow) took() (seconds float64, readings int) {
	for _, r := range c.Record.Steps {
		seconds, readings = seconds+r.Took, readings+r.Readings
	}
	return seconds, readings
}

// AgoWords says how long ago something was.
func AgoWords(now, t time.Time) string {
	if d := now.Sub(t); d >= time.Minute {
		return ageWords(d) + " ago"
	}
	return "just now"
}

// CheckLine is what the first page says of the bench's check.
func CheckLine(c *BenchCheckRow, now time.Time) string {
	if c == nil {
		return "no check yet"
	}
	if c.Damaged != "" {
		return "the last one is damaged and says nothing"
	}
	switch _, word := verdictLook(c.Verdict); c.Verdict {
	case check.Faulty:
		found := c.faults()
		return "faulty, " + AgoWords(now, c.At) + ": " + unstopped(found[0].Said)
	default:
		return word + ", " + AgoWords(now, c.At)
	}
}

// muxRow is the paths of one multiplexer as measured.
type muxRow struct {
	Name        string
	Rows        []pathRowMeasured
	Least, Most check.PathValue
	Faulty      bool
}

type pathRowMeasured struct {
	check.PathValue
	Path   bench.Path
	Faulty bool
}

// muxRows sorts measured paths by multiplexer; switches that stand alone, as
// those of the return, are together by their line.
func muxRows(r *check.StepResult, def *bench.Definition) (out []*muxRow) {
	faulty := map[bench.PathID]bool{}
	for _, f := range r.Findings {
		for _, id := range f.Paths {
			faulty[id] = faulty[id] || f.Fault
		}
	}
	ways := map[string]int{}
	for i := range def.Paths {
		ways[def.Paths[i].Mux]++
	}
	by := map[string]*muxRow{}
	for _, v := range r.Paths {
		p, known := def.PathByID(v.Path)
		if !known {
			p = &bench.Path{ID: v.Path, Mux: "not in the definition", Address: fmt.Sprintf("path %d", v.Path)}
		}
		name := p.Mux
		if ways[name] == 1 {
			name = "return"
			if p.Channel != 0 {
				name = "channel " + def.ChannelName(p.Channel)
			}
		}
		m := by[name]
		if m == nil {
			m = &muxRow{Name: name, Least: v, Most: v}
			by[name], out = m, append(out, m)
		}
		row := pathRowMeasured{PathValue: v, Path: *p, Faulty: faulty[v.Path]}
		m.Rows, m.Faulty = append(m.Rows, row), m.Faulty || row.Faulty
		if v.Ohms < m.Least.Ohms {
			m.Least = v
		}
		if v.Ohms > m.Most.Ohms {
			m.Most = v
		}
	}
	for _, m := range out {
		slices.SortFunc(m.Rows, func(a, b pathRowMeasured) int { return cmp.Compare(a.Path.Contact, b.Path.Contact) })
	}
	return out
}

// spanWords is the least and the most of a multiplexer's paths.
func (m *muxRow) spanWords() string {
	if len(m.Rows) == 1 {
		return quantity.Pair(m.Least.Ohms, m.Least.U, quantity.Ohm)
	}
	return quantity.FormatU(m.Least.Ohms, m.Least.U, quantity.Ohm) + " to " + quantity.FormatU(m.Most.Ohms, m.Most.U, quantity.Ohm)
}

// statedWords is what the definition says of a path.
func statedWords(p *bench.Path) string {
	if p.Resistance == 0 {
		return "—"
	}
	s := short(p.Resistance, quantity.Ohm)
	if p.ResistanceTolerance > 0 {
		s += " ± " + short(p.ResistanceTolerance*100, quantity.Percent)
	}
	return s
}

// beyond reports whether a channel differs by more than the accuracies allow.
func beyond(d *check.Difference) bool {
	return math.Abs(d.Gain) > d.MostGain || math.Abs(d.Offset) > d.MostOff
}

func gainWords(v float64) string { return quantity.Format(v*100, quantity.Percent, 2) }

// contactRows are values at contacts, with those that a finding is about.
func contactRows(r *check.StepResult, values []check.ContactValue) (out []contactRow) {
	faulty := map[int]bool{}
	for _, f := range r.Findings {
		for _, c := range f.Contacts {
			faulty[c] = faulty[c] || f.Fault
		}
	}
	for _, v := range values {
		out = append(out, contactRow{v, faulty[v.Contact]})
	}
	return out
}

type contactRow struct {
	check.ContactValue
	Faulty bool
}

func stepTitle(s check.Step) string {
	info, _ := check.InfoOf(s)
	return info.Title
}

// findingSeverity is the class of a finding: a fault, or something not told.
func findingSeverity(f *check.Finding) string {
	if f.Fault {
		return "error"
	}
	return "note"
}

// shownFindings is how many findings of a step stand in sight; the rest is folded.
const shownFindings = 6

// lowered is a title within a sentence.
func lowered(title string) string {
	if title == "" {
		return ""
	}
	return strings.ToLower(title[:1]) + title[1:]
}
