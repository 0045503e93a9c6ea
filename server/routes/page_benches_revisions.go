package routes

import (
	"net/http"
	"strconv"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

// benchRevisions lists what each edit changed, newest first.
func (s *Server) benchRevisions(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	b, err := s.Store.GetBench(ctx, key, 0)
	if err != nil {
		return err
	}
	list, err := s.Store.BenchRevisions(ctx, key)
	if err != nil {
		return err
	}
	p := web.RevisionsProps{
		Page: s.frame(ctx, "Revisions of "+b.Body.Name, "/bench"), Of: b.Body.Name, What: "Bench", Back: "/benches/" + key,
		BringBack: "/benches/" + key + "/bring-back", Latest: b.Rev, Newest: "latest", CanEdit: personOf(ctx).Role >= store.Operator && key != lab.RehearsalKey,
	}
	p.Rows, p.More, err = revisionRows(list, func(rev int) (*bench.Definition, error) {
		x, err := s.Store.GetBench(ctx, key, rev)
		if err != nil {
			return nil, err
		}
		return &x.Body, nil
	}, bench.DiffDefinitions)
	if err != nil {
		return err
	}
	return show(ctx, w, http.StatusOK, web.Revisions(p))
}

// benchUndo stores the revision before the latest as a new one.
func (s *Server) benchUndo(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	rev, _ := strconv.Atoi(r.PostForm.Get("rev"))
	if rev < 2 {
		return problem.New(problem.Conflict, "There is no edit to undo: this is the first revision.")
	}
	return s.restoreBench(w, r, rev-1, rev)
}

// benchBringBack stores an old revision as a new one.
func (s *Server) benchBringBack(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	old, _ := strconv.Atoi(r.PostForm.Get("old"))
	rev, _ := strconv.Atoi(r.PostForm.Get("rev"))
	if old < 1 {
		return problem.New(problem.Invalid, "Name the revision to bring back.")
	}
	return s.restoreBench(w, r, old, rev)
}

func (s *Server) restoreBench(w http.ResponseWriter, r *http.Request, old, expected int) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	b, err := s.Store.GetBench(ctx, key, old)
	if err != nil {
		return err
	}
	if _, err := s.Lab.SaveBench(ctx, personOf(ctx), b.Body, expected); err != nil {
		return err
	}
	return seeOther(w, r, "/benches/"+key)
}
