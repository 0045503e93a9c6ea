package routes

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) procedureEditPages() []route {
	return []route{
		{"GET", "/procedures", store.Viewer, page, s.proceduresPage},
		{"POST", "/procedures", store.Operator, page, s.procedureNew},
		{"POST", "/devices/{key}/draft", store.Operator, page, s.procedureDraft},
		{"GET", "/procedures/import", store.Operator, page, s.importPage},
		{"POST", "/procedures/import", store.Operator, page, s.importForm},
		{"GET", "/procedures/{key}.json", store.Viewer, page, s.procedureExport},

		{"GET", "/procedures/{key}/edit", store.Operator, page, s.procedureEditPage},
		{"POST", "/procedures/{key}/edit", store.Operator, page, s.procedureListForm},
		{"POST", "/procedures/{key}/about", store.Operator, page, s.procedureAboutForm},
		{"GET", "/procedures/{key}/add", store.Operator, page, s.measurementAddPage},
		{"POST", "/procedures/{key}/add", store.Operator, page, s.measurementAddForm},
		{"GET", "/procedures/{key}/edit/{id}", store.Operator, page, s.measurementPage},
		{"POST", "/procedures/{key}/edit/{id}", store.Operator, page, s.measurementForm},
		{"GET", "/procedures/{key}/revisions", store.Viewer, page, s.procedureRevisions},
		{"POST", "/procedures/{key}/undo", store.Operator, page, s.procedureUndo},
		{"POST", "/procedures/{key}/bring-back", store.Operator, page, s.procedureBringBack},
		{"POST", "/procedures/{key}/duplicate", store.Operator, page, s.procedureDuplicate},
		{"POST", "/procedures/{key}/delete", store.Owner, page, s.procedureDelete},

		{"GET", "/understand/pins", store.Viewer, page, s.understandPins},
		{"GET", "/understand/sweep", store.Viewer, page, s.understandSweep},
	}
}

// procedureEditing is the state of one request to the procedure editor.
type procedureEditing struct {
	stored   *store.Revised[procedure.Procedure]
	device   *store.Revised[dut.Device]
	ticked   map[string]bool
	group    string
	about    *web.Form // as it was sent; nil shows what is stored
	conflict *web.Conflict
}

// openProcedure loads the latest revision of the procedure that the address
// names, and its device.
func (s *Server) openProcedure(r *http.Request) (*procedureEditing, error) {
	p, err := s.Store.GetProcedure(r.Context(), chi.URLParam(r, "key"), 0)
	if err != nil {
		return nil, err
	}
	d, err := s.Store.GetDevice(r.Context(), p.Body.Device, 0)
	if err != nil {
		return nil, err
	}
	return &procedureEditing{stored: p, device: d}, nil
}

// reload loads the procedure anew after somebody else has saved.
func (e *procedureEditing) reload(ctx context.Context, s *Server) error {
	p, err := s.Store.GetProcedure(ctx, e.stored.Body.Key, 0)
	if err != nil {
		return err
	}
	e.stored = p
	return nil
}

func (s *Server) procedureEditPage(w http.ResponseWriter, r *http.Request) error {
	e, err := s.openProcedure(r)
	if err != nil {
		return err
	}
	return s.showProcedureEditor(w, r, http.StatusOK, e)
}

// mostForecast is the largest number of measurements of which the editor says
// what the decision rule costs: the forecast of many takes long.
const mostForecast = 40

func (s *Server) showProcedureEditor(w http.ResponseWriter, r *http.Request, status int, e *procedureEditing) error {
	ctx := r.Context()
	p := web.ProcedureEditProps{
		Page: s.frame(ctx, "Edit "+e.stored.Body.Name, "/devices"), Procedure: e.stored.Body, Rev: e.stored.Rev, Device: e.device.Body,
		Ticked: e.ticked, Group: e.group, Conflict: e.conflict, Removed: e.stored.Removed,
		CanDelete: personOf(ctx).Role >= store.Owner && !e.stored.Removed,
		About:     web.Form{ID: "about", Values: form.ProcedureValues(&e.stored.Body)},
		Reasons:   s.draftReasons(ctx, e),
	}
	if e.about != nil {
		p.About = *e.about
	}
	p.Corners = form.ConditionRows(p.About.Values)
	if len(e.stored.Body.Measurements) <= mostForecast {
		report, err := s.Lab.PrePower(ctx, s.bench(ctx), &e.device.Body, &e.stored.Body)
		if err != nil {
			return err
		}
		p.Report = &report
	}
	if e.device.Removed {
		p.Page.Notices = append(p.Page.Notices, web.Notice{Kind: "problem", Text: "The device " + e.device.Body.Name + " was deleted: nothing can be run until it is brought back."})
	}
	if err := e.stored.Body.Validate(&e.device.Body); err != nil {
		p.Problems = problemsOf(err, s)
	}
	return show(ctx, w, status, web.ProcedureEdit(p))
}

// isStale reports whether a save was refused because somebody else has saved.
func isStale(err error) bool {
	code := problem.CodeOf(err)
	return code == problem.Conflict || code == problem.NotFound
}

// conflicting describes an edit conflict: what was saved since revision from,
// and what saving mine on top of it would change.
func (s *Server) conflicting(ctx context.Context, e *procedureEditing, from int, mine *procedure.Procedure) error {
	if err := e.reload(ctx, s); err != nil {
		return err
	}
	now := e.stored
	e.conflict = &web.Conflict{By: now.By, At: now.At, Rev: now.Rev}
	if before, err := s.Store.GetProcedure(ctx, now.Body.Key, from); err == nil && from > 0 {
		e.conflict.Theirs = web.ProcedureChanges(&before.Body, &now.Body, &e.device.Body)
	}
	if mine != nil {
		e.conflict.Mine = web.ProcedureChanges(&now.Body, mine, &e.device.Body)
	}
	return nil
}

