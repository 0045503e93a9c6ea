package routes

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

// dialectEditing is the state of one request to the editor of a connection's
// dialect.
type dialectEditing struct {
	values   url.Values
	stored   *store.Revised[bench.Definition]
	at       int // of the connection in stored
	name     string
	problems dut.Problems
	conflict *web.Conflict
	tried    string // the text that was tried just now
	said     []web.SaidRow
	trouble  string // why it could not be
}

// openDialect loads the connection that the request names.
func (s *Server) openDialect(r *http.Request, name string) (*dialectEditing, error) {
	b, err := s.ownBench(r)
	if err != nil {
		return nil, err
	}
	e := &dialectEditing{stored: b, name: name, values: url.Values{}}
	return e, e.find()
}

func (e *dialectEditing) find() error {
	e.at = slices.IndexFunc(e.stored.Body.Connections, func(c bench.Connection) bool { return c.Name == e.name })
	if e.at < 0 {
		return problem.NoSuch("connection of this name on the bench any more")
	}
	return nil
}

func (s *Server) dialectPage(w http.ResponseWriter, r *http.Request) error {
	e, err := s.openDialect(r, r.URL.Query().Get("connection"))
	if err != nil {
		return err
	}
	c := &e.stored.Body.Connections[e.at]
	e.values = form.DialectValues(&e.stored.Body, c)
	e.values.Set("rev", strconv.Itoa(e.stored.Rev))
	return s.showDialect(w, r, http.StatusOK, e)
}

func (s *Server) dialectForm(w http.ResponseWriter, r *http.Request) error {
	e, err := s.openDialect(r, r.PostForm.Get("connection"))
	if err != nil {
		return err
	}
	e.values = r.PostForm
	def := e.edited()
	e.problems = form.DialectProblems(def.Check(), e.at)
	do, text, _ := strings.Cut(r.PostForm.Get("do"), ":")
	switch do {
	case "try":
		return s.tryText(w, r, e, &def, text)
	case "save":
		return s.saveDialect(w, r, e, def)
	}
	return s.showDialect(w, r, http.StatusOK, e)
}

// edited returns the stored bench with the texts of the form in place.
func (e *dialectEditing) edited() bench.Definition {
	return form.ReadDialect(e.values, &e.stored.Body, e.at)
}

func (s *Server) saveDialect(w http.ResponseWriter, r *http.Request, e *dialectEditing, def bench.Definition) error {
	ctx, rev := r.Context(), postedRev(e.values)
	if len(e.problems) > 0 {
		return s.showDialect(w, r, http.StatusUnprocessableEntity, e)
	}
	if rev == e.stored.Rev && !e.stored.Removed && len(bench.DiffDefinitions(&e.stored.Body, &def)) == 0 {
		return seeOther(w, r, "/benches/"+def.Key) // nothing was edited
	}
	_, err := s.Lab.SaveBench(ctx, personOf(ctx), def, rev)
	if err == nil {
		return seeOther(w, r, "/benches/"+def.Key)
	}
	if !isStale(err) {
		return err
	}
	if e.stored, err = s.Store.GetBench(ctx, def.Key, 0); err != nil {
		return err
	}
	if err := e.find(); err != nil {
		return err
	}
	def = e.edited()
	if e.conflict, err = s.conflictOver(ctx, e.stored, rev, &def); err != nil {
		return err
	}
	e.conflict.Form = "" // the texts of the form are all that it changes
	e.values.Set("rev", strconv.Itoa(e.stored.Rev))
	return s.showDialect(w, r, http.StatusConflict, e)
}

