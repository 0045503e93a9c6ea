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

// wideKey is what makes two results the same over all runs: the measurement by
// its id, since its place changes from one revision of a procedure to the next.
type wideKey struct {
	procedure, measurement string
	key                    string
	pin                    int
	group, condition       string
	unit                   quantity.Unit
}

// measured names the measurements of one procedure as a run carried it out.
type measured []struct{ id, name string }

// id of a measurement; one without is known by its place.
func (m measured) id(index int) string {
	if index < len(m) && m[index].id != "" {
		return m[index].id
	}
	return fmt.Sprint("#", index)
}

// Wide makes a table of the runs that the filter picks: a row for each run,
// newest first, a column for each result. It calls columns once, then row for
// each run; no lock is held while they run.
func (s *Store) Wide(ctx context.Context, f Filter, columns func([]WideColumn) error, row func(*WideRow) error) error {
	bodies, err := s.measuredBodies(ctx, f)
	if err != nil {
		return wrap("wide table", err)
	}
	cols, at, err := s.wideColumns(ctx, f, bodies)
	if err != nil {
		return wrap("wide table", err)
	}
	if err := columns(cols); err != nil {
		return err
	}
	out := WideRow{Results: make([]*procedure.Result, len(cols))}
	return s.EachRun(ctx, f, func(r *RunRow) error {
		clear(out.Results)
		out.Run = *r
		var body int64
		if err := s.reader(ctx).QueryRowContext(ctx, "SELECT procedure_body FROM runs WHERE id = ?", r.ID).Scan(&body); err != nil {
			return wrap("wide table", missing(err, "there is no run %s", r.ID))
		}
		results, err := s.Results(ctx, r.ID)
		if err != nil {
			return err
		}
		for i := range results {
			x := &results[i]
			key := wideKey{r.Procedure, bodies[body].id(x.Measurement), x.Key, x.Pin, x.Group, x.Condition, x.Unit}
			// A result that a running run has just added has no column yet.
			if k, ok := at[key]; ok {
				out.Results[k] = x
			}
		}
		return row(&out)
	})
}

// maxWide bounds the columns: a table beyond it is of no use to anybody.
const maxWide = 4000

// wideColumns are the columns in the order of the newest revision, then those
// that only older ones have, and where each is.
func (s *Store) wideColumns(ctx context.Context, f Filter, bodies map[int64]measured) ([]WideColumn, map[wideKey]int, error) {
	where, args := f.condition()
	var out []WideColumn
	at := map[wideKey]int{}
	err := s.rows(ctx, `SELECT p, body, measurement, key, max(name), pin, curve, condition, unit
		FROM (SELECT seq AS run, procedure AS p, procedure_body AS body FROM runs WHERE `+where+`) JOIN results USING (run)
		GROUP BY p, body, measurement, key, pin, curve, condition, unit ORDER BY p, body DESC, measurement, min(id)`,
		args, func(r *sql.Rows) error {
			var c WideColumn
			var body int64
			if err := r.Scan(&c.Procedure, &body, &c.Measurement, &c.Key, &c.Name, &c.Pin, &c.Group, &c.Condition, &c.Unit); err != nil {
				return err
			}
			m := bodies[body]
			key := wideKey{c.Procedure, m.id(c.Measurement), c.Key, c.Pin, c.Group, c.Condition, c.Unit}
			if _, known := at[key]; known {
				return nil
			}
			if len(out) == maxWide {
				return errorf(Invalid, "the runs have more than %d different results: pick one device or procedure", maxWide)
			}
			if c.Measurement < len(m) {
				c.MeasurementName = m[c.Measurement].name
			}
			at[key] = len(out)
			out = append(out, c)
			return nil
		})
	return out, at, err
}

// measuredBodies are the measurements of every procedure that the runs were of,
// by the id of its snapshot.
func (s *Store) measuredBodies(ctx context.Context, f Filter) (map[int64]measured, error) {
	where, args := f.condition()
	out := map[int64]measured{}
	err := s.rows(ctx, `SELECT snapshots.id, coalesce(json_extract(value, '$.id'), ''), coalesce(json_extract(value, '$.name'), '')
		FROM snapshots, json_each(body, '$.measurements')
		WHERE snapshots.id IN (SELECT procedure_body FROM runs WHERE `+where+`) ORDER BY snapshots.id, json_each.key`,
		args, func(r *sql.Rows) error {
			var body int64
			var m struct{ id, name string }
			err := r.Scan(&body, &m.id, &m.name)
			out[body] = append(out[body], m)
			return err
		})
	return out, err
}
