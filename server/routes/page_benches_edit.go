package routes

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

// benchEditing is the state of one request to the bench editor: the form as it
// was sent and what is to be shown of it.
type benchEditing struct {
	values   url.Values
	read     *form.Bench
	problems dut.Problems
	stored   *store.Revised[bench.Definition]
	conflict *web.Conflict
	made     int // paths by a rule just now
}

func (s *Server) benchEditPage(w http.ResponseWriter, r *http.Request) error {
	b, err := s.ownBench(r)
	if err != nil {
		return err
	}
	e := benchEditing{values: form.BenchValues(&b.Body), stored: b}
	for name, value := range map[string]string{"rev": strconv.Itoa(b.Rev), "ruleFrom": "1", "ruleTo": strconv.Itoa(b.Body.Contacts), "ruleSense": "1"} {
		e.values.Set(name, value)
	}
	e.look()
	return s.showBenchEditor(w, r, http.StatusOK, &e)
}

// ownBench loads the latest revision of a bench that people may edit.
func (s *Server) ownBench(r *http.Request) (*store.Revised[bench.Definition], error) {
	key := chi.URLParam(r, "key")
	if key == lab.RehearsalKey {
		return nil, problem.New(problem.Conflict, "The rehearsal bench is part of the program and cannot be edited: copy it.")
	}
	return s.Store.GetBench(r.Context(), key, 0)
}

// look parses the form again and gathers its problems.
func (e *benchEditing) look() {
	e.read = form.CheckBench(e.values, &e.stored.Body)
	e.problems = e.read.Problems
}

func (s *Server) benchEditForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	b, err := s.ownBench(r)
	if err != nil {
		return err
	}
	e := benchEditing{values: r.PostForm, stored: b}
	e.values.Set("key", b.Body.Key)
	e.look()
	switch r.PostForm.Get("do") {
	case "merge":
		if err := s.mergeBench(ctx, &e); err != nil {
			return err
		}
	case "generate":
		return s.showBenchEditor(w, r, e.generate(), &e)
	case "save":
		return s.benchSave(w, r, &e)
	}
	return s.showBenchEditor(w, r, http.StatusOK, &e)
}

