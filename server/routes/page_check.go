package routes

import (
	"context"
	"net/http"
	"net/url"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) checkPages() []route {
	return []route{{"GET", "/procedures/{key}/check", store.Viewer, page, s.checkPage}}
}

// prePower checks a procedure on the bench in use; pm nil stands for no pin map.
func (s *Server) prePower(d *dut.Device, p *procedure.Procedure, pm *bench.PinMap) procedure.CheckReport {
	return procedure.PrePower(procedure.CheckInput{Device: d, Procedure: p, PinMap: pm, Bench: &s.at().Definition})
}

// pinMapOf is the device's pin map on the bench in use, nil where there is none.
func (s *Server) pinMapOf(ctx context.Context, device string) (*bench.PinMap, error) {
	pm, err := s.Store.GetPinMap(ctx, device, s.bench(ctx).Definition.Key, 0)
	if problem.CodeOf(err) == problem.NotFound || err == nil && pm.Removed {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return &pm.Body, nil
}

// checkProps is the check of a stored procedure for its page.
func (s *Server) checkProps(ctx context.Context, key string) (web.CheckProps, error) {
	p, err := s.Store.GetProcedure(ctx, key, 0)
	if err != nil {
		return web.CheckProps{}, err
	}
	d, err := s.Store.GetDevice(ctx, p.Body.Device, 0)
	if err != nil {
		return web.CheckProps{}, err
	}
	pm, err := s.pinMapOf(ctx, d.Body.Key)
	if err != nil {
		return web.CheckProps{}, err
	}
	return web.CheckProps{
		Page: s.frame(ctx, "Before power: "+p.Body.Name, "/devices"), Procedure: p.Body, Rev: p.Rev, Device: d.Body,
		Report:   s.prePower(&d.Body, &p.Body, pm),
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

// askToAcknowledge shows the check of a procedure whose start was refused, with
// what was entered.
func (s *Server) askToAcknowledge(w http.ResponseWriter, r *http.Request, p *Problem) error {
	props, err := s.checkProps(r.Context(), r.PostForm.Get("procedure"))
	if err != nil {
		return err
	}
	props.Asked = true
	props.Start = formOf("start", r.PostForm, &Problem{}, nil)
	return show(r.Context(), w, p.Status, web.Check(props))
}

// checkedFirst checks before a part is put into the socket, so that a start that
// is refused leaves in it what was there. What keeps a procedure from being
// checked at all is said by the start itself.
func (s *Server) checkedFirst(ctx context.Context, rec *procedure.Record, names []string) error {
	pm, err := s.pinMapOf(ctx, rec.Device.Key)
	if err != nil || pm == nil || rec.Procedure.Validate(&rec.Device) != nil {
		return err
	}
	probe := *rec
	probe.PinMap = *pm
	return s.checked(&probe, names)
}

// checked holds a start against the check before power: errors block it, and
// warnings until they are acknowledged by name. It keeps with the record what was
// acknowledged. By hand a person does one measurement at a time and looks at
// it: there only errors count.
func (s *Server) checked(rec *procedure.Record, names []string) error {
	report := s.prePower(&rec.Device, &rec.Procedure, &rec.PinMap)
	if errors := report.Errors(); len(errors) > 0 {
		return &problem.Error{Code: problem.Conflict, Title: "The check before power found errors",
			Message: errors[0].Message, Detail: errors}
	}
	if rec.Manual {
		return nil
	}
	if open := report.Unacknowledged(names); len(open) > 0 {
		return &problem.Error{Code: problem.Conflict, Title: "Warnings of the check before power are not acknowledged",
			Message: "acknowledge " + open[0].Name() + ": " + open[0].Message, Detail: open}
	}
	rec.Acknowledged = report.Warnings()
	return nil
}
