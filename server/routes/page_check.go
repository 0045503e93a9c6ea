package routes

import (
	"context"
	"net/http"
	"net/url"

	"github.com/go-chi/chi/v5"

	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) checkPages() []route {
	return []route{{"GET", "/procedures/{key}/check", store.Viewer, page, s.checkPage}}
}

// checkProps returns the page of a stored procedure's check before power.
func (s *Server) checkProps(ctx context.Context, key string) (web.CheckProps, error) {
	p, err := s.Store.GetProcedure(ctx, key, 0)
	if err != nil {
		return web.CheckProps{}, err
	}
	d, err := s.Store.GetDevice(ctx, p.Body.Device, 0)
	if err != nil {
		return web.CheckProps{}, err
	}
	report, err := s.Lab.PrePower(ctx, s.bench(ctx), &d.Body, &p.Body)
	if err != nil {
		return web.CheckProps{}, err
	}
	return web.CheckProps{
		Page: s.frame(ctx, "Before power: "+p.Body.Name, "/devices"), Procedure: p.Body, Rev: p.Rev, Device: d.Body,
		Report:   report,
		CanStart: personOf(ctx).Role >= store.Operator, OfferSeat: s.bench(ctx).Rehearse != nil && d.Body.Model != "",
		Start: web.Form{ID: "start", Values: url.Values{"seat": {"1"}}},
	}, nil
}

func (s *Server) checkPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.checkProps(r.Context(), chi.URLParam(r, "key"))
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.Check(p))
}

// askToAcknowledge shows the check of a procedure whose start was refused, and
// keeps what was entered.
func (s *Server) askToAcknowledge(w http.ResponseWriter, r *http.Request, p *Problem) error {
	props, err := s.checkProps(r.Context(), r.PostForm.Get("procedure"))
	if err != nil {
		return err
	}
	props.Asked = true
	props.Start = formOf("start", r.PostForm, &Problem{}, nil)
	return show(r.Context(), w, p.Status, web.Check(props))
}
