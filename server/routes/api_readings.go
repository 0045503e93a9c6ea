package routes

import (
	"errors"
	"math"
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// maxReadings is the largest number of readings in one answer.
const maxReadings = 10_000

func finiteOrNil(v *float64) *float64 {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	return v
}

var readingParams = []param{
	measurementParam,
	apidoc.Query("from", "Index of the first reading, from 0.", apidoc.Whole(0, math.MaxInt32)),
	apidoc.Query("limit", "The most readings to answer with; 1000 where it is left out.", apidoc.Whole(1, maxReadings)),
}

// apiReadings is the JSON of readings, one array for each column.
type apiReadings struct {
	Rehearsal   bool              `json:"rehearsal"`
	Measurement int               `json:"measurement"`
	From        int64             `json:"from" doc:"index of the first reading"`
	Count       int               `json:"count"`
	Next        *int64            `json:"next,omitempty" doc:"where the following readings begin; absent where there are none yet"`
	T           []float64         `json:"t" doc:"seconds since the run's start"`
	Set         []apidoc.Nullable `json:"set" doc:"volts or amperes, by what the pin is forced with"`
	V           []apidoc.Nullable `json:"v" doc:"volts"`
	I           []apidoc.Nullable `json:"i" doc:"amperes, positive into the pin"`
	Point       []int             `json:"point" doc:"index of the point in the measurement"`
	Group       []int             `json:"group" doc:"index of the curve"`
	Pin         []int             `json:"pin"`
	Channel     []int             `json:"channel"`
	Damaged     []apiGap          `json:"damaged,omitempty" doc:"what of the measurement is not what was stored; the readings begin behind it; absent: nothing that lies before from or among these readings"`
	Flags       []int             `json:"flags" doc:"sum of: 1 in compliance, 2 over range, 4 not settled, 8 out of limit, 16 after fault"`
}

// apiGap is something damaged among readings.
type apiGap struct {
	From int64  `json:"from" doc:"index of the first reading that is damaged"`
	To   int64  `json:"to" doc:"index after the last one; from and to are 0 where it is not known which they are"`
	What string `json:"what" doc:"in words"`
}

var errEnough = errors.New("enough readings")

func (s *Server) apiReadings(w http.ResponseWriter, r *http.Request) error {
	ctx, id, q := r.Context(), chi.URLParam(r, "id"), r.URL.Query()
	rec, lost, err := s.Store.WholeRun(ctx, id)
	if err != nil {
		return err
	}
	out := apiReadings{Rehearsal: rec.Rehearsal, Measurement: number(q, "measurement", 0), From: int64(number(q, "from", 0))}
	for _, what := range lost {
		out.Damaged = append(out.Damaged, apiGap{What: "of the run's head: " + what})
	}
	if n := len(rec.Procedure.Measurements); n > 0 && out.Measurement >= n { // 0: damaged
		return problem.Field("measurement", "this run has no such measurement")
	}
	limit := number(q, "limit", 1000)
	err = s.Store.WholeReadings(ctx, id, out.Measurement, out.From, func(_ int64, c *store.Columns) error {
		return out.add(c, limit)
	}, out.gap)
	switch {
	case errors.Is(err, errEnough):
		next := out.From + int64(out.Count)
		out.Next = &next
	case err != nil:
		return err
	}
	return reply(w, http.StatusOK, out)
}

// gap takes in what is damaged: errEnough where it lies behind readings.
func (a *apiReadings) gap(g store.Gap) error {
	if g.End > g.First && a.Count > 0 {
		return errEnough
	}
	a.Damaged = append(a.Damaged, apiGap{g.First, g.End, g.Words()})
	a.From = max(a.From, g.End)
	return nil
}

// add takes readings until there are limit; errEnough where some are left.
func (a *apiReadings) add(c *store.Columns, limit int) error {
	for i := range c.Len() {
		if a.Count == limit {
			return errEnough
		}
		a.Count++
		a.T = append(a.T, float64(c.T[i])/1e9)
		a.Set = append(a.Set, apidoc.Nullable(c.Set[i]))
		a.V = append(a.V, apidoc.Nullable(c.V[i]))
		a.I = append(a.I, apidoc.Nullable(c.I[i]))
		a.Point = append(a.Point, int(c.Point[i]))
		a.Group = append(a.Group, int(c.Group[i]))
		a.Pin = append(a.Pin, int(c.Pin[i]))
		a.Channel = append(a.Channel, int(c.Channel[i]))
		a.Flags = append(a.Flags, int(c.Flags[i]))
	}
	return nil
}
