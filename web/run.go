package web

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"
	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// Progress is where a run stands.
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
	// Progress and Pins are of this moment; after the run, of its end.
	Progress Progress
	Pins     []PinMark
	Results  []procedure.Result
	// Selected is the measurement whose plots are shown; with Follow it is the
	// one at work and changes with the run.
	Selected int
	Follow   bool
	Plots    []Plot
	Latest   []bench.Reading // newest first, of the selected measurement
	Shares   []Share

	// NoteForm has the field note. Posted to Base+"/note".
	NoteForm Form
	// ShareForm has the field days (empty: does not expire). Posted to
	// Base+"/share"; revoking posts id to Base+"/share/revoke".
	ShareForm Form
	CanEdit   bool // note, rerun, share
	CanDelete bool
}

// The parts of the run page that live frames may replace, by element id.
const (
	PartRunStatus   = "run-status"
	PartRunPins     = "run-pins"
	PartRunProgress = "run-progress"
	PartRunPlot     = "run-plot"
	PartRunResults  = "run-results"
	PartRunLatest   = "run-latest"
)

// RunPart is the component of one part, or nil for an unknown id.
func RunPart(id string, p RunProps) templ.Component {
	switch id {
	case PartRunStatus:
		return RunStatus(p)
	case PartRunPins:
		return RunPins(p)
	case PartRunProgress:
		return RunProgress(p)
	case PartRunPlot:
		return RunPlot(p)
	case PartRunResults:
		return RunResults(p)
	case PartRunLatest:
		return RunLatest(p)
	}
	return nil
}

func (p RunProps) running() bool { return p.Record.Status == procedure.Running }

func (p RunProps) drawing() Drawing {
	return Drawing{ID: "run-package", Title: "Package of " + p.Record.Device.Name + " seen from above",
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

// outcomeOf is the worst outcome of a measurement's results so far.
func (p RunProps) outcomeOf(i int) (o derive.Outcome, any bool) {
	for _, r := range p.Results {
		if r.Measurement == i {
			o, any = derive.Worst(o, r.Outcome), true
		}
	}
	return o, any
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

// took is how long the run lasted, or lasts so far.
func (p RunProps) took() time.Duration {
	if !p.Record.Ended.IsZero() {
		return p.Record.Ended.Sub(p.Record.Started)
	}
	return p.Progress.Elapsed
}

// resultGroup is the results of one measurement.
type resultGroup struct {
	index   int
	name    string
	results []procedure.Result
}

func (p RunProps) resultGroups() []resultGroup {
	byIndex := make([]resultGroup, len(p.Record.Procedure.Measurements))
	for _, r := range p.Results {
		if r.Measurement < 0 || r.Measurement >= len(byIndex) {
			continue
		}
		byIndex[r.Measurement].results = append(byIndex[r.Measurement].results, r)
	}
	var out []resultGroup
	for i, g := range byIndex {
		if len(g.results) > 0 {
			out = append(out, resultGroup{i, p.Record.Procedure.Measurements[i].Name, g.results})
		}
	}
	return out
}

// valueText is a result's value with as many digits as its uncertainty carries.
func valueText(r procedure.Result) string {
	value, _, _ := strings.Cut(quantity.Pair(r.Value, r.U, r.Unit), " ± ")
	return value
}

// uText is the expanded uncertainty, with the value's prefix.
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

// resultWhere is what tells results of one name apart.
func resultWhere(r procedure.Result) string {
	switch {
	case r.Group != "" && r.Condition != "":
		return r.Group + ", " + r.Condition
	case r.Group != "":
		return r.Group
	}
	return r.Condition
}

// resultNote is the note and the flags of a result.
func resultNote(r procedure.Result) string {
	flags := flagWords(r.Flags)
	switch {
	case r.Note == "":
		return flags
	case flags == "":
		return r.Note
	}
	return r.Note + " (" + flags + ")"
}

func channelName(def *bench.Definition, id bench.ChannelID) string {
	if id == 0 {
		return ""
	}
	for _, c := range def.Channels {
		if c.ID == id && c.Name != "" {
			return c.Name
		}
	}
	return "channel " + strconv.Itoa(int(id))
}

// setText is the level that was set, in the unit of what was forced then.
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
	return short(r.Set, unitOf(use))
}
