package routes

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
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

// benchUndo handles the button that takes the latest edit back.
func (s *Server) benchUndo(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	if err := s.Lab.UndoBench(ctx, personOf(ctx), key, postedRev(r.PostForm)); err != nil {
		return err
	}
	return seeOther(w, r, "/benches/"+key)
}

// benchBringBack handles the button that makes an old revision the latest.
func (s *Server) benchBringBack(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	if err := s.Lab.BringBackBench(ctx, personOf(ctx), key, postedOld(r.PostForm), postedRev(r.PostForm)); err != nil {
		return err
	}
	return seeOther(w, r, "/benches/"+key)
}
