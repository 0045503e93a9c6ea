package store

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"strings"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// resultColumns are what is read of a result; last its seal, and whether it
// fits.
var resultColumns = `measurement, results.key, pin, curve, condition, results.name, value, results.unit, u, low, high, results.outcome, flags, results.note,
	k, interval_from, interval_to, band, conformity, results.seal, ` + soundSQL("results")

// Results returns the results of a run in the order of its measurements. A
// run that does not exist has none. A damaged one stands without its value, and
// so does what is missing, both with the outcome derive.Damaged.
func (s *Store) Results(ctx context.Context, runID string) ([]procedure.Result, error) {
	return s.resultsOf(ctx, runID, "", "", func(r *sql.Rows, x *procedure.Result, sum *resultSum) error {
		return scanResult(r, x, sum)
	})
}

// resultsOf reads the results of a run, with further columns before those of a
// result.
func (s *Store) resultsOf(ctx context.Context, runID, columns, join string, scan func(*sql.Rows, *procedure.Result, *resultSum) error) (out []procedure.Result, err error) {
	err = s.view(ctx, func(q querier) error {
		var seq int64
		var sum resultSum
		err := q.QueryRowContext(ctx, `SELECT seq, CASE status WHEN 'running' THEN NULL ELSE results_sum END FROM runs
			WHERE runs.id = ? AND `+notDeleting, runID).Scan(&seq, &sum.stored)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		err = each(ctx, q, `SELECT `+columns+resultColumns+` FROM results `+join+` WHERE results.run = ? ORDER BY measurement, results.id`,
			[]any{seq}, func(r *sql.Rows) error {
				var x procedure.Result
				if err := scan(r, &x, &sum); err != nil {
					return err
				}
				out = append(out, x)
				return nil
			})
		if err == nil && !sum.fits() {
			out = append(out, lostResults())
		}
		if sum.damage || !sum.fits() {
			_ = s.damaged("results of run " + runID)
		}
		return err
	})
	if isDamage(err) {
		return nil, s.damaged("results of run " + runID)
	}
	return out, wrap("results of run "+runID, err)
}

// resultSum adds up the seals of a run's results.
type resultSum struct {
	stored sql.NullInt64 // what they must sum up to; NULL: not known yet
	sum    int64
	damage bool // one does not fit its own seal
}

// add takes the seal of a result in. A result that does not fit it is replaced
// by what says so.
func (s *resultSum) add(x *procedure.Result, seal sql.NullInt64, sound bool) {
	s.sum += seal.Int64
	if !sound {
		s.damage = true
		*x = damagedResult()
	}
}

// fits reports whether these are the results that the run ended with.
func (s *resultSum) fits() bool { return !s.stored.Valid || s.stored.Int64 == s.sum }

// damagedKey is the key of what stands for damaged results: where they belong is
// damaged with them.
const damagedKey = "damaged"

// damagedResult stands in the place of a result that does not fit its seal.
func damagedResult() procedure.Result {
	nan := math.NaN()
	return procedure.Result{Key: damagedKey, Name: "Damaged result", Value: nan, U: nan, From: nan, To: nan, Outcome: derive.Damaged,
		Note: "what the disk has of this result is not what was stored; the others can be used"}
}

// lostResults stands for results that are missing, or that are older ones of
// the same run.
func lostResults() procedure.Result {
	x := damagedResult()
	x.Name, x.Condition = "Damaged results", "all"
	x.Note = "what the disk has is not all that the run ended with: results are missing, or older than its end"
	return x
}

// DamagedHead stands among the results of a run for what is damaged of its head
// (see WholeRun).
func DamagedHead(damaged []string) procedure.Result {
	x := damagedResult()
	x.Name, x.Condition = "Damaged head", "all"
	x.Note = "damaged: " + strings.Join(damaged, "; ")
	return x
}

// scanResult reads resultColumns, after the columns that go into before.
func scanResult(r *sql.Rows, x *procedure.Result, sum *resultSum, before ...any) error {
	var value, u, low, high, k, from, to, band, conformity sql.NullFloat64
	var seal sql.NullInt64
	var sound bool
	into := append(before, &x.Measurement, &x.Key, &x.Pin, &x.Group, &x.Condition, &x.Name,
		&value, &x.Unit, &u, &low, &high, &x.Outcome, &x.Flags, &x.Note, &k, &from, &to, &band, &conformity, &seal, &sound)
	if err := r.Scan(into...); err != nil { // a value that is not of its column's type
		sum.add(x, sql.NullInt64{}, false)
		return anyValues(r, len(into), nil)
	}
	x.Value, x.U = orNaN(value), orNaN(u)
	x.Low, x.High = orNil(low), orNil(high)
	x.K, x.From, x.To = k.Float64, orNaN(from), orNaN(to)
	x.Band, x.Conformity = orNil(band), orNil(conformity)
	sum.add(x, seal, sound)
	return nil
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