func (s *Server) showDialect(w http.ResponseWriter, r *http.Request, status int, e *dialectEditing) error {
	ctx := r.Context()
	c := &e.stored.Body.Connections[e.at]
	row := benchRow(s.bench(ctx), e.stored)
	p := web.DialectProps{Page: s.frame(ctx, "Dialect of "+c.Name, "/bench"), Key: e.stored.Body.Key, Bench: e.stored.Body.Name, Connection: c.Name, Rev: e.stored.Rev,
		Form: web.FormFrom("dialect", e.values, e.problems), InUse: row.InUse, Conflict: e.conflict, Tried: e.tried, Said: e.said, Trouble: e.trouble,
		NoTry: s.whyNoTry(s.bench(ctx), personOf(ctx), row.InUse, c.Name)}
	def := e.edited()
	filled := def.Connections[e.at].Commands.Filled()
	own := bench.ProtocolCommands()
	for _, b := range bench.Blanks() {
		t := web.DialectText{Name: b.Name, Field: form.DialectField(b.Name), Title: b.Title, Own: *b.Text(&own), Places: b.Places, Optional: b.Optional, Message: b.Name != "fields"}
		if t.Message && *b.Text(&filled) != bench.None {
			t.Sends, _ = bench.Fill(*b.Text(&filled), form.Samples(e.values, b.Name)) // a place that there is not is told at the field
		}
		p.Texts = append(p.Texts, t)
	}
	return show(ctx, w, status, web.Dialect(p))
}

// whyNoTry returns the reason why no text can be tried now; "" where one can.
func (s *Server) whyNoTry(b *lab.Bench, who lab.Person, inUse bool, connection string) string {
	switch {
	case !inUse:
		return "A text can be tried once the bench is in use."
	case b.Cards == nil || !slices.ContainsFunc(b.Cards.Health(), func(h cardinfo.Health) bool { return h.Connection == connection }):
		return "The bench in use has no connection of this name: use the bench again first."
	case b.Station.Snapshot().Run != "":
		return "A run is at work: a text can be tried when it has ended."
	case b.Station.Snapshot().Work != "":
		return sentence(b.Station.Snapshot().Work) + ": a text can be tried when it has ended."
	}
	if err := b.HoldsControl(who); err != nil {
		return sentence(classify(err, s.Log).Detail)
	}
	return ""
}

// tryText sends the form's text to the card, with sample values in its places,
// and shows what came back.
func (s *Server) tryText(w http.ResponseWriter, r *http.Request, e *dialectEditing, def *bench.Definition, name string) error {
	i := slices.IndexFunc(bench.Blanks(), func(b bench.Blank) bool { return b.Name == name && name != "fields" })
	if i < 0 {
		return problem.Field("do", "there is no such text to try")
	}
	e.tried = name
	filled := def.Connections[e.at].Commands.Filled()
	text := *bench.Blanks()[i].Text(&filled)
	samples := form.Samples(e.values, name)
	message, err := bench.Fill(text, samples)
	switch {
	case strings.ContainsAny(strings.Join(slices.Collect(maps.Values(samples)), ""), "\r\n"):
		err = problem.Field("do", "a value to try with must be one line of text")
	case text == bench.None:
		err = problem.Field(name, "there is no such command to try")
	case err != nil:
		err = problem.Field(name, strings.TrimPrefix(err.Error(), "bench: "))
	case s.bench(r.Context()).Definition.Key != def.Key:
		err = problem.New(problem.Conflict, "A text can be tried once the bench is in use.")
	default:
		err = s.tryLines(r, e, &def.Connections[e.at], message)
	}
	if err == nil {
		return s.showDialect(w, r, http.StatusOK, e)
	}
	p := s.classify(r.Context(), err)
	switch {
	case p.unconfirmed != nil:
		return s.askToConfirm(w, r, p, "Try “"+bench.Blanks()[i].Title+"”")
	case p.Status == http.StatusInternalServerError:
		return err
	}
	e.trouble = sentence(p.Detail)
	return s.showDialect(w, r, p.Status, e)
}

// tryLines sends a message for each line, until one goes wrong.
func (s *Server) tryLines(r *http.Request, e *dialectEditing, c *bench.Connection, message string) error {
	wait := time.Duration((c.Timeout + 0.1) * float64(time.Second))
	for line := range strings.SplitSeq(message, "\n") {
		q := lab.Message{Connection: c.Name, Text: line, Wait: min(max(wait, lab.MinWait), lab.MaxWait), Confirm: r.PostForm["confirm"]}
		said, err := s.Lab.Say(r.Context(), s.bench(r.Context()), personOf(r.Context()), q)
		if err != nil {
			return err
		}
		row := s.messageRow(&said)
		e.said = append(e.said, row)
		if row.Err != "" || len(row.Exchange.Errors) > 0 {
			return nil
		}
	}
	return nil
}
