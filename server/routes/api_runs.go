package routes

import (
	"math"
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/cause"
	"ohmkeep/server/derive"
	"ohmkeep/server/lab"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/standing"
	"ohmkeep/store"
)

func (s *Server) runEndpoints() []endpoint {
	const tag = "runs"
	return []endpoint{
		{route: route{"POST", "/runs", store.Operator, control, s.apiStart}, id: "startRun", tag: tag, status: http.StatusCreated,
			summary: "Start a procedure on the bench.", request: apiStart{}, response: apiStarted{}},
		{route: route{"GET", "/runs/{id}", store.Viewer, page, s.apiRun}, id: "getRun", tag: tag,
			summary:  "The head of a run, with copies of the device, procedure, pin map and bench that it used.",
			response: apiRunHead{}},
		{route: route{"PATCH", "/runs/{id}", store.Operator, page, s.apiNote}, id: "noteRun", tag: tag, status: http.StatusNoContent,
			summary: "Replace a run's note.", request: apiNote{}},
		{route: route{"DELETE", "/runs/{id}", store.Owner, page, s.apiDeleteRun}, id: "deleteRun", tag: tag, status: http.StatusNoContent,
			summary: "Delete a run with its readings, results and shared links, for good."},
		{route: route{"POST", "/runs/{id}/stop", store.Operator, control, s.apiStop}, id: "stopRun", tag: tag, status: http.StatusNoContent,
			summary: "Stop a run; the bench is made safe at once."},
		{route: route{"POST", "/runs/{id}/rerun", store.Operator, control, s.apiRerun}, id: "rerun", tag: tag, status: http.StatusCreated,
			summary: "Run the same procedure on the same unit again.", response: apiStarted{}},
		{route: route{"GET", "/runs/{id}/progress", store.Viewer, page, s.apiProgress}, id: "getProgress", tag: tag,
			summary: "Where a run stands.", response: apiProgress{}},
		{route: route{"GET", "/runs/{id}/results", store.Viewer, page, s.apiResults}, id: "listResults", tag: tag,
			summary: "The results of a run, in the order of its measurements.", response: apiResults{}},
		{route: route{"GET", "/runs/{id}/results.csv", store.Viewer, report, s.csvResults}, id: "exportResults", tag: tag, media: mediaCSV,
			summary: "The results of a run as CSV, each with its interval, decision rule, guard band, probability of conformity, outcome, and what is not counted."},
		{route: route{"GET", "/runs/{id}/budgets", store.Viewer, page, s.apiBudgets}, id: "listBudgets", tag: tag, query: []param{measurementParam},
			summary: "What the uncertainty of each result of a run, or of one measurement, is made of.", response: apiBudgets{}},
		{route: route{"GET", "/runs/{id}/budgets.csv", store.Viewer, report, s.csvBudgets}, id: "exportBudgets", tag: tag, media: mediaCSV,
			summary: "What the uncertainty of each result of a run is made of, as CSV: a row for each contribution."},
		{route: route{"GET", "/runs/{id}/readings", store.Viewer, page, s.apiReadings}, id: "listReadings", tag: tag, query: readingParams,
			summary: "Readings of one measurement, in columns of equal length.", response: apiReadings{}},
		{route: route{"GET", "/runs/{id}/plot", store.Viewer, page, s.apiPlot}, id: "getPlot", tag: tag, query: []param{measurementParam},
			summary: "The plot of one measurement: axes and curves, condensed to what a screen can show.", response: apiPlot{}},
		{route: route{"GET", "/runs/{id}/readings.csv", store.Viewer, report, s.csvReadings}, id: "exportReadings", tag: tag, media: mediaCSV,
			query: readingParams[:1], summary: "The readings of a run, or of one measurement, as CSV."},
	}
}

// apiStart is the JSON request that starts a run.
type apiStart struct {
	Device    string `json:"device" doc:"key"`
	Procedure string `json:"procedure" doc:"key"`
	Serial    string `json:"serial,omitempty" max:"64"`
	Lot       string `json:"lot,omitempty" max:"64"`
	Note      string `json:"note,omitempty" max:"4000"`
	Seat      bool   `json:"seat,omitempty" doc:"on a rehearsal bench: seat the unit of this serial number first"`
	// Acknowledge names warnings of the check before power.
	Acknowledge []string `json:"acknowledge,omitempty" doc:"names of the warnings of the check before power that are known of"`
	Confirm     []string `json:"confirm,omitempty" doc:"on a bench with cards: names of what is confirmed before it is energised"`
}

