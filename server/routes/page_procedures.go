package routes

import (
	"context"
	"net/http"
	"net/url"
	"strings"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

// proceduresPage is the list of procedures under their devices.
func (s *Server) proceduresPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.procedureList(r.Context(), r.URL.Query().Get("device"), r.URL.Query().Get("after"))
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.Procedures(p))
}

// proceduresPerPage is the number of devices on one page of the list of
// procedures.
const proceduresPerPage = 50

// procedureList returns the procedures of one device, or of a page of all
// devices.
func (s *Server) procedureList(ctx context.Context, device, after string) (web.ProceduresProps, error) {
	p := web.ProceduresProps{Page: s.frame(ctx, "Procedures", "/devices"), CanEdit: personOf(ctx).Role >= store.Operator,
		New: web.Form{ID: "new", Values: url.Values{"device": {device}}}}
	heads, err := s.Store.DeviceHeads(ctx)
	if err != nil {
		return p, err
	}
	p.Devices = optionsOf(heads)
	shown, err := s.proceduresShown(ctx, &p, device, after)
	if err != nil {
		return p, err
	}
	keys := []string{}
	at := map[string]int{}
	for i, d := range shown {
		keys, at[d.Key] = append(keys, d.Key), i
		p.Groups = append(p.Groups, web.ProcedureGroup{Key: d.Key, Name: d.Name})
	}
	list, err := s.Store.ProceduresOf(ctx, keys)
	for _, q := range list {
		g := &p.Groups[at[q.Body.Device]]
		g.Rows = append(g.Rows, web.ProcedureListRow{Key: q.Body.Key, Name: q.Body.Name, Measurements: len(q.Body.Measurements),
			Rev: q.Rev, At: q.At, By: q.By})
	}
	return p, err
}

