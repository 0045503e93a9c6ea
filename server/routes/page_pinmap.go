package routes

import (
	"context"
	"net/http"
	"net/url"
	"strconv"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) pinMapPages() []route {
	return []route{
		{"GET", "/devices/{key}/pinmap", store.Viewer, page, s.pinMapPage},
		{"POST", "/devices/{key}/pinmap", store.Operator, page, s.pinMapForm},
		{"GET", "/devices/{key}/pinmap/revisions", store.Viewer, page, s.pinMapRevisions},
		{"POST", "/devices/{key}/pinmap/undo", store.Operator, page, s.pinMapUndo},
		{"POST", "/devices/{key}/pinmap/bring-back", store.Operator, page, s.pinMapBringBack},
		{"GET", "/devices/{key}/wiring", store.Viewer, page, s.wiringPage},
	}
}

// mapping is the state of one request to the pin map's editor.
type mapping struct {
	device   dut.Device
	values   url.Values
	pm       bench.PinMap // as far as it could be read
	problems dut.Problems
	says     []string
	stored   *store.Revised[bench.PinMap] // nil where there is none
	conflict *web.Conflict
	notice   string
}

// mappingOf makes that state from the stored pin map of a device.
func (s *Server) mappingOf(r *http.Request) (*mapping, error) {
	d, err := s.Store.GetDevice(r.Context(), chi.URLParam(r, "key"), 0)
	if err != nil {
		return nil, err
	}
	m := &mapping{device: d.Body}
	pm, err := s.Store.GetPinMap(r.Context(), d.Body.Key, s.bench(r.Context()).Definition.Key, 0)
	if problem.CodeOf(err) == problem.NotFound {
		return m, nil
	}
	if err != nil {
		return nil, err
	}
	m.stored = pm
	return m, nil
}

// usable returns the stored pin map unless it is deleted.
func (m *mapping) usable() bool { return m.stored != nil && !m.stored.Removed }

func (m *mapping) rev() int {
	if m.stored == nil {
		return 0
	}
	return m.stored.Rev
}

func (s *Server) pinMapPage(w http.ResponseWriter, r *http.Request) error {
	m, err := s.mappingOf(r)
	if err != nil {
		return err
	}
	if m.usable() {
		m.fill(&s.bench(r.Context()).Definition, &m.stored.Body)
	} else {
		m.propose(&s.bench(r.Context()).Definition)
	}
	m.values.Set("rev", strconv.Itoa(m.rev()))
	return s.showPinMap(w, r, http.StatusOK, m)
}

