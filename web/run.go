package web

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/server/bench"
	"ohmkeep/server/cause"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/standing"
)

// Progress is the progress of a run.
type Progress struct {
	Measurement int // index of the one at work
	Point       int // of it
	Points      int // in it
	Done        []bool
	Elapsed     time.Duration
	Left        time.Duration // estimate; negative: unknown
	Readings    int64
}

// Share is a read-only link to a run.
type Share struct {
	ID      string
	Href    string // whole address, to be handed on
	Created time.Time
	Expires time.Time // zero: never
}

// RunProps is the run page: the same while the run is at work and for ever
// after, for those who are signed in and, with Shared, for those who are not.
type RunProps struct {
	Page   Page
	Base   string // "/runs/<id>" or "/s/<token>"
	Shared bool   // reached by a share link: nothing can be changed
	Record procedure.Record
	Behind standing.Standing // the checks of its bench before and after it
	// Cause is what most probably explains its findings; nil: it has none.
	Cause *cause.Diagnosis
	// Served is what each pin was read by; nil: not known.
	Served procedure.Served
	// Progress and Pins are of this moment; after the run, of its end.
	Progress Progress
	Pins     []PinMark
	Results  [][]procedure.Result // by measurement; see ByMeasurement
	// Selected is the measurement whose plots are shown; with Follow it is the
	// one at work and changes with the run.
	Selected int
	Follow   bool
	Plots    []Plot
	// ReadingsDamaged says that some readings of the selected measurement are
	// damaged, so that it is not drawn.
	ReadingsDamaged bool
	Latest          []bench.Reading // newest first, of the selected measurement
	Shares          []Share

	// Budgets are those that were chosen to stand on the page, nil where none were
	// asked for; Ticked are the keys of what was.
	Budgets []BudgetRow
	Ticked  []string

	// NoteForm has the field note. Posted to Base+"/note".
	NoteForm Form
	// ShareForm has the field days (empty: does not expire). Posted to
	// Base+"/share"; revoking posts id to Base+"/share/revoke".
	ShareForm Form
	CanEdit   bool // note, rerun, share
	Traffic   bool // what was said with the cards is kept
	CanDelete bool
}

// The parts of the run page that live frames may replace, by element id. Each
// pin and each measurement has two more.
const (
	PartRunStatus    = "run-status"
	PartRunStop      = "run-stop"
	PartRunPlot      = "run-plot"
	PartRunLatest    = "run-latest"
	PartRunNoResults = "run-no-results"

	partRunPin     = "run-pin-"
	partRunPackage = "run-package"
	partRunDrawn   = partRunPackage + "-p"
	partRunLine    = "run-line-"
	partRunResults = "run-results-"
)

// PartRunLine returns the element id of measurement m's line in the list of
// measurements.
func PartRunLine(m int) string { return partRunLine + strconv.Itoa(m) }

// PartRunResults returns the element id of measurement m's results. Before the
// first it is an empty element, so that a live frame has something to replace.
func PartRunResults(m int) string { return partRunResults + strconv.Itoa(m) }

// PartRunPin and PartRunDrawn return the element ids of a pin of the device in
// the table and in the drawing, by its number.
func PartRunPin(pin int) string   { return partRunPin + strconv.Itoa(pin) }
func PartRunDrawn(pin int) string { return partRunDrawn + strconv.Itoa(pin) }

// RunParts returns the ids of all parts of a run's page.
func RunParts(rec *procedure.Record) []string {
	parts := []string{PartRunStatus, PartRunStop, PartRunPlot, PartRunLatest, PartRunNoResults}
	for _, pin := range rec.Device.Pins {
		parts = append(parts, PartRunPin(pin.Number), PartRunDrawn(pin.Number))
	}
	for m := range rec.Procedure.Measurements {
		parts = append(parts, PartRunLine(m), PartRunResults(m))
	}
	return parts
}

// ByMeasurement sorts results into their n measurements, in the order they
// come. Those of no measurement are left out.
func ByMeasurement(n int, results []procedure.Result) [][]procedure.Result {
	out := make([][]procedure.Result, n)
	for _, r := range results {
		if r.Measurement >= 0 && r.Measurement < n {
			out[r.Measurement] = append(out[r.Measurement], r)
		}
	}
	return out
}

// RunPart returns the component of one part, or nil for an unknown id.
func RunPart(id string, p RunProps) templ.Component {
	switch id {
	case PartRunStatus:
		return RunStatus(p)
	case PartRunStop:
		return RunStop(p)
	case PartRunPlot:
		return RunPlot(p)
	case PartRunNoResults:
		return RunNoResults(p)
	case PartRunLatest:
		return RunLatest(p)
	}
	prefix := strings.TrimRight(id, "0123456789")
	n, err := strconv.Atoi(id[len(prefix):])
	if err != nil {
		return nil
	}
	switch prefix {
	case partRunPin, partRunDrawn:
		return p.pinPart(prefix, n)
	case partRunLine, partRunResults:
		return p.measurementPart(prefix, n)
	}
	return nil
}

func (p RunProps) pinPart(prefix string, pin int) templ.Component {
	i := slices.IndexFunc(p.Pins, func(m PinMark) bool { return m.Number == pin })
	switch {
	case i < 0:
		return nil
	case prefix == partRunDrawn:
		return p.drawing().Pin(p.Pins[i])
	}
	return RunPin(p.Pins[i])
}

func (p RunProps) measurementPart(prefix string, m int) templ.Component {
	switch {
	case m >= len(p.Record.Procedure.Measurements):
		return nil
	case prefix == partRunLine:
		return RunLine(p, m)
	}
	return RunResults(p, m)
}