// postedRev returns the revision number that a form was made from.
func postedRev(f url.Values) int {
	rev, _ := strconv.Atoi(f.Get("rev"))
	return rev
}

// postedOld is the revision that a form asks to bring back; 0 where it names
// none.
func postedOld(f url.Values) int {
	old, err := strconv.Atoi(f.Get("old"))
	if err != nil {
		return 0
	}
	return old
}

// procedureListForm handles the buttons of the list of measurements. The form
// names measurements by their place in the revision that it was made from.
func (s *Server) procedureListForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	e, err := s.openProcedure(r)
	if err != nil {
		return err
	}
	from := postedRev(r.PostForm)
	base := e.stored
	if from != base.Rev {
		if base, err = s.Store.GetProcedure(ctx, e.stored.Body.Key, from); err != nil {
			return problem.New(problem.Conflict, "The page is of a revision that does not exist.")
		}
	}
	edit, err := readListEdit(r.PostForm, &base.Body)
	if err != nil {
		return err
	}
	e.ticked, e.group = edit.ticked(&base.Body), r.PostForm.Get("group")
	changed, err := edit.apply(base.Body)
	if err != nil {
		return problem.New(problem.Invalid, sentence(err.Error())+".")
	}
	if _, err = s.Lab.EditProcedure(ctx, personOf(ctx), changed, from); isStale(err) {
		if err := s.conflicting(ctx, e, from, nil); err != nil {
			return err
		}
		return s.showProcedureEditor(w, r, http.StatusConflict, e)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/procedures/"+changed.Key+"/edit"+edit.anchor(&changed))
}

// listEdit is one action on some measurements of the list.
type listEdit struct {
	do    string
	at    []int // places, ascending
	to    int   // of a move by dragging
	group string
	ids   []string
}

func readListEdit(f url.Values, p *procedure.Procedure) (*listEdit, error) {
	edit := &listEdit{do: f.Get("do"), group: f.Get("group")}
	places := f["m"]
	for _, single := range []string{"up", "down", "copy", "off", "remove", "move"} {
		if v, ok := f[single]; ok {
			edit.do, places = single, v[:1]
		}
	}
	edit.to, _ = strconv.Atoi(f.Get("to"))
	for _, text := range places {
		n, err := strconv.Atoi(text)
		if err != nil || n < 0 || n >= len(p.Measurements) {
			return nil, problem.New(problem.Invalid, "There is no measurement at that place.")
		}
		edit.at = append(edit.at, n)
	}
	slices.Sort(edit.at)
	edit.at = slices.Compact(edit.at)
	for _, n := range edit.at {
		edit.ids = append(edit.ids, p.Measurements[n].ID)
	}
	return edit, nil
}

func (x *listEdit) ticked(p *procedure.Procedure) map[string]bool {
	out := map[string]bool{}
	for _, id := range x.ids {
		out[id] = true
	}
	return out
}

// apply does the action to each of its measurements.
func (x *listEdit) apply(p procedure.Procedure) (procedure.Procedure, error) {
	if len(x.at) == 0 {
		return p, fmt.Errorf("tick the measurements first")
	}
	order := slices.Clone(x.at)
	step := func(p procedure.Procedure, i int) (procedure.Procedure, error) {
		return p, fmt.Errorf("nothing is done by %q", dut.Excerpt(x.do))
	}
	switch x.do {
	case "up":
		step = x.shift(-1, len(p.Measurements))
	case "down":
		slices.Reverse(order)
		step = x.shift(1, len(p.Measurements))
	case "copy":
		slices.Reverse(order)
		step = procedure.Procedure.Copy
	case "remove":
		slices.Reverse(order)
		step = procedure.Procedure.Remove
	case "off":
		step = func(p procedure.Procedure, i int) (procedure.Procedure, error) {
			return p.SetDisabled(i, !p.Measurements[i].Disabled)
		}
	case "out", "in":
		step = func(p procedure.Procedure, i int) (procedure.Procedure, error) {
			return p.SetDisabled(i, x.do == "out")
		}
	case "group":
		if len([]rune(x.group)) > maxGroup {
			return p, fmt.Errorf("a group heading has at most %d characters", maxGroup)
		}
		step = func(p procedure.Procedure, i int) (procedure.Procedure, error) { return p.SetGroup(i, x.group) }
	case "move":
		step = func(p procedure.Procedure, i int) (procedure.Procedure, error) {
			return p.Move(i, min(max(x.to, 0), len(p.Measurements)-1))
		}
	}
	var err error
	for _, i := range order {
		if p, err = step(p, i); err != nil {
			return p, err
		}
	}
	return p, nil
}

const maxGroup = 60

// shift moves one place up or down. What stands at the end already, or behind
// others that do and are moved as well, stays.
func (x *listEdit) shift(by, n int) func(procedure.Procedure, int) (procedure.Procedure, error) {
	stop := -1
	if by > 0 {
		stop = n
	}
	return func(p procedure.Procedure, i int) (procedure.Procedure, error) {
		if i+by == stop {
			stop = i
			return p, nil
		}
		return p.Move(i, i+by)
	}
}

// anchor returns the row that the page comes back to.
func (x *listEdit) anchor(p *procedure.Procedure) string {
	for i := range p.Measurements {
		if slices.Contains(x.ids, p.Measurements[i].ID) {
			return "#r" + strconv.Itoa(i)
		}
	}
	if len(x.at) > 0 && len(p.Measurements) > 0 {
		return "#r" + strconv.Itoa(min(x.at[0], len(p.Measurements)-1))
	}
	return ""
}
