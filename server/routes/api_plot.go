package routes

import (
	"math"
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/liverun"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// apiPlot is the JSON of a measurement's plot.
type apiPlot struct {
	Measurement int             `json:"measurement"`
	Title       string          `json:"title"`
	Rehearsal   bool            `json:"rehearsal"`
	X           apiAxis         `json:"x"`
	Y           apiAxis         `json:"y"`
	Band        procedure.Limit `json:"band" doc:"the limits, where they are in the unit of y"`
	Series      []apiSeries     `json:"series"`
	Damaged     []string        `json:"damaged,omitempty" doc:"what of the run or of the measurement's readings is not what was stored, in words: nothing is drawn of it; absent: nothing"`
}

type apiAxis struct {
	Label string        `json:"label"`
	Unit  quantity.Unit `json:"unit"`
	Log   bool          `json:"log"`
}

// apiSeries is the JSON of one curve of a plot, thinned to what a screen can
// show.
type apiSeries struct {
	Label  string            `json:"label"`
	X      []apidoc.Nullable `json:"x"`
	Y      []apidoc.Nullable `json:"y"`
	Hollow []bool            `json:"hollow" doc:"at compliance: no measure of the set condition; empty where none is"`
	Line   bool              `json:"line" doc:"whether the points are joined"`
}

func (s *Server) apiPlot(w http.ResponseWriter, r *http.Request) error {
	id, m := chi.URLParam(r, "id"), number(r.URL.Query(), "measurement", 0)
	rec, lost, err := s.Store.WholeRun(r.Context(), id)
	if err != nil {
		return err
	}
	out := apiPlot{Measurement: m, Rehearsal: rec.Rehearsal, Series: []apiSeries{}, Damaged: lost}
	if n := len(rec.Procedure.Measurements); n == 0 && len(lost) > 0 {
		return reply(w, http.StatusOK, out) // what it was to draw is damaged
	} else if m >= n {
		return problem.Field("measurement", "this run has no such measurement")
	}
	out.Title = rec.Procedure.Measurements[m].Name
	var now *liverun.Snapshot
	if rec.Status == procedure.Running {
		now, _ = s.Runs.Snapshot(id, m)
	}
	p, err := s.plotNow(r.Context(), rec, m, now)
	if problem.CodeOf(err) == problem.Corrupt {
		out.Damaged = append(out.Damaged, err.Error())
		return reply(w, http.StatusOK, out)
	}
	if err != nil {
		return err
	}
	out.X, out.Y, out.Band = axisOf(p.X), axisOf(p.Y), p.Band
	for _, c := range p.Series {
		out.Series = append(out.Series, apiSeries{c.Label, nullables(c.X), nullables(c.Y), c.Hollow, c.Line})
	}
	return reply(w, http.StatusOK, out)
}

func axisOf(a web.Axis) apiAxis { return apiAxis{a.Label, quantity.Unit(a.Unit), a.Log} }

func nullables(v []float64) []apidoc.Nullable {
	out := make([]apidoc.Nullable, len(v))
	for i, f := range v {
		out[i] = apidoc.Nullable(f)
	}
	return out
}

var measurementParam = apidoc.Query("measurement", "Index of the measurement in the procedure, from 0.", apidoc.Whole(0, math.MaxInt32))