// proceduresShown returns the devices whose procedures a page shows.
func (s *Server) proceduresShown(ctx context.Context, p *web.ProceduresProps, device, after string) (shown []store.DeviceHead, err error) {
	if device != "" {
		d, err := s.Store.GetDevice(ctx, device, 0)
		if store.CodeOf(err) == store.NotFound || err == nil && d.Removed {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		return []store.DeviceHead{{Key: d.Body.Key, Name: d.Body.Name}}, nil
	}
	devices, next, err := s.Store.DevicePage(ctx, after, proceduresPerPage)
	for _, d := range devices {
		shown = append(shown, store.DeviceHead{Key: d.Body.Key, Name: d.Body.Name})
	}
	p.Paging = pagingOf("/procedures", nil, after, next)
	return shown, err
}

// procedureNew handles the form that makes an empty procedure.
func (s *Server) procedureNew(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	name := strings.TrimSpace(r.PostForm.Get("name"))
	p := procedure.Procedure{Name: name, Device: r.PostForm.Get("device"), Measurements: []procedure.Measurement{}}
	key, err := s.addProcedure(ctx, p)
	if err == nil {
		return seeOther(w, r, "/procedures/"+key+"/edit")
	}
	e := s.classify(r.Context(), err)
	props, err := s.procedureList(ctx, "", "")
	if err != nil {
		return err
	}
	props.New = formOf("new", r.PostForm, e, nil)
	return show(ctx, w, e.Status, web.Procedures(props))
}

// addProcedure stores a procedure under a key of its own, made from its name
// where it has none.
func (s *Server) addProcedure(ctx context.Context, p procedure.Procedure) (string, error) {
	if p.Key == "" {
		p.Key = form.KeyFor(p.Name)
	}
	return s.Lab.AddProcedure(ctx, personOf(ctx), p)
}

// drafted returns a first procedure for a device as it is now.
func (s *Server) drafted(ctx context.Context, d *dut.Device) (procedure.Procedure, []procedure.Reason, error) {
	var pm *bench.PinMap
	stored, err := s.Store.GetPinMap(ctx, d.Key, s.bench(ctx).Definition.Key, 0)
	switch {
	case err == nil && !stored.Removed:
		pm = &stored.Body
	case err != nil && problem.CodeOf(err) != problem.NotFound:
		return procedure.Procedure{}, nil, err
	}
	p, reasons := procedure.Draft(d, &s.bench(ctx).Definition, pm)
	return p, reasons, nil
}

func (s *Server) procedureDraft(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	d, err := s.Store.GetDevice(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	if err := d.Body.Validate(); err != nil {
		return problem.New(problem.Invalid, "The device's description needs another look before a procedure can be drafted: "+err.Error())
	}
	p, _, err := s.drafted(ctx, &d.Body)
	if err != nil {
		return err
	}
	key, err := s.addProcedure(ctx, p)
	if err != nil {
		return err
	}
	return seeOther(w, r, "/procedures/"+key+"/edit")
}

// draftReasons returns the draft's reasons by measurement id, for the
// measurements that still are as they were drafted; those of the draft as a
// whole are under "".
func (s *Server) draftReasons(ctx context.Context, e *procedureEditing) map[string][]string {
	out := map[string][]string{}
	if !strings.HasPrefix(e.stored.Body.Notes, draftMark) {
		return out
	}
	draft, reasons, err := s.drafted(ctx, &e.device.Body)
	if err != nil {
		s.fault(ctx, "draft not made", err, "device", e.device.Body.Key)
		return out
	}
	now := map[string]procedure.Measurement{}
	for _, m := range e.stored.Body.Measurements {
		now[m.ID] = m
	}
	was := map[string]procedure.Measurement{}
	for _, m := range draft.Measurements {
		was[m.ID] = m
	}
	for _, x := range reasons {
		a, b := was[x.Measurement], now[x.Measurement]
		if x.Measurement == "" || b.Kind == a.Kind && sameField(&a, &b, x.Field) {
			out[x.Measurement] = append(out[x.Measurement], x.Words)
		}
	}
	return out
}

// draftMark is the text with which the notes of a drafted procedure begin.
// Notes without it have been rewritten by a person, who has taken the
// procedure over.
const draftMark = "Drafted from"

// procedureDuplicate stores a copy under another name.
func (s *Server) procedureDuplicate(w http.ResponseWriter, r *http.Request) error {
	e, err := s.openProcedure(r)
	if err != nil {
		return err
	}
	p := e.stored.Body.Clone()
	p.Key, p.Name = "", strings.TrimSpace(r.PostForm.Get("name"))
	if p.Name == "" {
		p.Name = e.stored.Body.Name + ", copy"
	}
	key, err := s.addProcedure(r.Context(), p)
	if err != nil {
		return err
	}
	return seeOther(w, r, "/procedures/"+key+"/edit")
}

func (s *Server) procedureDelete(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	p, err := s.Store.GetProcedure(ctx, key, 0)
	if err != nil {
		return err
	}
	if err := s.Lab.DeleteProcedure(ctx, personOf(ctx), key); err != nil {
		return err
	}
	return seeOther(w, r, "/procedures?device="+url.QueryEscape(p.Body.Device))
}

// procedureRevisions lists what each edit changed, newest first.
func (s *Server) procedureRevisions(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	e, err := s.openProcedure(r)
	if err != nil {
		return err
	}
	key, name := e.stored.Body.Key, e.stored.Body.Name
	list, err := s.Store.ProcedureRevisions(ctx, key)
	if err != nil {
		return err
	}
	p := web.RevisionsProps{
		Page: s.frame(ctx, "Revisions of "+name, "/devices"), Of: name, What: "Procedure", Back: "/procedures/" + key,
		BringBack: "/procedures/" + key + "/bring-back", Latest: e.stored.Rev, CanEdit: personOf(ctx).Role >= store.Operator,
	}
	if p.CanEdit {
		p.Back += "/edit"
	}
	p.Rows, p.More, err = revisionRows(list, func(rev int) (*procedure.Procedure, error) {
		x, err := s.Store.GetProcedure(ctx, key, rev)
		if err != nil {
			return nil, err
		}
		return &x.Body, nil
	}, func(a, b *procedure.Procedure) []dut.Change { return web.ProcedureChanges(a, b, &e.device.Body) })
	if err != nil {
		return err
	}
	return show(ctx, w, http.StatusOK, web.Revisions(p))
}

// procedureUndo handles the button that takes the latest edit back.
func (s *Server) procedureUndo(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	p, err := s.Lab.UndoProcedure(ctx, personOf(ctx), chi.URLParam(r, "key"), postedRev(r.PostForm))
	return s.showRestored(w, r, p, err)
}

// procedureBringBack handles the button that makes an old revision the latest.
func (s *Server) procedureBringBack(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	p, err := s.Lab.BringBackProcedure(ctx, personOf(ctx), chi.URLParam(r, "key"), postedOld(r.PostForm), postedRev(r.PostForm))
	return s.showRestored(w, r, p, err)
}

// showRestored answers with the editor after a revision was brought back, and
// tells there where somebody else saved meanwhile; p is the old revision, nil
// where there is none.
func (s *Server) showRestored(w http.ResponseWriter, r *http.Request, p *procedure.Procedure, err error) error {
	if p != nil && isStale(err) {
		e, err := s.openProcedure(r)
		if err != nil {
			return err
		}
		if err := s.conflicting(r.Context(), e, postedRev(r.PostForm), p); err != nil {
			return err
		}
		return s.showProcedureEditor(w, r, http.StatusConflict, e)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/procedures/"+p.Key+"/edit")
}
