package store

import (
	"fmt"
	"io"
	"strings"

	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/standing"
)

// HistoryCSV writes a row for each run.
type HistoryCSV struct {
	*csvWriter
	columns []*runColumn
}

// NewHistoryCSV writes the header.
func NewHistoryCSV(w io.Writer) *HistoryCSV {
	columns, header := csvColumns(func(*runColumn) bool { return true })
	return &HistoryCSV{newCSV(w, header...), columns}
}

// Row writes one run.
func (e *HistoryCSV) Row(r *RunRow) error {
	for _, c := range e.columns {
		e.runCell(c, r)
	}
	return e.end()
}

// csvColumns are the columns of runs in a file, with their headings.
func csvColumns(pick func(*runColumn) bool) (columns []*runColumn, header []string) {
	for i := range runColumns {
		if c := &runColumns[i]; c.csv != "" && pick(c) {
			columns, header = append(columns, c), append(header, c.csv)
		}
	}
	return columns, header
}

var resultsHeader = []string{"run", "serial", "lot", "measurement", "measurement name", "result", "name", "pin", "pin name",
	"curve", "condition", "value", "unit", "expanded uncertainty (95 %)", "k", "from", "to", "low limit", "high limit", "decision rule",
	"guard band", "probability of conformity", "outcome", "flags", "held levels", "note", "rehearsal", "not counted", "channel", "path", "contact", benchCheckHeading}

// ResultsCSV writes a row for each result. Values are in the unit that its
// own column names.
type ResultsCSV struct {
	*csvWriter
	badge  standing.Badge
	served procedure.Served
}

// NewResultsCSV writes the header. Badge is what stands behind the run, and served
// what its pins were read by.
func NewResultsCSV(w io.Writer, badge standing.Badge, served procedure.Served) *ResultsCSV {
	return &ResultsCSV{newCSV(w, resultsHeader...), badge, served}
}

// Row writes one result of the run r.
func (e *ResultsCSV) Row(r *procedure.Record, x *procedure.Result) error {
	e.text(r.ID)
	e.text(r.Unit.Serial)
	e.text(r.Unit.Lot)
	e.integer(int64(x.Measurement) + 1)
	name := ""
	if x.Measurement < len(r.Procedure.Measurements) {
		name = r.Procedure.Measurements[x.Measurement].Name
	}
	e.text(name)
	e.text(x.Key)
	e.text(x.Name)
	if pin, ok := r.Device.Pin(x.Pin); ok {
		e.integer(int64(x.Pin))
		e.text(pin.Name)
	} else {
		e.text("")
		e.text("")
	}
	e.text(x.Group)
	e.text(x.Condition)
	e.number(x.Value)
	e.text(string(x.Unit))
	e.number(x.U)
	e.coverage(x)
	e.optional(x.Low)
	e.optional(x.High)
	e.text(ruleOf(r, x))
	e.optional(x.Band)
	e.optional(x.Conformity)
	e.text(string(x.Outcome))
	e.text(flagText(x.Flags))
	e.text(heldWords(r, x))
	e.text(x.Remark())
	e.text(rehearsed(r))
	e.text(strings.Join(notCounted(r, x), "; "))
	channel, path, contact := e.served.Columns(x, &r.Bench)
	e.text(channel)
	e.text(path)
	e.text(contact)
	e.text(string(e.badge))
	return e.end()
}

// rehearsed says whether a run was rehearsed, which is not known where its head is
// damaged.
func rehearsed(r *procedure.Record) string {
	switch {
	case r.Status == procedure.Damaged:
		return "not known"
	case r.Rehearsal:
		return "yes"
	}
	return "no"
}

// heldWords is what levels were held beside a result.
func heldWords(r *procedure.Record, x *procedure.Result) string {
	if budgetDamaged(x) {
		return damagedBudget
	}
	return procedure.HeldWords(x.HeldLevels(), &r.Device)
}

// notCounted is what may lie between a result and the truth and is in no interval.
func notCounted(r *procedure.Record, x *procedure.Result) []string {
	switch {
	case budgetDamaged(x):
		return []string{damagedBudget}
	case x.Measurement >= len(r.Procedure.Measurements):
		return nil
	}
	return procedure.NotCounted(&r.Procedure.Measurements[x.Measurement], x.Budget, r.Bench.LineHz)
}

// coverage writes the coverage factor and the ends of the interval, empty where
// there are none.
func (e *csvWriter) coverage(x *procedure.Result) {
	if x.Old() {
		e.text("")
		e.text("")
		e.text("")
		return
	}
	e.known(x.K)
	e.number(x.From)
	e.number(x.To)
}

// ruleOf is the decision rule that a result was judged by, "" where there was
// nothing to judge.
func ruleOf(r *procedure.Record, x *procedure.Result) string {
	if x.Low == nil && x.High == nil || len(r.Procedure.Measurements) == 0 { // the procedure is damaged
		return ""
	}
	return r.Procedure.Rule().Name()
}

// WideCSV writes a row for each run and a column for each result; behind them, in
// the same order, the ends of the interval of each and its outcome, so that a
// column has its place whoever reads no intervals; last what stands behind the run.
type WideCSV struct {
	*csvWriter
	columns []*runColumn
}

// NewWideCSV writes the header; each result's column names its unit.
func NewWideCSV(w io.Writer, columns []lot.Column) *WideCSV {
	own, header := csvColumns(func(c *runColumn) bool { return c.wide })
	several := false // procedures in the table
	for _, c := range columns {
		several = several || c.Procedure != columns[0].Procedure
	}
	var labels []string
	for _, c := range columns {
		labels = append(labels, wideLabel(&c, several))
	}
	header = append(header, labels...)
	for _, label := range labels {
		header = append(header, label+" from", label+" to", label+" outcome")
	}
	return &WideCSV{newCSV(w, append(header, benchCheckHeading)...), own}
}

// Row writes one run.
func (e *WideCSV) Row(r *WideRow) error {
	for _, c := range e.columns {
		e.runCell(c, &r.Run)
	}
	for _, v := range r.Values {
		e.number(v)
	}
	for i := range r.Values {
		e.number(r.From[i])
		e.number(r.To[i])
		e.text(string(r.Outcomes[i]))
	}
	e.text(string(r.Run.Badge))
	return e.end()
}

// wideLabel is a wide column's heading, such as "2 Leakage: high pin 3 (A)".
func wideLabel(c *lot.Column, withProcedure bool) string {
	s := fmt.Sprintf("%d", c.Place+1)
	if withProcedure {
		s = c.Procedure + " " + s
	}
	if c.MeasurementName != "" {
		s += " " + c.MeasurementName
	}
	s += ": " + c.Name
	if c.Pin != 0 {
		s += fmt.Sprintf(" pin %d", c.Pin)
	}
	for _, extra := range []string{c.Curve, c.Condition} {
		if extra != "" {
			s += ", " + extra
		}
	}
	if c.Unit != quantity.One {
		s += " (" + string(c.Unit) + ")"
	}
	return s
}
