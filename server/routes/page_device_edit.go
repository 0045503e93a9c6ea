package routes

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) deviceEditPages() []route {
	return []route{
		{"GET", "/devices/new", store.Operator, page, s.deviceNewPage},
		{"POST", "/devices/new", store.Operator, page, s.deviceNewForm},
		{"GET", "/devices/{key}/edit", store.Operator, page, s.deviceEditPage},
		{"POST", "/devices/{key}/edit", store.Operator, page, s.deviceEditForm},
		{"POST", "/devices/{key}/duplicate", store.Operator, page, s.deviceDuplicate},
		{"POST", "/devices/{key}/delete", store.Owner, page, s.deviceDelete},
		{"GET", "/devices/{key}/revisions", store.Viewer, page, s.deviceRevisions},
		{"POST", "/devices/{key}/undo", store.Operator, page, s.deviceUndo},
		{"POST", "/devices/{key}/bring-back", store.Operator, page, s.deviceBringBack},
	}
}

// editing is the state of one request to the device editor: the form as it was
// sent and what is to be shown of it.
type editing struct {
	values      url.Values
	device      dut.Device // as far as it could be read
	problems    dut.Problems
	notice      string // for the form as a whole
	stored      *store.Revised[dut.Device]
	table       *dut.PinTable
	assumptions []dut.Assumption
	conflict    *web.Conflict
}

