package routes

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// measurementEditing is the state of one request to a measurement's form.
type measurementEditing struct {
	*procedureEditing
	kind   procedure.Kind
	id     string // "" for a new one
	rev    int    // that a save starts from
	form   web.Form
	rows   int
	status int
}

const spareRows = 2 // rows for conditions that the form has to spare

// openMeasurement loads the measurement that the address names.
func (s *Server) openMeasurement(r *http.Request) (*measurementEditing, *procedure.Measurement, error) {
	e, err := s.openProcedure(r)
	if err != nil {
		return nil, nil, err
	}
	id, err := url.PathUnescape(chi.URLParam(r, "id"))
	i := slices.IndexFunc(e.stored.Body.Measurements, func(m procedure.Measurement) bool { return m.ID == id })
	if err != nil || i < 0 {
		return nil, nil, problem.NoSuch("measurement " + strconv.Quote(dut.Excerpt(id)) + " in this procedure; it may have been removed")
	}
	m := &e.stored.Body.Measurements[i]
	k, ok := procedure.KindByKey(m.Kind)
	if !ok {
		return nil, nil, problem.New(problem.Invalid, "The measurement is of a kind that this version does not know.")
	}
	return &measurementEditing{procedureEditing: e, kind: k, id: id, rev: e.stored.Rev, status: http.StatusOK}, m, nil
}

// newMeasurement makes a measurement of the kind that is asked for, with the times
// that the bench in use needs.
func (s *Server) newMeasurement(r *http.Request, kind string) (*measurementEditing, *procedure.Measurement, error) {
	e, err := s.openProcedure(r)
	if err != nil {
		return nil, nil, err
	}
	k, ok := procedure.KindByKey(kind)
	if !ok {
		return nil, nil, problem.NoSuch("kind of measurement " + strconv.Quote(dut.Excerpt(kind)))
	}
	m := k.Default(&e.device.Body)
	if err := s.Lab.TakeTimes(r.Context(), s.bench(r.Context()), &e.device.Body, &m, procedure.LeftOut{Settle: true, Aperture: true}); err != nil {
		return nil, nil, err
	}
	return &measurementEditing{procedureEditing: e, kind: k, rev: e.stored.Rev, status: http.StatusOK}, &m, nil
}

func (s *Server) measurementPage(w http.ResponseWriter, r *http.Request) error {
	e, m, err := s.openMeasurement(r)
	if err != nil {
		return err
	}
	problems := e.kind.Validate(m, &e.device.Body)
	for i := range problems {
		problems[i].Field = form.MeasurementField(problems[i].Field)
	}
	e.form = web.FormFrom("m", form.MeasurementValues(m, e.kind), problems)
	return s.showMeasurement(w, r, e)
}

func (s *Server) measurementAddPage(w http.ResponseWriter, r *http.Request) error {
	e, m, err := s.newMeasurement(r, r.URL.Query().Get("kind"))
	if err != nil {
		return err
	}
	e.form = web.Form{ID: "m", Values: form.MeasurementValues(m, e.kind)}
	return s.showMeasurement(w, r, e)
}

func (s *Server) measurementForm(w http.ResponseWriter, r *http.Request) error {
	e, base, err := s.openMeasurement(r)
	if err != nil {
		return s.lostMeasurement(w, r, err)
	}
	return s.saveMeasurement(w, r, e, *base)
}

func (s *Server) measurementAddForm(w http.ResponseWriter, r *http.Request) error {
	e, base, err := s.newMeasurement(r, r.PostForm.Get("kind"))
	if err != nil {
		return err
	}
	return s.saveMeasurement(w, r, e, *base)
}

// lostMeasurement shows the form of a measurement that somebody else has
// removed meanwhile: what was typed can be saved as a new one.
func (s *Server) lostMeasurement(w http.ResponseWriter, r *http.Request, cause error) error {
	e, err := s.openProcedure(r)
	if err != nil {
		return cause
	}
	id, _ := url.PathUnescape(chi.URLParam(r, "id"))
	from := postedRev(r.PostForm)
	before, err := s.Store.GetProcedure(r.Context(), e.stored.Body.Key, from)
	if err != nil || from == 0 {
		return cause
	}
	i := slices.IndexFunc(before.Body.Measurements, func(m procedure.Measurement) bool { return m.ID == id })
	if i < 0 {
		return cause
	}
	k, ok := procedure.KindByKey(before.Body.Measurements[i].Kind)
	if !ok {
		return cause
	}
	x := &measurementEditing{procedureEditing: e, kind: k, rev: e.stored.Rev, status: http.StatusConflict}
	if err := s.conflicting(r.Context(), e, from, nil); err != nil {
		return err
	}
	x.form = web.Form{ID: "m", Values: r.PostForm}
	return s.showMeasurement(w, r, x)
}

