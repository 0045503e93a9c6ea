package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// figure is a number of a budget as it is stored: six digits are more than any
// contribution is known to.
type figure float64

// MarshalJSON writes six significant digits; what is no number is 0.
func (f figure) MarshalJSON() ([]byte, error) { return digits(float64(f), 6), nil }

// level is a level of a budget as it is stored, in nine digits.
type level float64

// MarshalJSON writes nine significant digits; what is no number is 0.
func (l level) MarshalJSON() ([]byte, error) { return digits(float64(l), 9), nil }

func digits(v float64, n int) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("0")
	}
	return strconv.AppendFloat(nil, v, 'g', n, 64)
}

// budgetBody is a budget as it is stored.
type budgetBody struct {
	DF    figure     `json:"df,omitempty"`
	Why   string     `json:"why,omitempty"`
	Lines []lineBody `json:"lines,omitempty"`
	Held  []heldBody `json:"held,omitempty"`
}

// lineBody is a contribution as it is stored: a list, since the names of the
// fields would be longer than what they hold.
type lineBody procedure.Line

// MarshalJSON writes the list.
func (l lineBody) MarshalJSON() ([]byte, error) {
	return json.Marshal([]any{l.Name, l.Class, l.Distribution, figure(l.Standard), figure(l.DF), figure(l.Sensitivity), figure(l.Contribution),
		figure(l.Share), l.Assumed})
}

// UnmarshalJSON reads the list.
func (l *lineBody) UnmarshalJSON(data []byte) error {
	return readList(data, &l.Name, &l.Class, &l.Distribution, &l.Standard, &l.DF, &l.Sensitivity, &l.Contribution, &l.Share, &l.Assumed)
}

// heldBody is a held level as it is stored.
type heldBody procedure.Held

// MarshalJSON writes the list.
func (h heldBody) MarshalJSON() ([]byte, error) {
	return json.Marshal([]any{h.Pin, level(h.Set), level(h.Value), figure(h.U)})
}

// UnmarshalJSON reads the list.
func (h *heldBody) UnmarshalJSON(data []byte) error {
	return readList(data, &h.Pin, &h.Set, &h.Value, &h.U)
}

// readList reads a JSON list of as many values as there are places for them.
func readList(data []byte, into ...any) error {
	var parts []json.RawMessage
	if err := json.Unmarshal(data, &parts); err != nil {
		return err
	}
	if len(parts) != len(into) {
		return fmt.Errorf("%d values where %d are expected", len(parts), len(into))
	}
	for i, p := range parts {
		if err := json.Unmarshal(p, into[i]); err != nil {
			return err
		}
	}
	return nil
}

// packBudget writes a budget as it is stored.
func packBudget(b *procedure.Budget) ([]byte, error) {
	body := budgetBody{DF: figure(b.DF), Why: b.Why}
	for _, l := range b.Lines {
		body.Lines = append(body.Lines, lineBody(l))
	}
	for _, h := range b.Held {
		body.Held = append(body.Held, heldBody(h))
	}
	return json.Marshal(body)
}

// unpackBudget reads what packBudget wrote.
func unpackBudget(data []byte) (*procedure.Budget, error) {
	var body budgetBody
	if err := json.Unmarshal(data, &body); err != nil {
		return nil, fmt.Errorf("budget of a result: %w", err)
	}
	out := &procedure.Budget{DF: float64(body.DF), Why: body.Why}
	for _, l := range body.Lines {
		out.Lines = append(out.Lines, procedure.Line(l))
	}
	for _, h := range body.Held {
		out.Held = append(out.Held, procedure.Held(h))
	}
	return out, nil
}

// setBudget stores the budget of a result with that seal, or that it has none.
func (s *Store) setBudget(t *tx, result, seal int64, b *procedure.Budget) error {
	if b == nil {
		_, err := s.exec(t, s.stmt.noBudget, result)
		return err
	}
	body, err := packBudget(b)
	if err != nil {
		return err
	}
	_, err = s.exec(t, s.stmt.setBudget, result, string(body), seal)
	return err
}

// damagedBudget is what a damaged budget says in place of its contributions.
const damagedBudget = "the budget is damaged: what the disk has of it is not what was stored"

// budgetDamaged reports whether the budget of a result is damaged.
func budgetDamaged(x *procedure.Result) bool { return x.Budget != nil && x.Budget.Why == damagedBudget }

// Budgets returns the results of a run in the order of its measurements, each
// with its budget where it has one; damage as in Results. A result whose budget
// is damaged has one that says so and no contributions.
func (s *Store) Budgets(ctx context.Context, runID string) ([]procedure.Result, error) {
	return s.resultsOf(ctx, runID, "body, "+soundSQL("budgets")+", ", "LEFT JOIN budgets ON budgets.result = results.id",
		func(r *sql.Rows, x *procedure.Result, sum *resultSum) error {
			var body sql.NullString
			var sound bool
			err := scanResult(r, x, sum, &body, &sound)
			if err != nil || !body.Valid || x.Outcome == derive.Damaged {
				return err
			}
			if !sound {
				sum.damage = true
				x.Budget = &procedure.Budget{Why: damagedBudget}
				return nil
			}
			x.Budget, err = unpackBudget([]byte(body.String))
			return err
		})
}
