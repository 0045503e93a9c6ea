package routes

import (
	"context"
	"net/http"
	"net/url"
	"strconv"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

// asksForBudgets reports whether the address of a run's page asks for what
// uncertainties are made of.
func asksForBudgets(r *http.Request) bool { return r.URL.Query().Has("budget") }

// budgetsPage shows the budgets that the query of a run's page picks: of one
// result, of one measurement, or all.
func (s *Server) budgetsPage(w http.ResponseWriter, r *http.Request, id, base string, frame func(rec *procedure.Record) web.Page) error {
	rec, results, err := s.budgets(r.Context(), id)
	if err != nil {
		return err
	}
	if q := r.URL.Query(); q.Get("budget") == web.ChooseBudgets {
		p := web.BudgetsProps{Page: frame(rec), Base: base, Record: *rec, Ticked: map[string]bool{}}
		for _, key := range q[web.WithBudgets] {
			p.Ticked[key] = true
		}
		p.Rows = budgetRows(rec, results, func(*procedure.Result) bool { return true })
		return show(r.Context(), w, http.StatusOK, web.BudgetChoice(p))
	}
	pick, one, err := budgetPick(r.URL.Query())
	if err != nil {
		return err
	}
	p := web.BudgetsProps{Page: frame(rec), Base: base, Record: *rec, One: one, Rows: budgetRows(rec, results, pick)}
	for i := range p.Rows {
		x := &p.Rows[i].Result
		if m := x.Measurement; one && m < len(rec.Procedure.Measurements) {
			in := procedure.CheckInput{Device: &rec.Device, Procedure: &rec.Procedure, PinMap: &rec.PinMap, Bench: &rec.Bench}
			p.Rows[i].Better = procedure.Improve(in, &rec.Procedure.Measurements[m], x)
		}
	}
	if len(p.Rows) == 0 && one {
		return problem.NoSuch("such result in this run")
	}
	return show(r.Context(), w, http.StatusOK, web.Budgets(p))
}

// budgetRows are the budgets of those results that are picked.
func budgetRows(rec *procedure.Record, results []procedure.Result, pick func(*procedure.Result) bool) []web.BudgetRow {
	rows := []web.BudgetRow{}
	for _, x := range results {
		if !pick(&x) {
			continue
		}
		row := web.BudgetRow{Result: x}
		if m := x.Measurement; m < len(rec.Procedure.Measurements) {
			row.NotCounted = procedure.NotCounted(&rec.Procedure.Measurements[m], x.Budget, rec.Bench.LineHz)
		}
		rows = append(rows, row)
	}
	return rows
}

// withBudgets puts the budgets that the query chooses on the page of a run: of
// single results, or of all results of a measurement.
func (s *Server) withBudgets(r *http.Request, p *web.RunProps) error {
	keys, asked := r.URL.Query()[web.WithBudgets]
	if !asked {
		return nil
	}
	wanted := map[string]bool{}
	for _, key := range keys {
		wanted[key] = true
	}
	rec, results, err := s.budgets(r.Context(), p.Record.ID)
	if err != nil {
		return err
	}
	p.Ticked = keys
	p.Budgets = budgetRows(rec, results, func(x *procedure.Result) bool {
		return wanted[web.BudgetKey(x)] || wanted[web.MeasurementKey(x.Measurement)]
	})
	return nil
}

// budgets are the head of a run and its results with their budgets.
func (s *Server) budgets(ctx context.Context, id string) (*procedure.Record, []procedure.Result, error) {
	rec, err := s.Store.GetRun(ctx, id)
	if err != nil {
		return nil, nil, err
	}
	results, err := s.Store.Budgets(ctx, id)
	return rec, results, err
}

// wholeBudgets is budgets for files and the API: where the head is damaged in part,
// a result more says so.
func (s *Server) wholeBudgets(ctx context.Context, id string) (*procedure.Record, []procedure.Result, error) {
	rec, lost, err := s.Store.WholeRun(ctx, id)
	if err != nil {
		return nil, nil, err
	}
	results, err := s.Store.Budgets(ctx, id)
	if problem.CodeOf(err) == problem.Corrupt {
		lost, err = append(lost, "its results, which the disk does not give back"), nil
	}
	if len(lost) > 0 {
		results = append(results, store.DamagedHead(lost))
	}
	return rec, results, err
}

// budgetPick reads which results are asked for; one says that it is a single
// result by its name.
func budgetPick(q url.Values) (pick func(*procedure.Result) bool, one bool, err error) {
	if q.Get("budget") == web.AllBudgets {
		return func(*procedure.Result) bool { return true }, false, nil
	}
	m, err := strconv.Atoi(q.Get("budget"))
	if err != nil || m < 0 {
		return nil, false, problem.NoSuch("such measurement in this run")
	}
	if !q.Has("key") {
		return func(r *procedure.Result) bool { return r.Measurement == m }, false, nil
	}
	pin, err := strconv.Atoi(q.Get("pin"))
	if err != nil && q.Get("pin") != "" {
		return nil, true, problem.NoSuch("such pin in this run")
	}
	id := procedure.ResultID{Measurement: m, Key: q.Get("key"), Pin: pin, Group: q.Get("group"), Condition: q.Get("condition")}
	return func(r *procedure.Result) bool { return r.ID() == id }, true, nil
}

// csvBudgets answers with the contributions to every result of one run.
func (s *Server) csvBudgets(w http.ResponseWriter, r *http.Request) error {
	rec, results, err := s.wholeBudgets(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	return s.csvAnswer(w, r, runFile(rec, "budgets"), func(b *csvBody) error {
		e := store.NewBudgetsCSV(b)
		for i := range results {
			if err := e.Rows(rec, &results[i]); err != nil {
				return err
			}
		}
		return e.Close()
	})
}
