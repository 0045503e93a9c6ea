package routes

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
)

func (s *Server) procedureEndpoints() []endpoint {
	const tag = "procedures"
	byDevice := apidoc.Query("device", "Only those for this device, by key.", apidoc.Text(64))
	return []endpoint{
		{route: route{"GET", "/procedures", store.Viewer, page, s.apiProcedures}, id: "listProcedures", tag: tag, query: append([]param{byDevice}, documentPages...),
			summary: "The latest revision of every procedure, by name.", response: apiList[apiRevision[procedure.Procedure]]{}},
		{route: route{"GET", "/procedures/{key}", store.Viewer, page, s.apiProcedure}, id: "getProcedure", tag: tag, query: []param{revParam},
			summary: "One revision of a procedure.", response: apiRevision[procedure.Procedure]{}, tagged: true},
		{route: route{"PUT", "/procedures/{key}", store.Operator, page, s.apiPutProcedure}, id: "putProcedure", tag: tag,
			summary: "Store a new procedure or a new revision of one. A measurement without a settle or an aperture gets what the bench in use needs.", request: procedureBody{}, response: apiSaved{}, tagged: true},
		{route: route{"DELETE", "/procedures/{key}", store.Owner, page, s.apiDeleteProcedure}, id: "deleteProcedure", tag: tag,
			summary: "Take a procedure out of the lists. Its revisions stay for the runs that used them.", status: http.StatusNoContent},
		{route: route{"GET", "/procedures/{key}/revisions", store.Viewer, page, s.apiProcedureRevisions}, id: "listProcedureRevisions", tag: tag,
			summary: "The history of a procedure, newest first.", response: apiList[store.Revision]{}},
		{route: route{"GET", "/procedures/{key}/check", store.Viewer, page, s.apiCheck}, id: "checkProcedure", tag: tag,
			summary: "Whether a procedure is safe, possible and precise enough on the bench, without touching it, and how long it should take.", response: apiCheck{}},
		{route: route{"GET", "/kinds", store.Viewer, page, s.apiKinds}, id: "listKinds", tag: tag,
			summary: "The kinds of measurement: the fields they use and the results they derive.", response: apiList[apiKind]{}},
	}
}

func (s *Server) apiProcedures(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	list, next, err := s.Store.ProcedurePage(r.Context(), q.Get("device"), q.Get("cursor"), number(q, "limit", documentsPerPage))
	return replyPage(w, list, next, err)
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
	body, err := jsonBody(r)
	if err != nil {
		return err
	}
	doc, err := apidoc.Decode[procedureBody](apiTypes, body)
	if err != nil {
		return err
	}
	if err := newer(doc.Format); err != nil {
		return err
	}
	p, err := s.Lab.WithTimes(ctx, s.bench(ctx), doc.Procedure, procedure.TimesLeftOut(body))
	if err != nil {
		return err
	}
	var ps dut.Problems
	sameKey(&ps, "key", p.Key, chi.URLParam(r, "key"))
	if err := ps.Err(); err != nil {
		return err
	}
	rev, err := s.Lab.SaveProcedure(ctx, personOf(ctx), p, expected)
	return replySaved(w, expected, rev, err)
}

func (s *Server) apiDeleteProcedure(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.DeleteProcedure(r.Context(), personOf(r.Context()), chi.URLParam(r, "key")); err != nil {
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
			a.Fields = append(a.Fields, apiField{Name: f.Name, Label: f.Label, Type: f.Type, Unit: f.Unit, Choices: f.Choices, Help: f.Help})
		}
		for _, o := range k.Outputs() {
			a.Outputs = append(a.Outputs, apiOutput{Key: o.Key, Name: o.Name, Unit: o.Unit})
		}
		out = append(out, a)
	}
	return replyList(w, out)
}
