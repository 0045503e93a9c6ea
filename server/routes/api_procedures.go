package routes

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

func (s *Server) procedureEndpoints() []endpoint {
	const tag = "procedures"
	byDevice := param{"device", "Only those for this device, by key.", text(64)}
	return []endpoint{
		{route: route{"GET", "/procedures", store.Viewer, s.apiProcedures}, id: "listProcedures", tag: tag, query: []param{byDevice},
			summary: "The latest revision of every procedure.", response: apiList[apiRevision[procedure.Procedure]]{}},
		{route: route{"GET", "/procedures/{key}", store.Viewer, s.apiProcedure}, id: "getProcedure", tag: tag, query: []param{revParam},
			summary: "One revision of a procedure.", response: apiRevision[procedure.Procedure]{}, tagged: true},
		{route: route{"PUT", "/procedures/{key}", store.Operator, s.apiPutProcedure}, id: "putProcedure", tag: tag,
			summary: "Store a new procedure or a new revision of one.", request: procedureBody{}, response: apiSaved{}, tagged: true},
		{route: route{"DELETE", "/procedures/{key}", store.Owner, s.apiDeleteProcedure}, id: "deleteProcedure", tag: tag,
			summary: "Take a procedure out of the lists. Its revisions stay for the runs that used them.", status: http.StatusNoContent},
		{route: route{"GET", "/procedures/{key}/revisions", store.Viewer, s.apiProcedureRevisions}, id: "listProcedureRevisions", tag: tag,
			summary: "The history of a procedure, newest first.", response: apiList[store.Revision]{}},
		{route: route{"GET", "/procedures/{key}/check", store.Viewer, s.apiCheck}, id: "checkProcedure", tag: tag,
			summary: "Whether a procedure can be carried out on the bench, without touching it, and how long it should take.", response: apiCheck{}},
		{route: route{"GET", "/kinds", store.Viewer, s.apiKinds}, id: "listKinds", tag: tag,
			summary: "The kinds of measurement: the fields they use and the results they derive.", response: apiList[apiKind]{}},
	}
}

func (s *Server) apiProcedures(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.ListProcedures(r.Context(), r.URL.Query().Get("device"))
	return replyRevisions(w, list, err)
}

func (s *Server) apiProcedure(w http.ResponseWriter, r *http.Request) error {
	p, err := s.Store.GetProcedure(r.Context(), chi.URLParam(r, "key"), number(r.URL.Query(), "rev", 0))
	return replyRevision(w, p, err)
}

func (s *Server) apiProcedureRevisions(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.ProcedureRevisions(r.Context(), chi.URLParam(r, "key"))
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiPutProcedure(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	expected, err := expectedRev(r)
	if err != nil {
		return err
	}
	doc, err := decode[procedureBody](r)
	if err != nil {
		return err
	}
	if err := newer(doc.Format); err != nil {
		return err
	}
	p := doc.Procedure
	var ps dut.Problems
	sameKey(&ps, "key", p.Key, chi.URLParam(r, "key"))
	if err := ps.Err(); err != nil {
		return err
	}
	device, err := s.Store.GetDevice(ctx, p.Device, 0)
	if store.CodeOf(err) == store.NotFound || err == nil && device.Removed {
		return invalid("device", "there is no device of this key")
	}
	if err != nil {
		return err
	}
	if err := p.Validate(&device.Body); err != nil {
		return err
	}
	rev, err := s.Store.SaveProcedure(ctx, p, expected, viewerOf(ctx).Name)
	return replySaved(w, expected, rev, err)
}

func (s *Server) apiDeleteProcedure(w http.ResponseWriter, r *http.Request) error {
	if err := s.Store.DeleteProcedure(r.Context(), chi.URLParam(r, "key")); err != nil {
		return err
	}
	return noContent(w)
}

// apiKind is a kind of measurement.
type apiKind struct {
	Key     string      `json:"key"`
	Title   string      `json:"title"`
	Summary string      `json:"summary"`
	Fields  []apiField  `json:"fields"`
	Outputs []apiOutput `json:"outputs"`
}

type apiField struct {
	Name    string              `json:"name" doc:"name in a measurement"`
	Label   string              `json:"label"`
	Type    procedure.FieldType `json:"type"`
	Unit    quantity.Unit       `json:"unit,omitempty" doc:"of a quantity; absent where what is forced decides"`
	Choices []string            `json:"choices,omitempty"`
	Help    string              `json:"help,omitempty"`
}

type apiOutput struct {
	Key  string        `json:"key"`
	Name string        `json:"name"`
	Unit quantity.Unit `json:"unit"`
}

func (s *Server) apiKinds(w http.ResponseWriter, _ *http.Request) error {
	var out []apiKind
	for _, k := range procedure.Kinds() {
		a := apiKind{Key: k.Key(), Title: k.Title(), Summary: k.Summary()}
		for _, f := range k.Fields() {
			a.Fields = append(a.Fields, apiField(f))
		}
		for _, o := range k.Outputs() {
			a.Outputs = append(a.Outputs, apiOutput(o))
		}
		out = append(out, a)
	}
	return replyList(w, out)
}

// apiCheck is what can be said of a procedure before anything is energised.
type apiCheck struct {
	Total        float64       `json:"total" doc:"seconds that the whole should take"`
	Measurements []apiEstimate `json:"measurements"`
}

// apiEstimate is the time that a measurement should take.
type apiEstimate struct {
	Points    int64   `json:"points"`
	Readings  int64   `json:"readings"`
	Switching float64 `json:"switching" doc:"seconds for paths to open and close"`
	Settling  float64 `json:"settling" doc:"seconds"`
	Reading   float64 `json:"reading" doc:"seconds of apertures and of waits between readings"`
	Ramp      float64 `json:"ramp" doc:"seconds for supplies to come up and go down"`
}

func (s *Server) apiCheck(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	p, err := s.Store.GetProcedure(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	d, err := s.Store.GetDevice(ctx, p.Body.Device, 0)
	if err != nil {
		return err
	}
	pins, err := s.Store.GetPinMap(ctx, p.Body.Device, s.Bench.Key, 0)
	if store.CodeOf(err) == store.NotFound || err == nil && pins.Removed {
		return problem(http.StatusConflict, "The device has no pin map for this bench yet.")
	}
	if err != nil {
		return err
	}
	if err := p.Body.Validate(&d.Body); err != nil {
		return err // the device was changed since
	}
	total, err := run.Check(&procedure.Record{Device: d.Body, Procedure: p.Body, PinMap: pins.Body, Bench: s.Bench})
	if err != nil {
		return err
	}
	out := apiCheck{Total: total.Seconds()}
	for _, e := range p.Body.Estimate(&d.Body, &s.Bench) {
		out.Measurements = append(out.Measurements, apiEstimate(e))
	}
	return reply(w, http.StatusOK, out)
}
