package routes

import (
	"math"
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// apiHeld is the JSON of a level that was held while a result was measured.
type apiHeld struct {
	Pin   int             `json:"pin"`
	Set   float64         `json:"set" doc:"asked for, V"`
	Value apidoc.Nullable `json:"value" doc:"read back at the pin against the part's ground, V"`
	U     apidoc.Nullable `json:"u" doc:"half-width of the interval that holds 95 %, V; null where it cannot be said"`
}

func heldOf(levels []procedure.Held) []apiHeld {
	out := make([]apiHeld, len(levels))
	for i, h := range levels {
		out[i] = apiHeld{h.Pin, h.Set, apidoc.Nullable(h.Value), orNull(h.U)}
	}
	return out
}

// orNull is a figure of which 0 means that there is none.
func orNull(v float64) apidoc.Nullable {
	if v == 0 {
		return apidoc.Nullable(math.NaN())
	}
	return apidoc.Nullable(v)
}

// apiLine is the JSON of one contribution to a result's uncertainty.
type apiLine struct {
	Name         string          `json:"name"`
	Class        string          `json:"class" doc:"what sort of cause it is"`
	Distribution string          `json:"distribution"`
	Standard     apidoc.Nullable `json:"standard" doc:"standard uncertainty of the cause, in its own SI unit; null where it is not known"`
	DF           apidoc.Nullable `json:"df" doc:"its degrees of freedom; null for as many as one likes"`
	Sensitivity  float64         `json:"sensitivity" doc:"unit of the result per unit of the cause"`
	Contribution float64         `json:"contribution" doc:"standard uncertainty that it brings, in the unit of the result"`
	Share        float64         `json:"share" doc:"of the variance, 0 to 1"`
	Assumed      bool            `json:"assumed" doc:"rests on a stated default, not on the bench's definition"`
}

// apiBudget is the JSON of what a result's uncertainty is made of.
type apiBudget struct {
	Measurement int             `json:"measurement" doc:"index in the procedure"`
	Key         string          `json:"key"`
	Pin         int             `json:"pin,omitempty"`
	Group       string          `json:"group,omitempty"`
	Condition   string          `json:"condition,omitempty"`
	Value       apidoc.Nullable `json:"value" doc:"in unit"`
	Unit        quantity.Unit   `json:"unit"`
	U           apidoc.Nullable `json:"u" doc:"half-width of the interval that holds 95 %, in unit"`
	K           apidoc.Nullable `json:"k" doc:"coverage factor of u"`
	DF          apidoc.Nullable `json:"df" doc:"effective degrees of freedom; null for as many as one likes"`
	Lines       []apiLine       `json:"lines" doc:"the largest first"`
	Without     string          `json:"without,omitempty" doc:"why there are no lines"`
	NotCounted  []string        `json:"notCounted" doc:"what may lie between the result and the truth, and is in no line"`
	Held        []apiHeld       `json:"held" doc:"levels that other pins were held at"`
}

// apiBudgets are the budgets of a run's results.
type apiBudgets struct {
	Rehearsal bool        `json:"rehearsal"`
	Items     []apiBudget `json:"items"`
}

func (s *Server) apiBudgets(w http.ResponseWriter, r *http.Request) error {
	rec, results, err := s.wholeBudgets(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	out := apiBudgets{Rehearsal: rec.Rehearsal}
	only := number(r.URL.Query(), "measurement", -1)
	for i := range results {
		if x := &results[i]; only < 0 || x.Measurement == only {
			out.Items = append(out.Items, budgetAnswer(rec, x))
		}
	}
	return reply(w, http.StatusOK, out)
}

func budgetAnswer(rec *procedure.Record, x *procedure.Result) apiBudget {
	out := apiBudget{Measurement: x.Measurement, Key: x.Key, Pin: x.Pin, Group: x.Group, Condition: x.Condition, Value: apidoc.Nullable(x.Value),
		Unit: x.Unit, U: apidoc.Nullable(x.U), K: orNull(x.K), DF: apidoc.Nullable(math.NaN()), Held: heldOf(x.HeldLevels())}
	if x.Budget == nil || len(x.Budget.Lines) == 0 {
		out.Without = x.WithoutBudget()
		return out
	}
	out.DF = orNull(x.Budget.DF)
	for _, l := range x.Budget.Lines {
		out.Lines = append(out.Lines, apiLine{l.Name, l.Class, l.Distribution, orNull(l.Standard), orNull(l.DF), l.Sensitivity, l.Contribution, l.Share, l.Assumed})
	}
	if x.Measurement < len(rec.Procedure.Measurements) {
		out.NotCounted = procedure.NotCounted(&rec.Procedure.Measurements[x.Measurement], x.Budget, rec.Bench.LineHz)
	}
	return out
}