func (s *Server) deviceEditPage(w http.ResponseWriter, r *http.Request) error {
	d, err := s.Store.GetDevice(r.Context(), chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	e := editing{values: form.DeviceValues(&d.Body), stored: d}
	e.values.Set("rev", strconv.Itoa(d.Rev))
	e.look()
	return s.showEditor(w, r, http.StatusOK, &e)
}

// look parses the form again and gathers its problems.
func (e *editing) look() { e.device, e.problems = form.CheckDevice(e.values) }

func (s *Server) deviceEditForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	d, err := s.Store.GetDevice(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	e := editing{values: r.PostForm, stored: d}
	e.values.Set("key", d.Body.Key)
	e.look()
	if r.PostForm.Get("do") == "merge" {
		if err := s.mergeDevice(ctx, &e); err != nil {
			return err
		}
	}
	if r.PostForm.Get("do") != "save" {
		status := e.act(r.PostForm.Get("do"))
		return s.showEditor(w, r, status, &e)
	}
	if len(e.problems) > 0 {
		return s.showEditor(w, r, http.StatusUnprocessableEntity, &e)
	}
	rev, _ := strconv.Atoi(r.PostForm.Get("rev"))
	if rev == d.Rev && !d.Removed && len(deviceChanges(&d.Body, &e.device)) == 0 {
		return seeOther(w, r, "/devices/"+d.Body.Key) // nothing was edited
	}
	_, err = s.Lab.EditDevice(ctx, personOf(ctx), e.device, rev, r.PostForm.Get("revive") != "")
	if problem.CodeOf(err) == problem.Conflict || problem.CodeOf(err) == problem.NotFound {
		return s.deviceConflict(w, r, &e, rev)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/devices/"+d.Body.Key)
}

// deviceConflict shows the edit conflict after somebody else has saved. The
// form keeps what was typed and now starts from their revision, so that it can
// be saved on top.
func (s *Server) deviceConflict(w http.ResponseWriter, r *http.Request, e *editing, from int) error {
	latest, err := s.Store.GetDevice(r.Context(), e.stored.Body.Key, 0)
	if err != nil {
		return err
	}
	e.stored = latest
	e.conflict = &web.Conflict{By: latest.By, At: latest.At, Rev: latest.Rev, Deleted: latest.Removed, Form: "device",
		Mine: deviceChanges(&latest.Body, &e.device)}
	if before, err := s.Store.GetDevice(r.Context(), latest.Body.Key, from); err == nil && from > 0 {
		e.conflict.Theirs = deviceChanges(&before.Body, &latest.Body)
		e.values.Set("from", strconv.Itoa(from))
	}
	if latest.Removed {
		e.values.Set("revive", "1")
		e.conflict.By, e.conflict.At = s.deletedBy(r.Context(), latest.Body.Key, latest.By, latest.At)
	}
	e.values.Set("rev", strconv.Itoa(latest.Rev))
	return s.showEditor(w, r, http.StatusConflict, e)
}

// deviceChanges lists the differences between two revisions of a device. The
// order in which a document lists its pins is no difference.
func deviceChanges(a, b *dut.Device) []dut.Change {
	x, y := a.SortPins(), b.SortPins()
	return dut.Diff(&x, &y)
}

// mergeDevice is the three-way merge of a device: it takes over what somebody
// else changed where the form still is as it was opened.
func (s *Server) mergeDevice(ctx context.Context, e *editing) error {
	from, _ := strconv.Atoi(e.values.Get("from"))
	base, err := s.Store.GetDevice(ctx, e.stored.Body.Key, max(from, 1))
	if err != nil {
		return err
	}
	form.TidyDevice(e.values)
	edits := form.Edits{Was: form.DeviceValues(&base.Body), Theirs: form.DeviceValues(&e.stored.Body), Mine: e.values}
	edits.Device()
	e.values.Set("rev", strconv.Itoa(e.stored.Rev))
	e.values.Del("from")
	e.look()
	return nil
}

// act carries out the action of a button on the form alone; nothing is saved.
func (e *editing) act(do string) int {
	what, arg, _ := strings.Cut(do, ":")
	var to dut.Device
	var err error
	switch what {
	case "up":
		e.stepUp(arg)
		e.look()
		return http.StatusOK
	case "package":
		to, err = e.readable(func(d dut.Device) (dut.Device, error) { return d.SetPackage(d.Package) })
	case "reverse":
		to, err = e.readable(func(d dut.Device) (dut.Device, error) { return d.Renumber(d.Reversed()) })
	case "sort":
		to, err = e.readable(func(d dut.Device) (dut.Device, error) { return d.SortPins(), nil })
	case "shift":
		by, bad := strconv.Atoi(strings.TrimSpace(e.values.Get("by")))
		if bad != nil || by < -dut.MaxPins || by > dut.MaxPins {
			e.notice = "Shift by a whole number of places, such as 1 or -3."
			return http.StatusUnprocessableEntity
		}
		to, err = e.readable(func(d dut.Device) (dut.Device, error) { return d.Renumber(d.Shifted(by)) })
	default:
		return http.StatusOK
	}
	if err != nil {
		e.notice = sentence(err.Error())
		return http.StatusUnprocessableEntity
	}
	e.replace(&to)
	return http.StatusOK
}

// readable applies a change to the device that the form describes, if every
// field can be parsed: a field that cannot would be lost.
func (e *editing) readable(change func(dut.Device) (dut.Device, error)) (dut.Device, error) {
	d, ps := form.ReadDevice(e.values)
	if len(ps) > 0 {
		e.problems = ps
		return d, fmt.Errorf("mend what cannot be read first; nothing was changed")
	}
	return change(d)
}

// replace puts another device into the form and keeps the fields that are no
// part of a device.
func (e *editing) replace(d *dut.Device) {
	values := form.DeviceValues(d)
	for _, kept := range []string{"rev", "by", "paste", "revive"} {
		if v, ok := e.values[kept]; ok {
			values[kept] = v
		}
	}
	e.values = values
	e.look()
}

// stepUp moves a power step before the one above it.
func (e *editing) stepUp(arg string) {
	i, err := strconv.Atoi(arg)
	if err == nil {
		form.StepColumns.Up(e.values, i)
	}
}

// showEditor renders the form as it stands.
func (s *Server) showEditor(w http.ResponseWriter, r *http.Request, status int, e *editing) error {
	ctx := r.Context()
	p := web.DeviceEditProps{
		Page: s.frame(ctx, "Describe a device", "/devices"), Form: e.form(), Families: dut.LogicFamilies(),
		Drawing: preview(&e.device), Models: modelOptions(s.bench(ctx).Rehearse), Table: e.table, Assumptions: e.assumed(),
		Conflict: e.conflict, CanDelete: personOf(ctx).Role >= store.Owner, Findings: e.findings(),
	}
	if e.stored != nil {
		p.Key, p.Rev, p.Removed = e.stored.Body.Key, e.stored.Rev, e.stored.Removed
		p.Latest = e.stored.Latest > 1
		p.Page.Title = "Edit " + e.stored.Body.Name
	}
	return show(ctx, w, status, web.DeviceEdit(p))
}

// form returns the typed values with the problems beside their fields.
func (e *editing) form() web.Form {
	f := web.Form{ID: "device", Values: e.values, Errors: map[string]string{"": e.notice}}
	for _, p := range e.problems {
		field := p.Field
		switch field {
		case "package.family":
			field = "family"
		case "package.pins", "package.columns":
			field = strings.TrimPrefix(field, "package.")
		}
		f.Errors[field] = joinText(f.Errors[field], p.Message)
	}
	return f
}

// findings lists the problems, or where there are none the warnings. A warning
// about an assumption is given with the assumption.
func (e *editing) findings() []web.Finding {
	var out []web.Finding
	for _, p := range e.problems {
		out = append(out, web.Finding{ID: e.elementOf(p.Field), Message: p.Message})
	}
	if len(out) > 0 || len(e.device.Pins) == 0 {
		return out
	}
	var notes []web.PinNote
	for _, p := range e.device.Warnings() {
		notes = append(notes, e.noteOn(p.Field, p.Message))
	}
	return web.GroupNotes(notes, web.Finding{Warning: true})
}

// assumed lists the assumptions of a proposal.
func (e *editing) assumed() []web.Finding {
	var notes []web.PinNote
	for _, a := range e.assumptions {
		notes = append(notes, e.noteOn(a.Field, a.Words))
	}
	return web.GroupNotes(notes, web.Finding{Assumed: true})
}

// noteOn returns a message together with the pin that its path leads to.
func (e *editing) noteOn(field, message string) web.PinNote {
	n := web.PinNote{ID: e.elementOf(field), Field: field, Message: sentence(message)}
	var i int
	if _, err := fmt.Sscanf(field, "pins[%d].", &i); err == nil && i < len(e.device.Pins) {
		n.Pin, n.Field = e.device.Pins[i], field[strings.LastIndexByte(field, '.')+1:]
	}
	return n
}

// elementOf returns the id of the form's element for a path of the document.
func (e *editing) elementOf(field string) string {
	switch field {
	case "package.family":
		return "device-family"
	case "pins", "power":
		return field
	}
	return web.CellID("device", strings.TrimPrefix(field, "package."))
}

// preview returns the drawing of a description that need not be complete.
func preview(d *dut.Device) web.Drawing {
	seen := dut.Device{Package: d.Package}
	seen.Package.Pins = min(max(d.Package.Pins, 0), dut.MaxPins)
	seen.Package.Columns = min(max(d.Package.Columns, 0), dut.MaxPins)
	known := map[int]bool{}
	for _, p := range d.Pins {
		if p.Number >= 1 && p.Number <= seen.Package.Pins && !known[p.Number] {
			known[p.Number] = true
			seen.Pins = append(seen.Pins, p)
		}
	}
	for n := 1; n <= seen.Package.Pins; n++ {
		if !known[n] {
			seen.Pins = append(seen.Pins, dut.Pin{Number: n, Function: dut.NoConnect})
		}
	}
	return web.Drawing{ID: "preview", Title: "The package seen from above", Package: seen.Package, Pins: web.Marks(&seen)}
}

func modelOptions(r lab.Rehearser) []web.Option {
	if r == nil {
		return nil
	}
	out := []web.Option{{Value: "", Label: "none"}}
	for _, m := range r.Models() {
		if m.Key != lab.NothingSeated {
			out = append(out, web.Option{Value: m.Key, Label: m.Title})
		}
	}
	return out
}
