package routes

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

func (s *Server) draftEndpoints() []endpoint {
	return []endpoint{
		{route: route{"GET", "/devices/{key}/draft", store.Viewer, page, s.apiDraft}, id: "draftProcedure", tag: "procedures",
			summary:  "A first procedure made from the device alone, with the reasons for its values. Nothing is stored: put it under a key of your own.",
			response: apiDraft{}},
		{route: route{"GET", "/schemas/procedure.json", store.Viewer, page, s.apiProcedureSchema}, id: "procedureSchema", tag: "procedures",
			summary: "The JSON Schema of a procedure's document.", response: map[string]any{}},
	}
}

// apiDraft is the JSON of a drafted procedure.
type apiDraft struct {
	Procedure procedure.Procedure `json:"procedure"`
	Reasons   []procedure.Reason  `json:"reasons"`
}

func (s *Server) apiDraft(w http.ResponseWriter, r *http.Request) error {
	d, err := s.Store.GetDevice(r.Context(), chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	if err := d.Body.Validate(); err != nil {
		return err
	}
	p, reasons, err := s.drafted(r.Context(), &d.Body)
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, apiDraft{p, reasons})
}

func (s *Server) apiProcedureSchema(w http.ResponseWriter, _ *http.Request) error {
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(apiTypes.Procedure()) // the client has gone
	return nil
}
