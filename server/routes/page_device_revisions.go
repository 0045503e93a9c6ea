package routes

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/dut"
	"ohmkeep/store"
	"ohmkeep/web"
)

// revisionsShown is the number of revisions that a page compares.
const revisionsShown = 40

// deviceRevisions lists what each edit changed, newest first.
func (s *Server) deviceRevisions(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	d, err := s.Store.GetDevice(ctx, key, 0)
	if err != nil {
		return err
	}
	list, err := s.Store.DeviceRevisions(ctx, key)
	if err != nil {
		return err
	}
	p := web.RevisionsProps{
		Page: s.frame(ctx, "Revisions of "+d.Body.Name, "/devices"), Of: d.Body.Name, What: "Device", Back: "/devices/" + key,
		BringBack: "/devices/" + key + "/bring-back", Latest: d.Rev, CanEdit: personOf(ctx).Role >= store.Operator,
	}
	p.Rows, p.More, err = revisionRows(list, func(rev int) (*dut.Device, error) {
		x, err := s.Store.GetDevice(ctx, key, rev)
		if err != nil {
			return nil, err
		}
		return &x.Body, nil
	}, deviceChanges)
	if err != nil {
		return err
	}
	return show(ctx, w, http.StatusOK, web.Revisions(p))
}

// revisionRows compares each revision with the one before it.
func revisionRows[T any](list []store.Revision, get func(rev int) (T, error), diff func(a, b T) []dut.Change) (rows []web.RevisionRow, more int, err error) {
	if len(list) > revisionsShown {
		more = len(list) - revisionsShown
	}
	var later T
	for i, x := range list[:min(len(list), revisionsShown+1)] {
		body, err := get(x.Rev)
		if err != nil {
			return nil, 0, err
		}
		if i > 0 {
			rows[i-1].Changes = diff(body, later)
		}
		if i < revisionsShown {
			rows = append(rows, web.RevisionRow{Rev: x.Rev, At: x.At, By: x.By, First: i == len(list)-1})
		}
		later = body
	}
	return rows, more, nil
}

// deviceUndo handles the button that takes the latest edit back.
func (s *Server) deviceUndo(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	if err := s.Lab.UndoDevice(ctx, personOf(ctx), key, postedRev(r.PostForm)); err != nil {
		return err
	}
	return seeOther(w, r, "/devices/"+key+"/edit")
}

// deviceBringBack handles the button that makes an old revision the latest.
func (s *Server) deviceBringBack(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	if err := s.Lab.BringBackDevice(ctx, personOf(ctx), key, postedOld(r.PostForm), postedRev(r.PostForm)); err != nil {
		return err
	}
	return seeOther(w, r, "/devices/"+key+"/edit")
}