// saveMeasurement parses the form and stores it, or shows it again with its
// problems.
func (s *Server) saveMeasurement(w http.ResponseWriter, r *http.Request, e *measurementEditing, base procedure.Measurement) error {
	ctx, f := r.Context(), r.PostForm
	m, ps := form.CheckMeasurement(f, base, e.kind, &e.device.Body)
	e.rev = postedRev(f)
	if f.Get("do") == "rows" {
		e.form, e.rows = web.Form{ID: "m", Values: f}, form.HoldRows(f)+2*spareRows
		return s.showMeasurement(w, r, e)
	}
	if len(ps) > 0 {
		e.form, e.status = web.FormFrom("m", f, ps), http.StatusUnprocessableEntity
		return s.showMeasurement(w, r, e)
	}
	if err := s.Lab.TakeTimes(ctx, s.bench(ctx), &e.device.Body, &m, form.TimesLeftOut(f)); err != nil {
		return err
	}
	changed, id, err := e.with(m)
	if err != nil {
		return problem.New(problem.Invalid, sentence(err.Error())+".")
	}
	if _, err = s.Lab.EditProcedure(ctx, personOf(ctx), changed, e.rev); isStale(err) {
		if err := s.conflicting(ctx, e.procedureEditing, e.rev, &changed); err != nil {
			return err
		}
		e.form, e.rev, e.status = web.Form{ID: "m", Values: f}, e.stored.Rev, http.StatusConflict
		return s.showMeasurement(w, r, e)
	}
	if err != nil {
		return err
	}
	place := slices.IndexFunc(changed.Measurements, func(m procedure.Measurement) bool { return m.ID == id })
	return seeOther(w, r, "/procedures/"+changed.Key+"/edit#r"+strconv.Itoa(place))
}

// with returns the procedure with the measurement in its place, or at the end.
func (e *measurementEditing) with(m procedure.Measurement) (procedure.Procedure, string, error) {
	p := e.stored.Body.Clone()
	if e.id == "" {
		p, err := p.Add(e.kind.Key(), &e.device.Body)
		if err != nil {
			return p, "", err
		}
		last := &p.Measurements[len(p.Measurements)-1]
		m.ID = last.ID
		*last = m
		return p, m.ID, nil
	}
	i := slices.IndexFunc(p.Measurements, func(x procedure.Measurement) bool { return x.ID == e.id })
	p.Measurements[i] = m
	return p, m.ID, nil
}

func (s *Server) showMeasurement(w http.ResponseWriter, r *http.Request, e *measurementEditing) error {
	ctx := r.Context()
	f := e.form.Values
	p := web.MeasurementProps{
		Page:      s.frame(ctx, e.kind.Title()+" in "+e.stored.Body.Name, "/devices"),
		Procedure: e.stored.Body, Device: e.device.Body, Rev: e.rev, ID: e.id, Kind: e.kind, Form: e.form,
		Rows: max(e.rows, min(form.HoldRows(f)+spareRows, form.MaxHolds)), Conflict: e.conflict, CanEdit: true,
		Groups: groupsOf(&e.stored.Body), Reasons: s.draftReasons(ctx, e.procedureEditing)[e.id],
	}
	p.Action = "/procedures/" + e.stored.Body.Key + "/add"
	if e.id != "" {
		p.Action = "/procedures/" + e.stored.Body.Key + "/edit/" + url.PathEscape(e.id)
		p.Number = 1 + slices.IndexFunc(e.stored.Body.Measurements, func(m procedure.Measurement) bool { return m.ID == e.id })
	}
	p.Pins, _ = form.ParsePins(f.Get("pins"), &e.device.Body)
	p.Sweep = form.TypedSweep(f, "sweep.", form.SweepUnit(e.kind, f))
	p.StepSweep = form.TypedSweep(f, "step.sweep.", procedure.Use(f.Get("step.use")).ForcedUnit())
	return show(ctx, w, e.status, web.Measurement(p))
}

func groupsOf(p *procedure.Procedure) []string {
	var out []string
	for _, m := range p.Measurements {
		if m.Group != "" && !slices.Contains(out, m.Group) {
			out = append(out, m.Group)
		}
	}
	return out
}

// understandPins is the JSON answer that says which pins a text names. The
// query's toggle adds a pin or takes it out; text is then the field's new
// content.
func (s *Server) understandPins(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	d, err := s.Store.GetDevice(r.Context(), q.Get("device"), 0)
	if err != nil {
		return err
	}
	answer := struct {
		Text  string `json:"text"`
		Said  string `json:"said,omitempty"`
		Pins  []int  `json:"pins"`
		Error string `json:"error,omitempty"`
	}{Text: q.Get("text"), Pins: []int{}}
	pins, err := form.ParsePins(q.Get("text"), &d.Body)
	if err != nil {
		answer.Error = err.Error()
		return reply(w, http.StatusOK, answer)
	}
	if n, err := strconv.Atoi(q.Get("toggle")); err == nil {
		if i := slices.Index(pins, n); i >= 0 {
			pins = slices.Delete(pins, i, i+1)
		} else if _, ok := d.Body.Pin(n); ok {
			pins = append(pins, n)
		}
		answer.Text = form.PinsText(pins)
	}
	answer.Pins = append(answer.Pins, pins...)
	answer.Said = web.PinNames(pins, &d.Body)
	return reply(w, http.StatusOK, answer)
}

// understandSweep is the drawing of a sweep's levels while it is typed.
func (s *Server) understandSweep(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	unit := quantity.Unit(q.Get("unit"))
	if unit != quantity.Ampere {
		unit = quantity.Volt
	}
	f := url.Values{}
	for _, name := range []string{"spacing", "from", "to", "points", "list", "back"} {
		if q.Has(name) {
			f.Set("sweep."+name, q.Get(name))
		}
	}
	return show(r.Context(), w, http.StatusOK, web.SweepPreview(form.TypedSweep(f, "sweep.", unit), unit))
}
