package routes

import (
	"context"
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

func (s *Server) benchDefinitionEndpoints() []endpoint {
	const tag = "benches"
	from := apidoc.Query("from", "Number of the earlier revision.", apidoc.Whole(1, 1<<31-1))
	to := apidoc.Query("to", "Number of the later revision; left out: the latest.", apidoc.Whole(1, 1<<31-1))
	return []endpoint{
		{route: route{"GET", "/benches/{key}/definition", store.Viewer, page, s.apiDefinition}, id: "getBenchDefinition", tag: tag, query: []param{revParam},
			summary: "The connections, channels and paths of a bench, with ranges and accuracy, as it is stored and exported.", response: bench.Definition{}, tagged: true},
		{route: route{"PUT", "/benches/{key}/definition", store.Operator, page, s.apiPutDefinition}, id: "putBenchDefinition", tag: tag,
			summary: "Store a new bench or a new revision of one. The bench in use stays as it is until it is used again.",
			request: bench.Definition{}, response: apiSaved{}, tagged: true},
		{route: route{"DELETE", "/benches/{key}", store.Owner, page, s.apiDeleteBench}, id: "deleteBench", tag: tag,
			summary: "Take a bench that is not in use out of the lists. Its revisions stay for the runs that used them.", status: http.StatusNoContent},
		{route: route{"GET", "/benches/{key}/revisions", store.Viewer, page, s.apiBenchRevisions}, id: "listBenchRevisions", tag: tag,
			summary: "The history of a bench, newest first.", response: apiList[store.Revision]{}},
		{route: route{"GET", "/benches/{key}/changes", store.Viewer, page, s.apiBenchChanges}, id: "compareBenches", tag: tag, query: []param{from, to},
			summary: "What changed between two revisions of a bench.", response: apiList[dut.Change]{}},
		{route: route{"GET", "/benches/{key}/warnings", store.Viewer, page, s.apiBenchWarnings}, id: "listBenchWarnings", tag: tag, query: []param{revParam},
			summary: "What a bench is stored with, but should be looked at.", response: apiList[dut.Problem]{}},
		{route: route{"POST", "/benches/{key}/use", store.Operator, page, s.apiUseBench}, id: "useBench", tag: tag,
			summary: "Put a bench in use, as it is stored. It takes an owner, or the operator who holds control, and no run at work; control is free afterwards. " +
				"While the state of the bench in use is unknown, an owner alone can, who says that its power is off.",
			query:    []param{apidoc.Query("powerOff", "The power of the bench in use is off: asked of an owner while its state is unknown.", apidoc.Flag())},
			response: apiBench{}},
	}
}

// apiConnectionHealth is the JSON of one connection's health, for the bench in
// use.
type apiConnectionHealth cardinfo.Health

// benchOf returns the JSON of a bench with its state. The state is known of
// the bench in use alone.
func (s *Server) benchOf(ctx context.Context, who lab.Person, stored *store.Revised[bench.Definition]) (apiBench, error) {
	place := s.bench(ctx)
	if stored.Body.Key != place.Definition.Key {
		return apiBench{Key: stored.Body.Key, Name: stored.Body.Name, Rehearsal: stored.Body.Key == lab.RehearsalKey, Rev: stored.Rev,
			Channels: len(stored.Body.Channels), Contacts: stored.Body.Contacts}, nil
	}
	seated, err := s.Lab.Seated(ctx, s.bench(ctx))
	if err != nil {
		return apiBench{}, err
	}
	now := s.bench(ctx).Now()
	b := apiBench{
		Key: place.Definition.Key, Name: place.Definition.Name, InUse: true, Rehearsal: place.Identity().Rehearsal, Rev: stored.Rev,
		Newer:    stored.Rev > 0 && place.Definition.Key != lab.RehearsalKey && len(bench.DiffDefinitions(&place.Definition, &stored.Body)) > 0,
		Channels: len(place.Definition.Channels), Contacts: place.Definition.Contacts,
		State: now.State, Reason: now.Reason, Since: now.Since, Run: now.Run,
		Holder: now.Holder, Mine: now.Session != "" && now.Session == who.Session, Seated: seated,
	}
	c := s.Lab.Control(place)
	b.Asks, b.Lapses = c.Asks, c.Lapses
	for _, h := range s.bench(ctx).Health() {
		b.Connections = append(b.Connections, apiConnectionHealth(h))
	}
	return b, nil
}

// storedBench loads a bench's stored definition. The bench in use is returned
// even where the store has nothing of it.
func (s *Server) storedBench(ctx context.Context, key string) (*store.Revised[bench.Definition], error) {
	b, err := s.Store.GetBench(ctx, key, 0)
	if place := s.bench(ctx); problem.CodeOf(err) == problem.NotFound && key == place.Definition.Key {
		return &store.Revised[bench.Definition]{Body: place.Definition}, nil
	}
	return b, err
}

func (s *Server) apiBenches(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.ListBenches(r.Context())
	if err != nil {
		return err
	}
	out := make([]apiBench, len(list))
	for i := range list {
		if out[i], err = s.benchOf(r.Context(), personOf(r.Context()), &list[i]); err != nil {
			return err
		}
	}
	return replyList(w, out)
}

func (s *Server) apiState(w http.ResponseWriter, r *http.Request) error {
	stored, err := s.storedBench(r.Context(), chi.URLParam(r, "key"))
	if err != nil {
		return err
	}
	b, err := s.benchOf(r.Context(), personOf(r.Context()), stored)
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, b)
}

