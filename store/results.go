package store

import (
	"context"
	"database/sql"
	"math"

	"ohmkeep/server/procedure"
)

const resultColumns = `measurement, results.key, pin, curve, condition, results.name, value, results.unit, u, low, high, results.outcome, flags, results.note,
	k, interval_from, interval_to, band, conformity`

// Results returns the results of a run in the order of its measurements. A
// run that does not exist has none.
func (s *Store) Results(ctx context.Context, runID string) ([]procedure.Result, error) {
	var out []procedure.Result
	err := s.rows(ctx, `SELECT `+resultColumns+` FROM results JOIN runs ON runs.seq = run
		WHERE runs.id = ? AND `+notDeleting+` ORDER BY measurement, results.id`, []any{runID}, func(r *sql.Rows) error {
		var x procedure.Result
		if err := scanResult(r, &x); err != nil {
			return err
		}
		out = append(out, x)
		return nil
	})
	return out, wrap("results", err)
}

// scanResult reads resultColumns, after the columns that go into before.
func scanResult(r *sql.Rows, x *procedure.Result, before ...any) error {
	var value, u, low, high, k, from, to, band, conformity sql.NullFloat64
	err := r.Scan(append(before, &x.Measurement, &x.Key, &x.Pin, &x.Group, &x.Condition, &x.Name,
		&value, &x.Unit, &u, &low, &high, &x.Outcome, &x.Flags, &x.Note, &k, &from, &to, &band, &conformity)...)
	x.Value, x.U = orNaN(value), orNaN(u)
	x.Low, x.High = orNil(low), orNil(high)
	x.K, x.From, x.To = k.Float64, orNaN(from), orNaN(to)
	x.Band, x.Conformity = orNil(band), orNil(conformity)
	return err
}

func orNaN(f sql.NullFloat64) float64 {
	if !f.Valid {
		return math.NaN()
	}
	return f.Float64
}

func orNil(f sql.NullFloat64) *float64 {
	if !f.Valid {
		return nil
	}
	return &f.Float64
}

// numberOrNull keeps NaN out of the database, where it would be NULL anyway.
func numberOrNull(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

func pointerOrNull(v *float64) any {
	if v == nil {
		return nil
	}
	return numberOrNull(*v)
}
