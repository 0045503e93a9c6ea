package routes

import (
	"context"
	"net/http"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
	"ohmkeep/store"
)

// Corrections of a bench, by the API.

func (s *Server) correctionsEndpoints() []endpoint {
	const tag = "corrections"
	return []endpoint{
		{route: route{"GET", "/benches/{key}/corrections", store.Viewer, page, s.ofBench(s.apiCorrections)}, id: "getCorrections", tag: tag,
			summary: "What was measured of the bench and is taken off its readings, and all decisions about that, newest first.", response: apiBenchCorrections{}},
		{route: route{"POST", "/benches/{key}/corrections", store.Operator, page, s.ofBench(s.apiCorrectionsChange)}, id: "changeCorrections", tag: tag,
			summary: "Take over what a check of the bench measured, use an older revision again, or use none. Paths that a finding of the check speaks of are left as they are stated. Runs keep the corrections that they were made with.",
			request: apiCorrectionsChange{}, response: apiBenchCorrections{}},
	}
}

// apiCorrectionsChange is the JSON request that decides about corrections.
type apiCorrectionsChange struct {
	Check    string `json:"check,omitempty" doc:"id of the check whose paths are taken over"`
	Again    int    `json:"again,omitempty" doc:"revision that is used again"`
	None     bool   `json:"none,omitempty" doc:"true to use none"`
	Expected int    `json:"expected" doc:"the newest revision that is known of, 0 for none: another one meanwhile is a conflict"`
	Why      string `json:"why,omitempty" doc:"in a person's words"`
}

// apiBenchCorrections is the JSON of a bench's corrections.
type apiBenchCorrections struct {
	InUse     *bench.Corrections `json:"inUse,omitempty" doc:"absent: none are used"`
	Unused    string             `json:"unused,omitempty" doc:"why the newest are not used"`
	Decisions []apiCorrected     `json:"decisions" doc:"newest first, the newest 50"`
}

// apiCorrected is the JSON of one decision about corrections.
type apiCorrected struct {
	Revision int       `json:"revision"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Why      string    `json:"why,omitempty"`
	Paths    int       `json:"paths" doc:"paths that it corrects"`
	Ranges   int       `json:"ranges" doc:"ranges that it corrects"`
	Damaged  string    `json:"damaged,omitempty" doc:"why it says nothing"`
}

func (s *Server) correctionsNow(ctx context.Context) (apiBenchCorrections, error) {
	b := s.bench(ctx)
	out := apiBenchCorrections{Decisions: []apiCorrected{}}
	last, unused, err := s.Lab.CorrectionsInUse(ctx, b)
	if err != nil {
		return out, err
	}
	if out.Unused = unused; last != nil && unused == "" {
		out.InUse = last.Body
	}
	list, err := s.Store.ListCorrections(ctx, b.Definition.Key, newestCorrections)
	for i := range list {
		c := &list[i]
		x := apiCorrected{Revision: c.Revision, At: c.At, By: c.By, Why: c.Why, Damaged: c.Damaged}
		if c.Body != nil {
			x.Paths, x.Ranges = len(c.Body.Paths), len(c.Body.Ranges)
		}
		out.Decisions = append(out.Decisions, x)
	}
	return out, err
}

func (s *Server) apiCorrections(w http.ResponseWriter, r *http.Request) error {
	now, err := s.correctionsNow(r.Context())
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, now)
}

func (s *Server) apiCorrectionsChange(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiCorrectionsChange](r)
	if err != nil {
		return err
	}
	change := lab.CorrectionsChange{Check: q.Check, Again: q.Again, None: q.None, Expected: q.Expected, Why: q.Why}
	if _, err := s.Lab.ChangeCorrections(r.Context(), s.bench(r.Context()), personOf(r.Context()), change); err != nil {
		return err
	}
	return s.apiCorrections(w, r)
}
