package routes

import (
	"errors"
	"net/http"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

func (s *Server) manualEndpoints() []endpoint {
	const tag = "manual"
	return []endpoint{
		{route: route{"POST", "/manual", store.Operator, page, s.apiManualStart}, id: "measureManually", tag: tag, status: http.StatusCreated,
			summary: "Carry out one measurement by hand, under the same rules as a run, into memory.", request: apiManualRequest{}, response: apiStarted{}},
		{route: route{"GET", "/manual", store.Viewer, page, s.apiManual}, id: "getManual", tag: tag,
			summary: "What was last measured by hand.", response: apiManual{}},
		{route: route{"GET", "/manual/readings", store.Viewer, page, s.apiManualReadings}, id: "listManualReadings", tag: tag, query: readingParams[1:],
			summary: "Readings of what was last measured by hand, in columns of equal length.", response: apiReadings{}},
		{route: route{"POST", "/manual/stop", store.Operator, control, s.apiManualStop}, id: "stopManual", tag: tag, status: http.StatusNoContent,
			summary: "Stop measuring by hand; the bench is made safe at once."},
		{route: route{"POST", "/manual/keep", store.Operator, page, s.apiManualKeep}, id: "keepManual", tag: tag, status: http.StatusCreated,
			summary: "Keep what was last measured by hand as a run. It is stopped first.", request: apiKeep{}, response: apiStarted{}},
	}
}

// apiManualRequest is the JSON request that measures a device by hand, once.
type apiManualRequest struct {
	Device      string                `json:"device" doc:"key, or bare-contacts for the contacts of the socket by their numbers, with nothing described: at most 5 V and 10 mA"`
	Measurement procedure.Measurement `json:"measurement"`
	Confirm     []string              `json:"confirm,omitempty" doc:"on a bench with cards: names of what is confirmed before it is energised"`
}

func (s *Server) apiManualStart(w http.ResponseWriter, r *http.Request) error {
	ctx, who := r.Context(), personOf(r.Context())
	body, err := jsonBody(r)
	if err != nil {
		return err
	}
	q, err := apidoc.Decode[apiManualRequest](apiTypes, body)
	if err != nil {
		return err
	}
	d, err := s.Lab.ByHand(ctx, s.bench(ctx), q.Device)
	if problem.CodeOf(err) == problem.NotFound || err == nil && d.Removed {
		return problem.Field("device", "there is no device of this key")
	}
	if err != nil {
		return err
	}
	if err := s.Lab.TakeTimes(ctx, s.bench(ctx), &d.Body, &q.Measurement, procedure.TimesLeftOutOfOne(body)); err != nil {
		return err
	}
	var ps dut.Problems
	for _, p := range q.Measurement.Validate(&d.Body) {
		ps.Add("measurement."+p.Field, "%s", p.Message)
	}
	if err := ps.Err(); err != nil {
		return err
	}
	id, err := s.Lab.Measure(ctx, s.bench(ctx), who, d, q.Measurement, nil, q.Confirm)
	if err != nil {
		return err
	}
	w.Header().Set("Location", "/api/v1/manual")
	return reply(w, http.StatusCreated, apiStarted{id})
}

// apiManual is the JSON of manual work: what was measured by hand.
type apiManual struct {
	ID          string                `json:"id"`
	Device      string                `json:"device"`
	Measurement procedure.Measurement `json:"measurement"`
	Rehearsal   bool                  `json:"rehearsal"`
	Status      procedure.Status      `json:"status"`
	Outcome     derive.Outcome        `json:"outcome"`
	Reason      string                `json:"reason,omitempty"`
	Readings    int64                 `json:"readings"`
	Dropped     int64                 `json:"dropped,omitempty" doc:"readings that memory no longer holds: the oldest"`
	Results     []apiResult           `json:"results"`
	Kept        string                `json:"kept,omitempty" doc:"the run that it was kept as"`
}

func (s *Server) apiManual(w http.ResponseWriter, r *http.Request) error {
	h, kept, err := s.bench(r.Context()).Held()
	if err != nil {
		return err
	}
	rec := &h.Record
	return reply(w, http.StatusOK, apiManual{ID: rec.ID, Device: rec.Device.Key, Measurement: rec.Procedure.Measurements[0],
		Rehearsal: rec.Rehearsal, Status: rec.Status, Outcome: rec.Outcome, Reason: rec.Reason,
		Readings: rec.Readings, Dropped: h.Dropped, Results: resultsOf(h.Results, procedure.ServedIn(rec)), Kept: kept})
}

func (s *Server) apiManualReadings(w http.ResponseWriter, r *http.Request) error {
	h, _, err := s.bench(r.Context()).Held()
	if err != nil {
		return err
	}
	q := r.URL.Query()
	out := apiReadings{Rehearsal: h.Record.Rehearsal, From: max(int64(number(q, "from", 0)), h.Dropped)}
	limit, at := number(q, "limit", 1000), h.Dropped
	for _, part := range h.Readings {
		n := int64(len(part.Readings))
		if first := max(out.From-at, 0); first < n {
			var c store.Columns
			c.Append(part.Readings[first:])
			if err := out.add(&c, limit); errors.Is(err, errEnough) {
				next := out.From + int64(out.Count)
				out.Next = &next
				break
			}
		}
		at += n
	}
	return reply(w, http.StatusOK, out)
}

func (s *Server) apiManualStop(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.StopManual(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	return noContent(w)
}

// apiKeep is the JSON request that stores manual work as a run: it names the
// unit that was measured.
type apiKeep struct {
	Serial string `json:"serial" max:"64"`
	Lot    string `json:"lot,omitempty" max:"64"`
	Note   string `json:"note,omitempty" max:"4000"`
}

func (s *Server) apiManualKeep(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiKeep](r)
	if err != nil {
		return err
	}
	id, err := s.Lab.KeepManual(r.Context(), s.bench(r.Context()), personOf(r.Context()), dut.Unit{Serial: q.Serial, Lot: q.Lot}, q.Note)
	return replyStarted(w, id, err)
}