// apiStarted is the JSON answer to a start: the run's id.
type apiStarted struct {
	ID string `json:"id"`
}

func (s *Server) apiStart(w http.ResponseWriter, r *http.Request) error {
	a, err := decode[apiStart](r)
	if err != nil {
		return err
	}
	id, err := s.Lab.Start(r.Context(), s.bench(r.Context()), personOf(r.Context()), lab.StartRequest(a))
	return replyStarted(w, id, err)
}

func (s *Server) apiRerun(w http.ResponseWriter, r *http.Request) error {
	id, err := s.Lab.Rerun(r.Context(), s.bench(r.Context()), personOf(r.Context()), chi.URLParam(r, "id"), nil)
	return replyStarted(w, id, err)
}

func replyStarted(w http.ResponseWriter, id string, err error) error {
	if err != nil {
		return err
	}
	w.Header().Set("Location", "/api/v1/runs/"+id)
	return reply(w, http.StatusCreated, apiStarted{id})
}

func (s *Server) apiStop(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.Stop(r.Context(), personOf(r.Context()), chi.URLParam(r, "id")); err != nil {
		return err
	}
	return noContent(w)
}

// apiNote is the JSON request that replaces a run's note.
type apiNote struct {
	Note string `json:"note" max:"4000"`
}

func (s *Server) apiNote(w http.ResponseWriter, r *http.Request) error {
	a, err := decode[apiNote](r)
	if err != nil {
		return err
	}
	if err := s.Lab.SetNote(r.Context(), personOf(r.Context()), chi.URLParam(r, "id"), a.Note); err != nil {
		return err
	}
	return noContent(w)
}

func (s *Server) apiDeleteRun(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.DeleteRun(r.Context(), personOf(r.Context()), chi.URLParam(r, "id")); err != nil {
		return err
	}
	return noContent(w)
}

