package routes

import (
	"context"
	"maps"
	"net/http"
	"net/url"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

const (
	deviceRuns     = 6
	devicesPerPage = 100
)

func (s *Server) devicesPage(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	after := r.URL.Query().Get("after")
	devices, next, err := s.Store.DevicePage(ctx, after, devicesPerPage)
	if err != nil {
		return err
	}
	use, err := s.Store.DeviceUses(ctx, keysOf(devices))
	if err != nil {
		return err
	}
	p := web.DevicesProps{Paging: pagingOf("/devices", nil, after, next), Page: s.frame(ctx, "Devices", "/devices"), CanEdit: personOf(ctx).Role >= store.Operator}
	for _, d := range devices {
		p.Devices = append(p.Devices, web.DeviceRow{
			Key: d.Body.Key, Name: d.Body.Name, Description: d.Body.Description, Package: d.Body.Package,
			Procedures: use[d.Body.Key].Procedures, Runs: use[d.Body.Key].Runs, Rehearsable: s.bench(ctx).Rehearse != nil && d.Body.Model != "",
		})
	}
	return show(ctx, w, http.StatusOK, web.Devices(p))
}

func keysOf(devices []store.Revised[dut.Device]) []string {
	keys := []string{} // never null, which is no list in JSON
	for _, d := range devices {
		keys = append(keys, d.Body.Key)
	}
	return keys
}

// pagingOf returns the links of a list whose pages come after a key.
func pagingOf(path string, q url.Values, after, next string) web.Paging {
	var p web.Paging
	link := func(key string) string {
		to := maps.Clone(q)
		if key != "" {
			if to == nil {
				to = url.Values{}
			}
			to.Set("after", key)
		}
		if len(to) == 0 {
			return path
		}
		return path + "?" + to.Encode()
	}
	if after != "" {
		p.First = link("")
	}
	if next != "" {
		p.Next = link(next)
	}
	return p
}

func (s *Server) devicePage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.deviceProps(r.Context(), chi.URLParam(r, "key"))
	if err != nil {
		return err
	}
	if p.CanEdit {
		p.Share = &web.ShareForm{Form: shareDays(), Subject: p.Device.Key, Kinds: []web.Option{{Value: store.DeviceShare}}}
	}
	return show(r.Context(), w, http.StatusOK, web.Device(p))
}

func (s *Server) deviceProps(ctx context.Context, key string) (p web.DeviceProps, err error) {
	d, err := s.Store.GetDevice(ctx, key, 0)
	if err != nil {
		return p, err
	}
	p = web.DeviceProps{
		Page: s.frame(ctx, d.Body.Name, "/devices"), Device: d.Body, Rev: d.Rev,
		BenchName: s.bench(ctx).Definition.Name, Bench: &s.bench(ctx).Definition, CanEdit: personOf(ctx).Role >= store.Operator, Removed: d.Removed,
	}
	pm, err := s.Store.GetPinMap(ctx, key, s.bench(ctx).Definition.Key, 0)
	if err == nil {
		p.PinMap = &pm.Body
	} else if problem.CodeOf(err) != problem.NotFound {
		return p, err
	}
	procs, err := s.Store.ListProcedures(ctx, key)
	if err != nil {
		return p, err
	}
	for _, q := range procs {
		p.Procedures = append(p.Procedures, web.ProcedureRow{Key: q.Body.Key, Name: q.Body.Name, Measurements: len(q.Body.Measurements)})
	}
	runs, err := s.Store.ListRuns(ctx, store.Filter{Device: key}, "", deviceRuns)
	if err != nil {
		return p, err
	}
	if p.Last, err = s.runRows(ctx, runs.Runs); err != nil {
		return p, err
	}
	for i := range runs.Runs {
		p.Page.Rehearsal = p.Page.Rehearsal || runs.Runs[i].Rehearsal
	}
	return p, nil
}

func (s *Server) procedurePage(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	q, err := s.Store.GetProcedure(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	d, err := s.Store.GetDevice(ctx, q.Body.Device, 0)
	if err != nil {
		return err
	}
	p := web.ProcedureProps{
		Page: s.frame(ctx, q.Body.Name, "/devices"), Procedure: q.Body, Rev: q.Rev, Device: d.Body,
		CanStart: personOf(ctx).Role >= store.Operator, OfferSeat: s.bench(r.Context()).Rehearse != nil,
		Start: web.Form{ID: "start", Values: url.Values{"seat": {"1"}}},
	}
	if p.Report, err = s.Lab.PrePower(ctx, s.bench(ctx), &d.Body, &q.Body); err != nil {
		return err
	}
	return show(ctx, w, http.StatusOK, web.Procedure(p))
}
