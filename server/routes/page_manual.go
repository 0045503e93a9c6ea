package routes

import (
	"cmp"
	"context"
	"maps"
	"net/http"
	"net/url"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/liverun"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/store"
	"ohmkeep/web"
)

// Manual work is a procedure of one measurement, run by the same executor
// under the same rules, but into memory. "Keep this" writes it to the store.

// manualPage is the page for measuring by hand. What was last measured stays
// on it.
func (s *Server) manualPage(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	p, err := s.manualProps(r.Context(), q.Get("device"), nil)
	if err != nil {
		return err
	}
	if pin := q.Get("pin"); pin != "" {
		p.Form.Values.Set("pin", pin)
	}
	return show(r.Context(), w, http.StatusOK, web.Manual(p))
}

// manualProps is the page for a device; "" is what is in the socket, as far as that is
// known, or else the one last measured.
func (s *Server) manualProps(ctx context.Context, device string, form url.Values) (web.ManualProps, error) {
	b := s.bench(ctx)
	m := b.Manual()
	last := entered(&m)
	p := web.ManualProps{Page: s.frame(ctx, "Manual", "/manual"), Keep: web.Form{ID: "keep"}}
	p.Page.Rehearsal = b.Identity().Rehearsal
	p.CanUse = personOf(ctx).Role >= store.Operator
	var err error
	if p.Devices, err = s.deviceOptions(ctx); err != nil {
		return p, err
	}
	if form == nil {
		form = last
	}
	socket, err := s.inSocketByHand(ctx, b)
	if err != nil {
		return p, err
	}
	if device == "" {
		device = cmp.Or(socket, form.Get("device"))
	}
	p.Elsewhere = socket != "" && device != "" && socket != device
	values := manualValues(form, device)
	p.Form = web.Form{ID: "manual", Values: values}
	if device != "" {
		if err := s.manualDevice(ctx, &p, device); err != nil {
			return p, err
		}
	}
	if now, known := s.Runs.Snapshot(m.ID, -1); known && now.Record.Device.Key == device {
		v := runPropsOf(now)
		if now.Lost == nil {
			v.Plots = plotsOf(now)
		}
		live := manualLive(v)
		p.Pins, p.Values, p.Plots, p.Working, p.Live, p.How = live.Pins, live.Values, live.Plots, live.Working, live.Live, live.How
		if v.Record.Status == procedure.Running {
			p.Page.Live, p.Page.Seq = "/runs/"+m.ID+"/live", now.Seq
		}
	} else if m.Memory != nil {
		manualEnded(&p, m.Memory, device)
	}
	p.CanKeep = m.Memory != nil && m.Kept == "" && device != lab.BareContacts && p.Device != nil && last.Get("device") == device // not what was read from another
	p.Busy = s.bench(ctx).WhyBusy(personOf(ctx))
	return p, nil
}

// manualValues returns the values of the form as it was last used, or its
// defaults: the pins of another device mean nothing.
func manualValues(form url.Values, device string) url.Values {
	if form.Get("device") == device {
		return maps.Clone(form)
	}
	values := url.Values{"device": {device}}
	for name, v := range web.ManualDefaults() {
		values.Set(name, v)
	}
	if device == lab.BareContacts { // what one does there
		values.Set("do", "ohm")
		values.Set("compliance", "5 V")
	}
	return values
}

func (s *Server) manualDevice(ctx context.Context, p *web.ManualProps, key string) error {
	d, err := s.Lab.ByHand(ctx, s.bench(ctx), key)
	if err != nil {
		return err
	}
	p.Device, p.Bare = &d.Body, key == lab.BareContacts
	live := manualLive(web.RunProps{Record: procedure.Record{Device: d.Body}, Pins: web.Marks(&d.Body)})
	p.Pins = live.Pins
	return nil
}

// manualEnded shows manual work that has ended and is only held in memory.
func manualEnded(p *web.ManualProps, memory *run.Memory, device string) {
	held := memory.Held()
	if held.Record.Device.Key != device {
		return
	}
	v := web.RunProps{Record: held.Record, Pins: p.Pins,
		Results: web.ByMeasurement(len(held.Record.Procedure.Measurements), held.Results)}
	picture := liverun.NewPicture(liverun.ShapeOf(&held.Record, 0))
	for _, part := range held.Readings {
		picture.Add(part.Readings)
		if n := len(part.Readings); n > 0 {
			v.Latest = part.Readings[n-1:]
		}
	}
	plot := plotOf(&held.Record, 0, picture)
	plot.Title = held.Record.Procedure.Name
	v.Plots = []web.Plot{plot}
	live := manualLive(v)
	p.Values, p.Plots, p.Live, p.How = live.Values, live.Plots, live.Live, live.How
}