func (s *Server) apiRun(w http.ResponseWriter, r *http.Request) error {
	rec, lost, err := s.Store.WholeRun(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	behind, err := s.Lab.Behind(r.Context(), rec)
	if err != nil {
		return err
	}
	head := apiRunHead{Record: *rec, Behind: behind, Damaged: lost}
	if len(lost) == 0 && rec.Status != procedure.Running {
		results, err := s.Store.Results(r.Context(), rec.ID)
		if err != nil {
			return err
		}
		head.Cause = causeOf(rec, results, &behind)
	}
	return reply(w, http.StatusOK, head)
}

// apiRunHead is the JSON of the head of a run.
type apiRunHead struct {
	procedure.Record
	Behind  standing.Standing `json:"behind" doc:"what stands behind the run: the checks of its bench before and after it"`
	Cause   *cause.Diagnosis  `json:"cause,omitempty" doc:"what most probably explains its findings; absent: it has none, is at work, or is of work by hand"`
	Damaged []string          `json:"damaged,omitempty" doc:"what of the head is not what was stored, in words, and is left out; where the status is damaged, nothing but the id can be believed, not even that it was no rehearsal; absent: nothing"`
}

// apiProgress is the JSON of a run's progress.
type apiProgress struct {
	Rehearsal   bool             `json:"rehearsal"`
	Status      procedure.Status `json:"status"`
	Outcome     derive.Outcome   `json:"outcome"`
	Measurement int              `json:"measurement" doc:"index of the one at work; beyond the last when the run has ended"`
	Point       int              `json:"point"`
	Points      int              `json:"points"`
	Done        []bool           `json:"done" doc:"for each measurement"`
	Elapsed     float64          `json:"elapsed" doc:"seconds"`
	Left        apidoc.Nullable  `json:"left" doc:"seconds, an estimate; null where there is none"`
	Readings    int64            `json:"readings"`
}

func (s *Server) apiProgress(w http.ResponseWriter, r *http.Request) error {
	id := chi.URLParam(r, "id")
	rec, err := s.Store.GetRun(r.Context(), id)
	if err != nil {
		return err
	}
	if at, known := s.Runs.Progress(id); known && rec.Status == procedure.Running {
		left := math.NaN()
		if at.Left >= 0 {
			left = at.Left.Seconds()
		}
		return reply(w, http.StatusOK, apiProgress{rec.Rehearsal, rec.Status, rec.Outcome, at.Measurement, at.Point, at.Points,
			at.Done, at.Elapsed.Seconds(), apidoc.Nullable(left), at.Readings})
	}
	results, err := s.Store.Results(r.Context(), id)
	if err != nil {
		return err
	}
	at := endProgress(rec, results)
	elapsed := 0.0
	if !rec.Ended.IsZero() {
		elapsed = rec.Ended.Sub(rec.Started).Seconds()
	}
	return reply(w, http.StatusOK, apiProgress{Rehearsal: rec.Rehearsal, Status: rec.Status, Outcome: rec.Outcome, Measurement: at.Measurement,
		Done: at.Done, Elapsed: elapsed, Left: 0, Readings: rec.Readings})
}

// apiResult is a derived value of a measurement.
type apiResult struct {
	Measurement int                  `json:"measurement" doc:"index in the procedure"`
	Key         string               `json:"key"`
	Name        string               `json:"name"`
	Pin         int                  `json:"pin,omitempty"`
	Group       string               `json:"group,omitempty" doc:"curve or direction"`
	Condition   string               `json:"condition,omitempty"`
	Value       apidoc.Nullable      `json:"value" doc:"in unit; null where it could not be derived"`
	Unit        quantity.Unit        `json:"unit"`
	U           apidoc.Nullable      `json:"u" doc:"half-width in unit of the interval that holds the true value with 95 %; null where it cannot be said; where k is null, k = 2 of a reading"`
	K           apidoc.Nullable      `json:"k" doc:"coverage factor of u; null for results without a budget"`
	From        apidoc.Nullable      `json:"from" doc:"lower end of that interval; null where it is open, as for a value that is at most so much, and for results from before budgets were kept"`
	To          apidoc.Nullable      `json:"to" doc:"its upper end; null where it is open, as for a value that is at least so much"`
	Low         *float64             `json:"low,omitempty"`
	High        *float64             `json:"high,omitempty"`
	W           *float64             `json:"w,omitempty" doc:"guard band that the decision rule kept, in unit"`
	Conformity  *float64             `json:"conformity,omitempty" doc:"probability that the true value is within the limits"`
	Outcome     derive.Outcome       `json:"outcome"`
	Flags       []string             `json:"flags"`
	Held        []apiHeld            `json:"held" doc:"levels that other pins were held at, as they were read back"`
	Note        string               `json:"note,omitempty" doc:"why it is invalid, what is probably wrong"`
	By          []procedure.ServedBy `json:"by,omitempty" doc:"what its pin was read by, in the order in which that was connected; absent: not known"`
}

// apiResults are the results of a run.
type apiResults struct {
	Rehearsal bool        `json:"rehearsal"`
	Rule      string      `json:"rule" doc:"the decision rule that judged them, in words"`
	Items     []apiResult `json:"items"`
}

func (s *Server) apiResults(w http.ResponseWriter, r *http.Request) error {
	rec, results, err := s.wholeBudgets(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	rule := rec.Procedure.Rule().Name()
	if len(rec.Procedure.Measurements) == 0 {
		rule = "not known: the procedure as it was carried out is damaged"
	}
	return reply(w, http.StatusOK, apiResults{rec.Rehearsal, rule, resultsOf(results, s.served.in(rec))})
}

func resultsOf(results []procedure.Result, served procedure.Served) []apiResult {
	out := make([]apiResult, len(results))
	for i, x := range results {
		out[i] = apiResult{x.Measurement, x.Key, x.Name, x.Pin, x.Group, x.Condition, apidoc.Nullable(x.Value), x.Unit,
			apidoc.Nullable(x.U), orNull(x.K), apidoc.Nullable(x.From), apidoc.Nullable(x.To), finiteOrNil(x.Low), finiteOrNil(x.High),
			finiteOrNil(x.Band), finiteOrNil(x.Conformity), x.Outcome, x.Flags.Words(), heldOf(x.HeldLevels()), x.Remark(), served.Of(&x)}
	}
	return out
}