func (s *Server) pinMapForm(w http.ResponseWriter, r *http.Request) error {
	m, err := s.mappingOf(r)
	if err != nil {
		return err
	}
	ctx := r.Context()
	m.values = r.PostForm
	rev, _ := strconv.Atoi(m.values.Get("rev"))
	switch m.values.Get("do") {
	case "propose":
		m.propose(&s.bench(r.Context()).Definition)
		return s.showPinMap(w, r, http.StatusOK, m)
	case "save":
	case "merge":
		if err := s.mergePinMap(ctx, m); err != nil {
			return err
		}
		return s.showPinMap(w, r, http.StatusOK, m)
	default:
		m.read(&s.bench(r.Context()).Definition)
		return s.showPinMap(w, r, http.StatusOK, m)
	}
	if m.read(&s.bench(r.Context()).Definition); len(m.problems) > 0 {
		return s.showPinMap(w, r, http.StatusUnprocessableEntity, m)
	}
	if _, err = s.Lab.SavePinMap(ctx, personOf(ctx), &s.bench(ctx).Definition, m.pm, rev); problem.CodeOf(err) == problem.Conflict {
		return s.pinMapConflict(w, r, m, rev)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/devices/"+m.device.Key+"/pinmap")
}

// pinMapConflict shows the edit conflict after somebody else has saved; see
// deviceConflict.
func (s *Server) pinMapConflict(w http.ResponseWriter, r *http.Request, m *mapping, from int) error {
	latest, err := s.Store.GetPinMap(r.Context(), m.device.Key, s.bench(r.Context()).Definition.Key, 0)
	if err != nil {
		return err
	}
	m.stored = latest
	m.conflict = &web.Conflict{By: latest.By, At: latest.At, Rev: latest.Rev, Deleted: latest.Removed, Form: "map",
		Mine: bench.Diff(&s.bench(r.Context()).Definition, &m.device, &latest.Body, &m.pm)}
	before := &bench.PinMap{}
	if from > 0 {
		if old, err := s.Store.GetPinMap(r.Context(), m.device.Key, s.bench(r.Context()).Definition.Key, from); err == nil {
			before = &old.Body
			m.values.Set("from", strconv.Itoa(from))
		}
	}
	m.conflict.Theirs = bench.Diff(&s.bench(r.Context()).Definition, &m.device, before, &latest.Body)
	m.values.Set("rev", strconv.Itoa(latest.Rev))
	return s.showPinMap(w, r, http.StatusConflict, m)
}

// mergePinMap is the three-way merge of a pin map; see mergeDevice.
func (s *Server) mergePinMap(ctx context.Context, m *mapping) error {
	from, _ := strconv.Atoi(m.values.Get("from"))
	base, err := s.Store.GetPinMap(ctx, m.device.Key, s.bench(ctx).Definition.Key, max(from, 1))
	if err != nil {
		return err
	}
	was, theirs := mapping{device: m.device}, mapping{device: m.device}
	was.fill(&s.bench(ctx).Definition, &base.Body)
	theirs.fill(&s.bench(ctx).Definition, &m.stored.Body)
	m.read(&s.bench(ctx).Definition)
	form.Edits{Was: was.values, Theirs: theirs.values, Mine: m.values}.PinMap()
	m.values.Set("rev", strconv.Itoa(m.rev()))
	m.values.Del("from")
	m.read(&s.bench(ctx).Definition)
	return nil
}

func (s *Server) showPinMap(w http.ResponseWriter, r *http.Request, status int, m *mapping) error {
	ctx := r.Context()
	p := web.PinMapProps{
		Page: s.frame(ctx, "Pin map of "+m.device.Name, "/devices"), Device: m.device, Bench: &s.bench(r.Context()).Definition,
		Form: m.form(), Says: m.says, Conflict: m.conflict, CanEdit: personOf(ctx).Role >= store.Operator,
		Socket: socketOf(&s.bench(ctx).Definition, &m.device, &m.pm, m.problems),
	}
	if m.usable() || m.conflict != nil {
		p.Rev = m.rev()
	}
	for _, pin := range m.device.SortPins().Pins {
		p.Pins = append(p.Pins, web.MappedPin{Pin: pin, Reached: bench.Reach(&s.bench(r.Context()).Definition, &m.pm, pin.Number)})
	}
	p.Findings = mapFindings(&s.bench(ctx).Definition, m)
	return show(ctx, w, status, web.PinMap(p))
}

func (m *mapping) form() web.Form {
	f := web.Form{ID: "map", Values: m.values, Errors: map[string]string{"": m.notice}}
	for _, p := range m.problems {
		f.Errors[p.Field] = joinText(f.Errors[p.Field], p.Message)
	}
	return f
}

// mapFindings lists the problems that keep the pin map from being saved, or
// else the warnings.
func mapFindings(def *bench.Definition, m *mapping) []web.Finding {
	var out []web.Finding
	for _, p := range m.problems {
		out = append(out, web.Finding{ID: web.CellID("map", p.Field), Message: p.Message})
	}
	if len(out) > 0 {
		return out
	}
	return conflictsOf(def, &m.pm, &m.device, "map")
}

func conflictsOf(def *bench.Definition, pm *bench.PinMap, d *dut.Device, formID string) []web.Finding {
	var out []web.Finding
	for _, p := range bench.Conflicts(def, pm, d) {
		x := web.Finding{Message: sentence(p.Message), Warning: true}
		if formID != "" {
			x.ID = web.CellID(formID, p.Field)
		}
		out = append(out, x)
	}
	return out
}

// socketOf returns the drawing of a pin map.
func socketOf(def *bench.Definition, d *dut.Device, pm *bench.PinMap, wrong dut.Problems) web.Socket {
	out := web.Socket{ID: "socket", Title: "Socket of " + def.Name + " seen from above", Contacts: def.Contacts,
		Package: d.Package, Pins: d.SortPins().Pins, Map: *pm, Bench: def, Wrong: map[int]bool{}}
	for _, p := range wrong {
		if pin, ok := form.ContactPin(p); ok {
			out.Wrong[pin] = true
		}
	}
	return out
}

func (s *Server) pinMapRevisions(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	m, err := s.mappingOf(r)
	if err != nil {
		return err
	}
	key := m.device.Key
	list, err := s.Store.PinMapRevisions(ctx, key, s.bench(r.Context()).Definition.Key)
	if err != nil {
		return err
	}
	back := "/devices/" + key + "/pinmap"
	p := web.RevisionsProps{Page: s.frame(ctx, "Revisions of the pin map", "/devices"), Of: m.device.Name, What: "Pin map on " + s.bench(r.Context()).Definition.Name,
		Back: back, BringBack: back + "/bring-back", Latest: m.rev(), CanEdit: personOf(ctx).Role >= store.Operator}
	p.Rows, p.More, err = revisionRows(list, func(rev int) (*bench.PinMap, error) { return s.pinMapAt(ctx, key, rev) },
		func(a, b *bench.PinMap) []dut.Change {
			return bench.Diff(&s.bench(r.Context()).Definition, &m.device, a, b)
		})
	if err != nil {
		return err
	}
	return show(ctx, w, http.StatusOK, web.Revisions(p))
}

func (s *Server) pinMapAt(ctx context.Context, key string, rev int) (*bench.PinMap, error) {
	x, err := s.Store.GetPinMap(ctx, key, s.bench(ctx).Definition.Key, rev)
	if err != nil {
		return nil, err
	}
	return &x.Body, nil
}

func (s *Server) pinMapUndo(w http.ResponseWriter, r *http.Request) error {
	return s.restorePinMap(w, r, func(f url.Values) int { return postedRev(f) - 1 })
}

func (s *Server) pinMapBringBack(w http.ResponseWriter, r *http.Request) error {
	return s.restorePinMap(w, r, postedOld)
}

// restorePinMap makes the revision that which names the latest.
func (s *Server) restorePinMap(w http.ResponseWriter, r *http.Request, which func(url.Values) int) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	err := s.Lab.BringBackPinMap(ctx, personOf(ctx), key, s.bench(ctx).Definition.Key, which(r.PostForm), postedRev(r.PostForm))
	if err != nil {
		return err
	}
	return seeOther(w, r, "/devices/"+key+"/pinmap")
}