func (s *Server) manualMeasure(w http.ResponseWriter, r *http.Request) error {
	err := s.measureManual(r.Context(), s.bench(r.Context()), personOf(r.Context()), r.PostForm)
	if err == nil {
		return seeOther(w, r, "/manual?device="+url.QueryEscape(r.PostForm.Get("device"))+"#"+web.PartManualLive)
	}
	e := s.classify(r.Context(), err)
	if e.unconfirmed != nil {
		return s.askToConfirm(w, r, e, "Measure")
	}
	p, err := s.manualProps(r.Context(), r.PostForm.Get("device"), r.PostForm)
	if err != nil {
		return err
	}
	p.Form, p.Before = formOf("manual", r.PostForm, e, nil), p.How != ""
	return show(r.Context(), w, e.Status, web.Manual(p))
}

// manualStop handles the button that ends manual work. Work that has ended
// already is no error: that is what was wanted.
func (s *Server) manualStop(w http.ResponseWriter, r *http.Request) error {
	b := s.bench(r.Context())
	err := s.Lab.StopManual(r.Context(), b, personOf(r.Context()))
	if err != nil && asConflict(err, s) == nil {
		return err
	}
	return seeOther(w, r, "/manual?device="+url.QueryEscape(b.Manual().Device))
}

func (s *Server) manualKeep(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	f.Set("note", strings.ReplaceAll(f.Get("note"), "\r\n", "\n"))
	id, err := s.Lab.KeepManual(r.Context(), s.bench(r.Context()), personOf(r.Context()), dut.Unit{Serial: f.Get("serial"), Lot: f.Get("lot")}, f.Get("note"))
	if err == nil {
		return seeOther(w, r, "/runs/"+id)
	}
	refused := err
	p, err := s.manualProps(r.Context(), "", nil)
	if err != nil {
		return err
	}
	if !p.CanKeep { // the page has no such form now
		return refused
	}
	e := s.classify(r.Context(), refused)
	p.Keep = formOf("keep", f, e, nil)
	return show(r.Context(), w, e.Status, web.Manual(p))
}

// entered returns the values of the manual form: those that were last entered,
// or the page's defaults where the last measurement came from elsewhere.
func entered(m *lab.Manual) url.Values {
	if m.Entered == nil && m.Device != "" {
		return manualValues(nil, m.Device)
	}
	return m.Entered
}

// measureManual starts the manual measurement that a form describes.
func (s *Server) measureManual(ctx context.Context, b *lab.Bench, who lab.Person, f url.Values) error {
	d, err := s.Lab.ByHand(ctx, b, f.Get("device"))
	if err != nil {
		return err
	}
	m, ps := form.CheckManual(f, &d.Body)
	if len(ps) > 0 {
		return ps
	}
	s.Lab.HoldStrapped(ctx, b, d.Body.Key, &m)
	if err := s.Lab.TakeTimes(ctx, b, &d.Body, &m, form.ManualTimesLeftOut(f)); err != nil {
		return err
	}
	entered := maps.Clone(f)
	entered.Del("confirm")
	_, err = s.Lab.Measure(ctx, b, who, d, m, entered, f["confirm"])
	return err
}

// inSocketByHand is the key of what is in the socket of a bench as work by hand takes
// it: a device, or the bare contacts where something without one is there; "" where
// nobody knows.
func (s *Server) inSocketByHand(ctx context.Context, b *lab.Bench) (string, error) {
	q, err := s.Lab.Seated(ctx, b)
	switch {
	case err != nil || q == nil:
		return "", err
	case q.Device == "" && q.Model != "" && q.Model != lab.NothingSeated:
		return lab.BareContacts, nil
	}
	return q.Device, nil
}

// deviceOptions lists what can be measured by hand: the devices that have a pin map on
// this bench, and its bare contacts.
func (s *Server) deviceOptions(ctx context.Context) ([]web.Option, error) {
	devices, err := s.Store.MappedDevices(ctx, s.bench(ctx).Definition.Key)
	return append([]web.Option{{Value: lab.BareContacts, Label: "bare contacts: a check load, a plug"}}, optionsOf(devices)...), err
}
