package routes

import (
	"context"
	"net/http"
	"strconv"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/cardinfo"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) trafficPages() []route {
	return []route{
		{"GET", "/runs/{id}/traffic", store.Viewer, page, s.trafficPage},
		{"GET", "/runs/{id}/traffic.txt", store.Viewer, report, s.trafficText},
	}
}

// trafficRows is the largest number of events on a page.
const trafficRows = 200

// runTraffic is the page of a run's traffic with its cards. It is decoded from
// its beginning on, so that an answer is read as that to its question.
func (s *Server) runTraffic(ctx context.Context, id string) (cardinfo.Traffic, []web.TrafficRow, error) {
	t, err := s.Store.Traffic(ctx, id)
	if err != nil {
		return t, nil, err
	}
	return t, web.NewDecoder(&s.Protocol).Rows(t.Events), nil
}

func (s *Server) trafficPage(w http.ResponseWriter, r *http.Request) error {
	ctx, id := r.Context(), chi.URLParam(r, "id")
	rec, err := s.Store.GetRun(ctx, id)
	if err != nil {
		return s.orDamaged(w, r, id, err)
	}
	t, rows, err := s.runTraffic(ctx, id)
	if err != nil {
		return s.orDamaged(w, r, id, err)
	}
	from, _ := strconv.Atoi(r.URL.Query().Get("from")) // none is from the start
	from = min(max(from, 0), max(0, len(rows)-1))
	p := web.TrafficProps{
		Page: s.frame(ctx, "Traffic of "+runTitle(rec), "/runs"), Run: id, Title: runTitle(rec), Dropped: t.Dropped,
		Total: len(rows), From: from, Step: trafficRows, Rows: rows[from:min(from+trafficRows, len(rows))],
	}
	p.Page.Rehearsal = rec.Rehearsal
	return show(ctx, w, http.StatusOK, web.RunTraffic(p))
}

func (s *Server) trafficText(w http.ResponseWriter, r *http.Request) error {
	id := chi.URLParam(r, "id")
	t, rows, err := s.runTraffic(r.Context(), id)
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "text/plain; charset=utf-8")
	h.Set("Content-Disposition", `attachment; filename="traffic-`+id+`.txt"`)
	text := "# Traffic of run " + id + ": number, time, after the one before, connection, direction, bytes, meaning\n"
	if t.Dropped > 0 {
		text += "# " + strconv.Itoa(t.Dropped) + " events between the first ones and the last were not kept\n"
	}
	_, _ = w.Write([]byte(text + web.TrafficText(rows))) // the reader has gone
	return nil
}