// wiringPage is the printed sheet for whoever plugs the wires.
func (s *Server) wiringPage(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	m, err := s.mappingOf(r)
	if err != nil {
		return err
	}
	if !m.usable() {
		return problem.New(problem.Conflict, m.device.Name+" has no pin map on "+s.bench(r.Context()).Definition.Name+" yet: save one first.")
	}
	d, err := s.Store.GetDevice(ctx, m.device.Key, 0)
	if err != nil {
		return err
	}
	pm := &m.stored.Body
	p := web.WiringProps{
		Page: s.frame(ctx, "Wiring of "+m.device.Name, "/devices"), Device: m.device, Rev: d.Rev, MapRev: m.stored.Rev,
		Bench: &s.bench(r.Context()).Definition, Rows: bench.WiringSheet(&s.bench(r.Context()).Definition, pm, &m.device), Socket: socketOf(&s.bench(r.Context()).Definition, &m.device, pm, nil),
		Part:     web.Drawing{ID: "part", Title: m.device.Name + " seen from above", Package: m.device.Package, Pins: web.Marks(&m.device)},
		Findings: conflictsOf(&s.bench(r.Context()).Definition, pm, &m.device, ""), Loose: web.LooseStraps(pm, &s.bench(r.Context()).Definition),
	}
	return show(ctx, w, http.StatusOK, web.Wiring(p))
}