func (p RunProps) running() bool { return p.Record.Status == procedure.Running }

func (p RunProps) drawing() Drawing {
	return Drawing{ID: partRunPackage, Title: "Package of " + p.Record.Device.Name + " seen from above",
		Package: p.Record.Device.Package, Pins: p.Pins, Live: true}
}

func (p RunProps) measurement(i int) (procedure.Measurement, bool) {
	if i < 0 || i >= len(p.Record.Procedure.Measurements) {
		return procedure.Measurement{}, false
	}
	return p.Record.Procedure.Measurements[i], true
}

// done reports whether measurement i is finished.
func (p RunProps) done(i int) bool { return i < len(p.Progress.Done) && p.Progress.Done[i] }

// outcomeOf returns the worst outcome of a measurement's results so far.
func (p RunProps) outcomeOf(i int) (o derive.Outcome, any bool) {
	for _, r := range p.resultsOf(i) {
		o, any = derive.Worst(o, r.Outcome), true
	}
	return o, any
}

func (p RunProps) resultsOf(i int) []procedure.Result {
	if i < 0 || i >= len(p.Results) {
		return nil
	}
	return p.Results[i]
}

func (p RunProps) hasResults() bool {
	return slices.ContainsFunc(p.Results, func(of []procedure.Result) bool { return len(of) > 0 })
}

// atWork reports whether measurement i is being made now.
func (p RunProps) atWork(i int) bool {
	return p.running() && i == p.Progress.Measurement && !p.done(i)
}

// verdict returns the outcome of measurement i, once it can be told: when it
// is finished, or as soon as it fails, which no further result can mend.
func (p RunProps) verdict(i int) (o derive.Outcome, told bool) {
	o, any := p.outcomeOf(i)
	return o, any && (p.done(i) || !p.running() || o == derive.Fail)
}

// unfolded reports whether measurement i's results are shown without being
// asked for: of the one at work, and wherever something did not pass.
func (p RunProps) unfolded(i int) bool {
	if p.atWork(i) {
		return true
	}
	o, told := p.verdict(i)
	return told && o != derive.Pass && o != derive.NoLimits
}

// summaryWords returns the summary of measurement i's results, in a line.
func (p RunProps) summaryWords(i int) string {
	results := p.resultsOf(i)
	n := map[derive.Outcome]int{}
	for _, r := range results {
		n[r.Outcome]++
	}
	words := count(len(results), "result", "results")
	if _, told := p.verdict(i); !told {
		return words + " so far"
	}
	if n[derive.Pass] == len(results) && len(results) > 1 {
		return words + ", all pass"
	}
	if len(n) == 1 {
		return words + ", " + outcomeWord(results[0].Outcome)
	}
	var each []string
	for _, o := range Outcomes() {
		if n[o] > 0 {
			each = append(each, strconv.Itoa(n[o])+" "+outcomeWord(o))
		}
	}
	return words + ": " + strings.Join(each, ", ")
}

// tally counts the measurements that are finished, and those to be done.
func (p RunProps) tally() (done, of int) {
	for i, m := range p.Record.Procedure.Measurements {
		if m.Disabled {
			continue
		}
		of++
		if p.done(i) {
			done++
		}
	}
	return done, of
}

func (p RunProps) selectHref(i int) string {
	return p.Base + "?m=" + strconv.Itoa(i) + "#" + PartRunPlot
}

// took returns how long the run lasted, or lasts so far.
func (p RunProps) took() time.Duration {
	if !p.Record.Ended.IsZero() {
		return p.Record.Ended.Sub(p.Record.Started)
	}
	return p.Progress.Elapsed
}

// valueText formats a result's value with as many digits as its uncertainty
// carries.
func valueText(r procedure.Result) string {
	value, _, _ := strings.Cut(quantity.Pair(r.Value, r.U, r.Unit), " ± ")
	return value
}

// uText formats the expanded uncertainty, with the value's prefix.
func uText(r procedure.Result) string {
	_, u, known := strings.Cut(quantity.Pair(r.Value, r.U, r.Unit), " ± ")
	if !known || !(r.U > 0) || math.IsInf(r.U, 0) {
		return "—"
	}
	return "± " + u
}

func resultPin(r procedure.Result, d *dut.Device) string {
	if r.Pin == 0 {
		return ""
	}
	return pinLabel(r.Pin, d)
}

// resultWhere returns the words that tell results of one name apart, such as
// the pin.
func resultWhere(r procedure.Result) string {
	switch {
	case r.Group != "" && r.Condition != "":
		return r.Group + ", " + r.Condition
	case r.Group != "":
		return r.Group
	}
	return r.Condition
}

// resultNote returns the note and the flags of a result.
func resultNote(r procedure.Result) string {
	flags, note := flagWords(r.Flags), r.Remark()
	if w := intervalWords(&r); w != "" {
		note = strings.TrimPrefix(note+"; from "+w, "; ")
	}
	switch {
	case note == "":
		return flags
	case flags == "":
		return note
	}
	return note + " (" + flags + ")"
}

// setText formats the level that was set, in the unit of what was forced then.
func setText(p RunProps, r bench.Reading) string {
	m, ok := p.measurement(p.Selected)
	if !ok {
		return quantity.Plain(r.Set)
	}
	use := procedure.UseVoltage // supplies, and whatever nothing else names
	if slices.Contains(m.Pins, int(r.Pin)) {
		use = m.Use
	}
	if m.Step != nil && m.Step.Pin == int(r.Pin) {
		use = m.Step.Use
	}
	for _, h := range m.Hold {
		if h.Pin == int(r.Pin) {
			use = h.Use
		}
	}
	return short(r.Set, use.ForcedUnit())
}
