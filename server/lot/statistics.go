package lot

import (
	"math"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// Statistics is the statistics of one result over the units of a lot. Invalid values
// are counted, not computed with.
type Statistics struct {
	Column
	Run        int // the first of the runs that has the result, by its index
	N          int // valid values
	Invalid    int
	Mean       float64 // in Unit; NaN without a value
	SD         float64 // of the sample, in Unit; NaN below two values
	Min, Max   float64
	Low, High  *float64 // limits in the first run that has the result; nil: none
	Passed, Of int      // passes, conditional ones too, of all that have limits
	Values     []float64
}

// Table is the table of a lot's results, one run of each unit, in any order.
// Make one with NewTable.
type Table struct {
	runs  int
	index Index
	rows  []Statistics // by the index's numbers
}

// NewTable makes a table for that many runs.
func NewTable(runs int) *Table { return &Table{runs: runs} }

// Add enters a result of run number run, from 0 on; order is as for Index. A
// run has each result once.
func (t *Table) Add(run int, from *Source, r *procedure.Result, order int64) {
	n := t.index.Number(from, r, order)
	if n == len(t.rows) {
		t.rows = append(t.rows, newRow(t.runs))
	}
	row := &t.rows[n]
	if row.Run < 0 || run < row.Run {
		row.Run, row.Low, row.High = run, r.Low, r.High
	}
	if r.Outcome == derive.Invalid || r.Outcome == derive.Untrusted || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		row.Invalid++
	} else {
		row.Values[run] = r.Value
	}
	if r.Outcome != derive.NoLimits && r.Outcome != derive.Untrusted {
		row.Of++
		if Passed(r.Outcome) {
			row.Passed++
		}
	}
}

func newRow(runs int) Statistics {
	row := Statistics{Run: -1, Values: make([]float64, runs)}
	for i := range row.Values {
		row.Values[i] = math.NaN()
	}
	return row
}

// Statistics returns the statistics of every result, in the order of the index. Values has
// one value for each run, NaN where it has none or an invalid one.
func (t *Table) Statistics() []Statistics {
	out := make([]Statistics, 0, len(t.rows))
	for _, n := range t.index.Order() {
		row := t.rows[n]
		row.Column = *t.index.Column(n)
		var sum derive.Accumulator
		for i, v := range row.Values {
			sum.Add(float64(i), v) // leaves out NaN
		}
		row.N, row.Mean, row.SD, row.Min, row.Max = sum.N(), sum.Mean(), sum.SD(), sum.Min(), sum.Max()
		out = append(out, row)
	}
	return out
}

// Passed reports whether a unit with this outcome counts as good: conditional
// passes do.
func Passed(o derive.Outcome) bool { return o == derive.Pass || o == derive.ConditionalPass }
