package store

import (
	"io"

	"ohmkeep/server/procedure"
)

var budgetsHeader = []string{"run", "serial", "measurement", "result", "name", "pin", "curve", "condition", "value", "unit",
	"expanded uncertainty (95 %)", "k", "degrees of freedom", "contribution", "class", "distribution", "standard uncertainty of the cause",
	"degrees of freedom of the cause", "sensitivity", "standard uncertainty (in unit)", "share", "assumed", "rehearsal"}

// BudgetsCSV writes a row for each contribution to the uncertainty of a result,
// and one for a result that has none.
type BudgetsCSV struct{ *csvWriter }

// NewBudgetsCSV writes the header.
func NewBudgetsCSV(w io.Writer) *BudgetsCSV { return &BudgetsCSV{newCSV(w, budgetsHeader...)} }

// Rows writes the contributions of one result of the run r. Degrees of freedom
// are empty where there are as many as one likes.
func (e *BudgetsCSV) Rows(r *procedure.Record, x *procedure.Result) error {
	lines := []procedure.Line{{Name: "none: " + x.WithoutBudget()}}
	if x.Budget != nil && len(x.Budget.Lines) > 0 {
		lines = x.Budget.Lines
	}
	for i := range lines {
		if err := e.row(r, x, &lines[i]); err != nil {
			return err
		}
	}
	return nil
}

func (e *BudgetsCSV) row(r *procedure.Record, x *procedure.Result, l *procedure.Line) error {
	e.text(r.ID)
	e.text(r.Unit.Serial)
	e.integer(int64(x.Measurement) + 1)
	e.text(x.Key)
	e.text(x.Name)
	e.integer(int64(x.Pin))
	e.text(x.Group)
	e.text(x.Condition)
	e.number(x.Value)
	e.text(string(x.Unit))
	e.number(x.U)
	df := 0.0
	if x.Budget != nil {
		df = x.Budget.DF
	}
	e.known(x.K)
	e.known(df)
	e.text(l.Name)
	e.text(l.Class)
	e.text(l.Distribution)
	e.known(l.Standard)
	e.known(l.DF)
	e.known(l.Sensitivity)
	e.known(l.Contribution)
	e.known(l.Share)
	e.yes(l.Assumed)
	e.text(rehearsed(r))
	return e.end()
}

// known writes a figure of which 0 means that there is none.
func (e *csvWriter) known(v float64) {
	if v == 0 {
		e.text("")
		return
	}
	e.number(v)
}