func (s *Server) apiDefinition(w http.ResponseWriter, r *http.Request) error {
	b, err := s.Store.GetBench(r.Context(), chi.URLParam(r, "key"), number(r.URL.Query(), "rev", 0))
	if err != nil {
		return err
	}
	w.Header().Set("ETag", entityTag(b.Rev))
	return reply(w, http.StatusOK, b.Body)
}

func (s *Server) apiPutDefinition(w http.ResponseWriter, r *http.Request) error {
	expected, err := expectedRev(r)
	if err != nil {
		return err
	}
	def, err := decode[bench.Definition](r)
	if err != nil {
		return err
	}
	var ps dut.Problems
	sameKey(&ps, "key", def.Key, chi.URLParam(r, "key"))
	if err := ps.Err(); err != nil {
		return err
	}
	rev, err := s.Lab.SaveBench(r.Context(), personOf(r.Context()), def, expected)
	return replySaved(w, expected, rev, err)
}

func (s *Server) apiDeleteBench(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.DeleteBench(r.Context(), personOf(r.Context()), chi.URLParam(r, "key")); err != nil {
		return err
	}
	return noContent(w)
}

func (s *Server) apiBenchRevisions(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.BenchRevisions(r.Context(), chi.URLParam(r, "key"))
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiBenchChanges(w http.ResponseWriter, r *http.Request) error {
	list, err := compared(r, func(rev int) (*bench.Definition, error) {
		b, err := s.Store.GetBench(r.Context(), chi.URLParam(r, "key"), rev)
		if err != nil {
			return nil, err
		}
		return &b.Body, nil
	}, bench.DiffDefinitions)
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiBenchWarnings(w http.ResponseWriter, r *http.Request) error {
	b, err := s.Store.GetBench(r.Context(), chi.URLParam(r, "key"), number(r.URL.Query(), "rev", 0))
	if err != nil {
		return err
	}
	return replyList(w, []dut.Problem(b.Body.Warnings()))
}

func (s *Server) apiUseBench(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.Use(r.Context(), personOf(r.Context()), chi.URLParam(r, "key"), r.URL.Query().Get("powerOff") == "true"); err != nil {
		return err
	}
	return s.apiState(w, r)
}

// ofBench wraps a handler for an address that names a bench: the bench must be
// the one in use, else the request is refused.
func (s *Server) ofBench(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		key := chi.URLParam(r, "key")
		if key == s.bench(r.Context()).Definition.Key {
			return handle(w, r)
		}
		b, err := s.Lab.Bench(key)
		if err == nil {
			return handle(w, r.WithContext(onBench(r.Context(), b)))
		}
		if stored, missing := s.Store.GetBench(r.Context(), key, 0); missing == nil && !stored.Removed {
			return err
		}
		return problem.NoSuch("bench of this key")
	}
}