func (s *Server) benchSave(w http.ResponseWriter, r *http.Request, e *benchEditing) error {
	ctx, b := r.Context(), e.stored
	if !e.read.Sound() {
		return s.showBenchEditor(w, r, http.StatusUnprocessableEntity, e)
	}
	rev := postedRev(e.values)
	def := e.read.Def
	if rev == b.Rev && !b.Removed && len(bench.DiffDefinitions(&b.Body, &def)) == 0 {
		return seeOther(w, r, "/benches/"+b.Body.Key) // nothing was edited
	}
	_, err := s.Lab.EditBench(ctx, personOf(ctx), def, rev, e.values.Get("revive") != "")
	if isStale(err) {
		return s.benchConflict(w, r, e, rev)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/benches/"+b.Body.Key)
}

// benchConflict shows the edit conflict after somebody else has saved. The
// form keeps what was typed and now starts from their revision, so that it can
// be saved on top.
func (s *Server) benchConflict(w http.ResponseWriter, r *http.Request, e *benchEditing, from int) error {
	latest, err := s.Store.GetBench(r.Context(), e.stored.Body.Key, 0)
	if err != nil {
		return err
	}
	e.stored = latest
	e.look() // the dialects are theirs now
	e.conflict, err = s.conflictOver(r.Context(), latest, from, &e.read.Def)
	if err != nil {
		return err
	}
	if len(e.conflict.Theirs) > 0 {
		e.values.Set("from", strconv.Itoa(from))
	}
	if latest.Removed {
		e.values.Set("revive", "1")
	}
	e.values.Set("rev", strconv.Itoa(latest.Rev))
	return s.showBenchEditor(w, r, http.StatusConflict, e)
}

// conflictOver describes an edit conflict: what somebody else saved since
// revision from, and what saving mine on top changes in it.
func (s *Server) conflictOver(ctx context.Context, latest *store.Revised[bench.Definition], from int, mine *bench.Definition) (*web.Conflict, error) {
	c := &web.Conflict{By: latest.By, At: latest.At, Rev: latest.Rev, Deleted: latest.Removed, Form: "bench-form",
		Mine: bench.DiffDefinitions(&latest.Body, mine)}
	if latest.Removed {
		c.By, c.At = s.benchDeletedBy(ctx, latest.Body.Key, latest.By, latest.At)
	}
	if from < 1 {
		return c, nil
	}
	before, err := s.Store.GetBench(ctx, latest.Body.Key, from)
	if problem.CodeOf(err) == problem.NotFound {
		return c, nil
	}
	if err != nil {
		return nil, err
	}
	c.Theirs = bench.DiffDefinitions(&before.Body, &latest.Body)
	return c, nil
}

// benchDeletedBy returns who deleted a bench and when, as far as the log
// knows.
func (s *Server) benchDeletedBy(ctx context.Context, key, by string, at time.Time) (string, time.Time) {
	events, err := s.Store.Events(ctx, key, 0, 20)
	if err != nil {
		return by, at
	}
	for _, e := range events {
		if e.Action == lab.DeletedBench {
			return e.By, e.At
		}
	}
	return "Somebody", at
}

// mergeBench is the three-way merge of a bench: it takes over what somebody
// else changed where the form still is as it was opened.
func (s *Server) mergeBench(ctx context.Context, e *benchEditing) error {
	from, _ := strconv.Atoi(e.values.Get("from"))
	base, err := s.Store.GetBench(ctx, e.stored.Body.Key, max(from, 1))
	if err != nil {
		return err
	}
	edits := form.Edits{Was: form.BenchValues(&base.Body), Theirs: form.BenchValues(&e.stored.Body), Mine: e.values}
	edits.Bench()
	e.values.Set("rev", strconv.Itoa(e.stored.Rev))
	e.values.Del("from")
	e.look()
	return nil
}

func (s *Server) showBenchEditor(w http.ResponseWriter, r *http.Request, status int, e *benchEditing) error {
	ctx := r.Context()
	row := benchRow(s.bench(ctx), e.stored)
	p := web.BenchEditProps{
		Page: s.frame(ctx, "Edit "+e.stored.Body.Name, "/bench"), Key: e.stored.Body.Key, Rev: e.stored.Rev, Removed: e.stored.Removed,
		InUse: row.InUse, Form: e.form(), Def: e.read.Def, Conflict: e.conflict, Findings: e.findings(), Made: e.made,
		PathNotes: lineNotes(e.read.Paths.Notes), PathColumns: pathColumns(e.read.Paths.Columns), PathSplit: e.read.Paths.Split, Stored: e.stored.Body.Connections,
	}
	return show(ctx, w, status, web.BenchEdit(p))
}

// generate fills the form's table with the paths that its rule makes. Nothing
// is saved.
func (e *benchEditing) generate() int {
	rule, ps := form.ReadRule(e.values, &e.read.Def)
	if len(e.read.Paths.Notes) > 0 {
		ps.Add("ruleLines", "mend the table above first: what cannot be read would be lost")
	}
	if len(ps) > 0 {
		e.problems = append(e.problems, ps...)
		return http.StatusUnprocessableEntity
	}
	n := rule.Apply(&e.read.Def)
	e.values.Set("paths", form.PathsText(&e.read.Def))
	e.look()
	e.made = n
	return http.StatusOK
}

// lineNotes converts notes on the lines of a table into those of the page.
func lineNotes(list []form.LineNote) []web.LineNote {
	out := make([]web.LineNote, len(list))
	for i, n := range list {
		out[i] = web.LineNote(n)
	}
	return out
}

// pathColumns converts what was understood of a table's columns into the
// page's rows.
func pathColumns(list []form.PathColumn) []web.PathColumnRead {
	out := make([]web.PathColumnRead, len(list))
	for i, c := range list {
		out[i] = web.PathColumnRead(c)
	}
	return out
}

// form returns the typed values with the problems beside their fields.
func (e *benchEditing) form() web.Form {
	f := web.Form{ID: "bench", Values: e.values, Errors: map[string]string{}}
	for _, p := range e.problems {
		f.Errors[p.Field] = joinText(f.Errors[p.Field], p.Message)
	}
	return f
}

// findings lists the problems, or where there are none the warnings.
func (e *benchEditing) findings() []web.Finding {
	var out []web.Finding
	for _, p := range e.problems {
		out = append(out, web.Finding{ID: benchElement(p.Field), Message: p.Message})
	}
	for _, n := range e.read.Paths.Notes {
		out = append(out, web.Finding{ID: benchElement("paths"), Message: lineOfPaths(n.Line, n.Message)})
	}
	if len(out) > 0 {
		return out
	}
	var look dut.Problems
	for _, p := range e.read.Def.Warnings() {
		q, line := e.read.Lead(p)
		q.Message = lineOfPaths(line, q.Message)
		look = append(look, q)
	}
	for _, p := range form.Once(look) {
		out = append(out, web.Finding{ID: benchElement(p.Field), Message: sentence(p.Message), Warning: true})
	}
	return out
}

func lineOfPaths(line int, message string) string {
	if line == 0 {
		return message
	}
	return "line " + strconv.Itoa(line) + " of the paths: " + message
}

// benchElement returns the id of the form's element for a path of the
// document.
func benchElement(field string) string {
	switch field {
	case "connections", "channels", "ranges":
		return field
	}
	return web.CellID("bench", field)
}
