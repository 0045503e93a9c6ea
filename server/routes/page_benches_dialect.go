package routes

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/talk"
	"ohmkeep/store"
	"ohmkeep/web"
)

// dialectEditing is one request of the editor of a connection's dialect.
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

// openDialect finds the connection that the request names.
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
	for _, b := range bench.Blanks() {
		e.values.Set(web.DialectField(b.Name), *b.Text(&c.Commands))
	}
	for name, value := range sampleValues(&e.stored.Body, c) {
		e.values.Set(name, value)
	}
	e.values.Set("rev", strconv.Itoa(e.stored.Rev))
	return s.showDialect(w, r, http.StatusOK, e)
}

func (s *Server) dialectForm(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	e, err := s.openDialect(r, r.PostForm.Get("connection"))
	if err != nil {
		return err
	}
	e.values = r.PostForm
	def := e.edited()
	e.check(&def)
	do, text, _ := strings.Cut(r.PostForm.Get("do"), ":")
	switch do {
	case "try":
		return s.tryText(w, r, e, &def, text)
	case "save":
		return s.saveDialect(w, r, e, def)
	}
	return s.showDialect(w, r, http.StatusOK, e)
}

// edited is the stored bench with the form's texts.
func (e *dialectEditing) edited() bench.Definition {
	def := e.stored.Body
	def.Connections = slices.Clone(def.Connections)
	own := bench.ProtocolCommands()
	c := &def.Connections[e.at].Commands
	for _, b := range bench.Blanks() {
		text := strings.TrimSpace(strings.ReplaceAll(e.values.Get(web.DialectField(b.Name)), "\r\n", "\n"))
		e.values.Set(web.DialectField(b.Name), text)
		if text == *b.Text(&own) {
			text = "" // what is the protocol's own stays so
		}
		*b.Text(c) = text
	}
	return def
}

// check gathers what is wrong with the texts.
func (e *dialectEditing) check(def *bench.Definition) {
	e.problems = nil
	at := fmt.Sprintf("connections[%d].commands.", e.at)
	for _, p := range def.Check() {
		if name, ours := strings.CutPrefix(p.Field, at); ours {
			p.Field = web.DialectField(name)
		} else {
			p = dut.Problem{Message: "the bench itself: " + p.Field + " " + p.Message}
		}
		e.problems = append(e.problems, p)
	}
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
	row := s.benchRow(e.stored)
	p := web.DialectProps{Page: s.frame(ctx, "Dialect of "+c.Name, "/bench"), Key: e.stored.Body.Key, Bench: e.stored.Body.Name, Connection: c.Name, Rev: e.stored.Rev,
		Form: web.FormFrom("dialect", e.values, e.problems), InUse: row.InUse, Conflict: e.conflict, Tried: e.tried, Said: e.said, Trouble: e.trouble,
		NoTry: s.whyNoTry(personOf(ctx), row.InUse, c.Name)}
	def := e.edited()
	filled := def.Connections[e.at].Commands.Filled()
	own := bench.ProtocolCommands()
	for _, b := range bench.Blanks() {
		t := web.DialectText{Name: b.Name, Title: b.Title, Own: *b.Text(&own), Places: b.Places, Optional: b.Optional, Message: b.Name != "fields"}
		if t.Message && *b.Text(&filled) != bench.None {
			t.Sends, _ = bench.Fill(*b.Text(&filled), samplesFor(b.Name, e.values)) // a place that there is not is told at the field
		}
		p.Texts = append(p.Texts, t)
	}
	return show(ctx, w, status, web.Dialect(p))
}

// whyNoTry says why nothing can be tried now; "" where it can.
func (s *Server) whyNoTry(who lab.Person, inUse bool, connection string) string {
	place := s.at()
	switch {
	case !inUse:
		return "A text can be tried once the bench is in use."
	case place.Cards == nil || !slices.ContainsFunc(place.Cards.Health(), func(h talk.Health) bool { return h.Connection == connection }):
		return "The bench in use has no connection of this name: use the bench again first."
	case place.Station.Snapshot().Run != "":
		return "A run is at work: a text can be tried when it has ended."
	}
	if err := s.at().HoldsControl(who); err != nil {
		return sentence(classify(err, s.Log).Detail)
	}
	return ""
}

// tryText sends a text as it stands in the form, with sample values in its
// places, and shows what came back.
func (s *Server) tryText(w http.ResponseWriter, r *http.Request, e *dialectEditing, def *bench.Definition, name string) error {
	i := slices.IndexFunc(bench.Blanks(), func(b bench.Blank) bool { return b.Name == name && name != "fields" })
	if i < 0 {
		return problem.Field("do", "there is no such text to try")
	}
	e.tried = name
	filled := def.Connections[e.at].Commands.Filled()
	text := *bench.Blanks()[i].Text(&filled)
	samples := samplesFor(name, e.values)
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
	p := classify(err, s.Log)
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
		row := s.saidRow(&said)
		e.said = append(e.said, row)
		if row.Err != "" || len(row.Exchange.Errors) > 0 {
			return nil
		}
	}
	return nil
}

// sampleValues are what a connection's texts are tried with: its first channel
// and path, nothing forced, the smallest ranges.
func sampleValues(def *bench.Definition, c *bench.Connection) map[string]string {
	v := map[string]string{"sampleLevel": "0", "sampleCycles": "1", "sampleAperture": plainNumber(1 / max(def.LineHz, 1)),
		"sampleChannel": "1", "samplePaths": "(@1!1)", "sampleRangeV": "1", "sampleRangeI": "0.001", "sampleLimitV": "1", "sampleLimitI": "0.001"}
	var numbers []string
	for i := range def.Channels {
		ch := &def.Channels[i]
		if !slices.Contains(c.Cards, ch.Card) {
			continue
		}
		if len(numbers) == 0 {
			v["sampleChannel"] = strconv.Itoa(ch.NumberOf())
			for name, list := range map[string][]bench.Range{"sampleRangeV": ch.ForceV, "sampleRangeI": ch.ForceI, "sampleLimitV": ch.SenseV, "sampleLimitI": ch.SenseI} {
				if len(list) > 0 {
					v[name] = plainNumber(list[0].FullScale)
				}
			}
		}
		numbers = append(numbers, strconv.Itoa(ch.NumberOf()))
	}
	v["sampleChannels"] = "(@" + strings.Join(numbers, ",") + ")"
	for i := range def.Paths {
		if slices.Contains(c.Cards, def.CardOf(&def.Paths[i])) {
			v["samplePaths"] = "(@" + def.Paths[i].Address + ")"
			break
		}
	}
	return v
}

func plainNumber(v float64) string { return strconv.FormatFloat(v, 'G', -1, 64) }

// samplesFor are the values for the places of one text.
func samplesFor(name string, v url.Values) map[string]string {
	get := func(n string) string { return strings.TrimSpace(v.Get("sample" + n)) }
	out := map[string]string{"channel": get("Channel"), "channels": get("Channels"), "level": get("Level"), "paths": get("Paths"),
		"aperture": get("Aperture"), "cycles": get("Cycles"),
		"range": get("RangeV"), "compliance": get("LimitI"), "senseRange": get("LimitI")}
	if name == "forceCurrent" || name == "levelCurrent" {
		out["range"], out["compliance"], out["senseRange"] = get("RangeI"), get("LimitV"), get("LimitV")
	}
	// A text can only have the places that are its own.
	for _, b := range bench.Blanks() {
		if b.Name != name {
			continue
		}
		for place := range out {
			if !slices.Contains(b.Places, place) {
				delete(out, place)
			}
		}
	}
	return out
}
