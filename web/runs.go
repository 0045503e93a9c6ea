package web

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// RunsProps is the history.
type RunsProps struct {
	Page Page
	// Filter has the fields device, unit, lot, outcome, status, from, to
	// (dates as 2006-01-02) and q (text in notes, units and names). It is sent
	// by GET to /runs.
	Filter  Form
	Devices []Option // keys and names
	Rows    []RunRow
	Total   int    // runs that the filter lets through, as far as they were counted
	More    bool   // there are, or may be, more than Total
	Newer   string // address of the page before; ""
	Older   string // address of the page after; ""
	CSV     string // address of the filtered history as CSV
	WideCSV string // a row for each unit, a column for each result
	Bundle  string // address of these runs as a file for another server
}

// totalWords returns the number of runs in words.
func (p RunsProps) totalWords() string {
	switch n := count(p.Total, "run", "runs"); {
	case p.More && p.Total == 0:
		return "none among the newest runs"
	case p.More:
		return "at least " + n
	default:
		return n
	}
}

func outcomeOptions() []Option {
	out := []Option{{"", "any outcome", ""}}
	for _, o := range Outcomes() {
		out = append(out, Option{string(o), outcomeWord(o), ""})
	}
	return out
}

func statusOptions() []Option {
	out := []Option{{"", "any status", ""}}
	for _, s := range Statuses() {
		out = append(out, Option{string(s), string(s), ""})
	}
	return out
}

func withAny(label string, options []Option) []Option {
	return append([]Option{{"", label, ""}}, options...)
}

func (p RunsProps) filtered() bool {
	for _, v := range p.Filter.Values {
		for _, s := range v {
			if s != "" {
				return true
			}
		}
	}
	return false
}

// LotStat is the statistics of one result over the units of a lot. Its values
// are of the last finished run of each unit; invalid ones are counted but not
// computed with.
type LotStat struct {
	Measurement string // name
	Name        string
	Pin         string // label; "" where the result is of no pin
	Where       string // condition or group
	Unit        quantity.Unit
	N           int // valid values
	Invalid     int
	Mean        float64
	SD          float64 // of the sample; NaN below two values
	Min, Max    float64
	Low, High   *float64
	Passed, Of  int // passes, also conditional ones, of all that have limits
	Values      []float64
	Href        string // shows this result's plot
	Selected    bool
}

// LotProps is the overview of a lot.
type LotProps struct {
	Page      Page
	Lot       string
	Device    string // name
	Procedure string // name
	Lots      []Option
	// Pick has the field lot. Sent by GET to /compare.
	Pick    Form
	Units   int
	Outcome map[derive.Outcome]int // units by the outcome of their last run
	Stats   []LotStat
	Plot    *Plot // of the selected result, unit by unit
	// Rows are the units from First to Last, counted from 1; Earlier and Later
	// are the addresses of those before and after, "" without any.
	Rows           []RunRow
	First, Last    int
	Earlier, Later string
	WideCSV        string
	Damaged        []LotDamage // runs of the lot that are damaged
	// Shared is the page of a share link: it leads nowhere else.
	Shared bool
	Share  *ShareForm // makes a link to this page; nil for who may not
}

// LotDamage is what is damaged of a run of a lot.
type LotDamage struct {
	Run  string // id
	What string // in words
}

// listed returns in words which of the units are in the list.
func (p LotProps) listed() string {
	return fmt.Sprintf("%d to %d of %s, in the order of their runs", p.First, p.Last, count(p.Units, "unit", "units"))
}

// yieldWords returns the share of passes in words.
func yieldWords(s LotStat) string {
	if s.Of == 0 {
		return "—"
	}
	return quantity.Format(100*float64(s.Passed)/float64(s.Of), quantity.Percent, 3)
}

// title returns the name of a result with its pin.
func (s LotStat) title() string {
	if s.Pin == "" {
		return s.Name
	}
	return s.Name + ", pin " + s.Pin
}

// place returns the words that else tell a measurement's results of one name
// apart.
func (s LotStat) place() string { return strings.Trim(s.Where, "; ") }

// yield returns the share of passes of the results that have limits; without
// any, there is nothing to fail.
func (s LotStat) yield() float64 {
	if s.Of == 0 {
		return 1
	}
	return float64(s.Passed) / float64(s.Of)
}

// statGroup is the statistics of one measurement's results over a lot.
type statGroup struct {
	measurement string
	stats       []LotStat
	open        bool
}

func (g statGroup) worst() LotStat {
	return slices.MinFunc(g.stats, func(a, b LotStat) int { return cmp.Compare(a.yield(), b.yield()) })
}

func (g statGroup) words() string {
	words := count(len(g.stats), "result", "results")
	switch w := g.worst(); {
	case w.Of == 0:
		return words
	case len(g.stats) == 1:
		return words + ", yield " + yieldWords(w)
	case w.Passed == w.Of:
		return words + ", all with a yield of " + yieldWords(w)
	default:
		return words + ", worst yield " + yieldWords(w)
	}
}

// statGroups groups statistics by measurement, the worst yield first. That one
// is open, and the one whose result is drawn.
func statGroups(stats []LotStat) []statGroup {
	var out []statGroup
	for _, s := range stats {
		i := slices.IndexFunc(out, func(g statGroup) bool { return g.measurement == s.Measurement })
		if i < 0 {
			i, out = len(out), append(out, statGroup{measurement: s.Measurement})
		}
		out[i].stats = append(out[i].stats, s)
		out[i].open = out[i].open || s.Selected
	}
	slices.SortStableFunc(out, func(a, b statGroup) int { return cmp.Compare(a.worst().yield(), b.worst().yield()) })
	if len(out) > 0 {
		out[0].open = true
	}
	return out
}

// LotPlot returns the plot of a result, unit by unit.
func LotPlot(s LotStat) Plot {
	p := Plot{ID: "lot-plot", Title: s.title(), X: Axis{Label: "Unit, in the order of their runs", Whole: true}, Y: Axis{Label: s.Name, Unit: s.Unit},
		Band: procedure.Limit{Low: s.Low, High: s.High}}
	series := Series{}
	for i, v := range s.Values {
		series.X, series.Y = append(series.X, float64(i+1)), append(series.Y, v)
	}
	p.Series = []Series{series}
	return p
}
