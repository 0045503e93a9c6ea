package store

import (
	"context"
	"database/sql"
	"fmt"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// WideColumn is one result as a column: the same result of every run.
type WideColumn struct {
	Procedure       string // key, since another procedure's results are others
	Measurement     int
	MeasurementName string
	Key, Name       string
	Pin             int
	Group           string
	Condition       string
	Unit            quantity.Unit
}

// WideRow is one run with its results, in the columns' order; nil where the
// run has none.
type WideRow struct {
	Run     RunRow
	Results []*procedure.Result
}

type wideKey struct {
	procedure string
	procedure.ResultID
}

// Wide makes a table of the runs that the filter picks: a row for each run,
// newest first, a column for each result. It calls columns once, then row for
// each run; no lock is held while they run.
func (s *Store) Wide(ctx context.Context, f Filter, columns func([]WideColumn) error, row func(*WideRow) error) error {
	cols, err := s.wideColumns(ctx, f)
	if err != nil {
		return err
	}
	at := make(map[wideKey]int, len(cols))
	for i, c := range cols {
		at[wideKey{c.Procedure, procedure.ResultID{Measurement: c.Measurement, Key: c.Key, Pin: c.Pin, Group: c.Group, Condition: c.Condition}}] = i
	}
	if err := columns(cols); err != nil {
		return err
	}
	out := WideRow{Results: make([]*procedure.Result, len(cols))}
	return s.EachRun(ctx, f, func(r *RunRow) error {
		clear(out.Results)
		out.Run = *r
		results, err := s.Results(ctx, r.ID)
		if err != nil {
			return err
		}
		for i := range results {
			// A result that a running run has just added has no column yet.
			if k, ok := at[wideKey{r.Procedure, results[i].ID()}]; ok {
				out.Results[k] = &results[i]
			}
		}
		return row(&out)
	})
}

// maxWide bounds the columns: a table beyond it is of no use to anybody.
const maxWide = 4000

func (s *Store) wideColumns(ctx context.Context, f Filter) ([]WideColumn, error) {
	where, args := f.condition()
	var out []WideColumn
	names := map[string][]string{} // of measurements, by procedure
	err := s.rows(ctx, `SELECT p, measurement, key, max(name), pin, curve, condition, max(unit)
		FROM (SELECT seq AS run, procedure AS p FROM runs WHERE `+where+`) JOIN results USING (run)
		GROUP BY p, measurement, key, pin, curve, condition ORDER BY p, measurement, min(id) LIMIT `+fmt.Sprint(maxWide+1),
		args, func(r *sql.Rows) error {
			var c WideColumn
			err := r.Scan(&c.Procedure, &c.Measurement, &c.Key, &c.Name, &c.Pin, &c.Group, &c.Condition, &c.Unit)
			names[c.Procedure] = nil
			out = append(out, c)
			return err
		})
	if err != nil {
		return nil, wrap("wide table", err)
	}
	if len(out) > maxWide {
		return nil, errorf(Invalid, "the runs have more than %d different results: pick one device or procedure", maxWide)
	}
	if err := s.measurementNames(ctx, names); err != nil {
		return nil, wrap("wide table", err)
	}
	for i := range out {
		if n := names[out[i].Procedure]; out[i].Measurement < len(n) {
			out[i].MeasurementName = n[out[i].Measurement]
		}
	}
	return out, nil
}

// measurementNames fills in each procedure's measurement names, as its newest
// run had them.
func (s *Store) measurementNames(ctx context.Context, names map[string][]string) error {
	for key := range names {
		err := s.rows(ctx, `SELECT coalesce(json_extract(value, '$.name'), '')
			FROM json_each((SELECT body FROM runs JOIN snapshots ON snapshots.id = procedure_body
				WHERE procedure = ? ORDER BY seq DESC LIMIT 1), '$.measurements') ORDER BY json_each.key`,
			[]any{key}, func(r *sql.Rows) error {
				var name string
				err := r.Scan(&name)
				names[key] = append(names[key], name)
				return err
			})
		if err != nil {
			return err
		}
	}
	return nil
}
