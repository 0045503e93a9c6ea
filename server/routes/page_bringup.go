package routes

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/server/cardinfo"
	"ohmkeep/server/lab"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) bringUpPages() []route {
	return []route{
		{"GET", "/bench/bring-up", store.Viewer, page, s.bringUpPage},
		{"GET", "/bench/bring-up/live", store.Viewer, control, s.bringUpLive},
		{"GET", "/bench/bring-up/log", store.Viewer, page, s.bringUpLog},
		{"GET", "/bench/bring-up/meaning", store.Viewer, page, s.bringUpMeaning},
		{"GET", "/bench/bring-up/code", store.Viewer, page, s.bringUpCode},
		{"POST", "/bench/bring-up/say", store.Operator, page, s.sayForm},
		{"POST", "/bench/bring-up/step", store.Operator, page, s.stepForm},
		{"POST", "/bench/bring-up/step/next", store.Operator, page, s.stepNextForm},
		{"POST", "/bench/bring-up/step/stop", store.Operator, control, s.stepStopForm},
	}
}

const (
	logRows    = 200 // events on the page as it comes
	logContext = 100 // events before, so that an answer is read as that to its question
	logMost    = 500 // events of one fragment

	bringUpTopic = "bring-up"
	bringUpEvery = 300 * time.Millisecond
)

func (s *Server) bringUpPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.bringUpProps(r.Context(), r.URL.Query())
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.BringUp(p))
}

func (s *Server) bringUpProps(ctx context.Context, q url.Values) (web.BringUpProps, error) {
	at, who, now := s.bench(ctx), personOf(ctx), s.bench(ctx).Station.Snapshot()
	p := web.BringUpProps{
		Page: s.frame(ctx, "Bring-up", "/bench"), Def: at.Definition, HasCards: at.Cards != nil, CanUse: who.Role >= store.Operator,
		Mine: now.Session != "" && now.Session == who.Session, Holder: now.Holder, AtWork: s.bench(ctx).AtWork(),
		Say: web.Form{ID: "say", Values: url.Values{"wait": {"0.3 s"}}},
	}
	for _, name := range []string{"connection", "wait"} { // as they were used last
		if v := q.Get(name); v != "" {
			p.Say.Values.Set(name, v)
		}
	}
	p.Page.Rehearsal = at.Identity().Rehearsal
	p.Page.Live, p.Page.Seq = "/bench/bring-up/live", s.Hub.Open(bringUpTopic).Seq()
	if at.Cards != nil {
		p.Health = at.Cards.Health()
		p.Connections = connectionOptions(p.Health)
		p.Log, p.LogLast = s.logAfter(at, 0, logRows)
		for _, x := range at.SaidByHand() {
			p.Said = append(p.Said, s.messageRow(&x))
		}
	}
	convert(at, &p, q)
	var err error
	p.Steps, err = s.stepProps(ctx, q.Get("device"))
	return p, err
}

func connectionOptions(list []cardinfo.Health) []web.Option {
	var out []web.Option
	for _, h := range list {
		out = append(out, web.Option{Value: h.Connection, Label: h.Connection})
	}
	return out
}

// logAfter returns the decoded events after one, at most the newest n, and the
// number of the last event there is.
func (s *Server) logAfter(p *lab.Bench, after uint64, n int) (rows []web.TrafficRow, last uint64) {
	from := uint64(0)
	if after > logContext {
		from = after - logContext
	}
	rows = web.NewDecoder(&s.Protocol).Rows(p.Cards.Recent(from, n+logContext))
	if len(rows) > 0 {
		last = rows[len(rows)-1].N
	}
	for len(rows) > 0 && (rows[0].N <= after || len(rows) > n) {
		rows = rows[1:]
	}
	return rows, last
}

// bringUpLog is the fragment of the page with the rows of the log after a
// number.
func (s *Server) bringUpLog(w http.ResponseWriter, r *http.Request) error {
	if s.bench(r.Context()).Cards == nil {
		return lab.NoCards()
	}
	after, _ := strconv.ParseUint(r.URL.Query().Get("after"), 10, 64) // none is from the start
	rows, last := s.logAfter(s.bench(r.Context()), after, logMost)
	if last < after { // another bench, or another life of this one
		rows, last = s.logAfter(s.bench(r.Context()), 0, logMost)
	}
	w.Header().Set("Ohmkeep-Last", strconv.FormatUint(max(last, 0), 10))
	return show(r.Context(), w, http.StatusOK, web.Traffic("", rows))
}

// bringUpLive is the WebSocket that keeps the health of the connections and
// the steps up to date.
func (s *Server) bringUpLive(w http.ResponseWriter, r *http.Request) error {
	type seen struct {
		bench  web.BenchBrief
		cards  bool
		health []cardinfo.Health
		steps  web.StepProps
	}
	watched(s, w, r, bringUpTopic, bringUpEvery, func(ctx context.Context) (seen, error) {
		now := seen{bench: s.brief(ctx), steps: s.stepView(s.bench(ctx))}
		if c := s.bench(ctx).Cards; c != nil {
			now.cards, now.health = true, c.Health()
		}
		return now, nil
	}, func(now seen) map[string]templ.Component {
		parts := web.BenchParts(now.bench)
		if now.cards {
			parts[web.PartCardHealth] = web.CardHealth(now.health)
		}
		parts[web.PartStepNow], parts[web.PartStepButtons] = web.StepNow(now.steps), web.StepButtons(now.steps)
		parts[web.PartStepDone] = web.StepDone(now.steps)
		return parts
	})
	return nil
}

// bringUpMeaning is the JSON answer that explains a message while it is typed,
// before it is sent.
func (s *Server) bringUpMeaning(w http.ResponseWriter, r *http.Request) error {
	d, message := web.NewDecoder(&s.Protocol), r.URL.Query().Get("message")
	answer := struct {
		Means []web.Meaning `json:"means"`
		Asks  bool          `json:"asks"`
	}{d.Message(message), s.Lab.OnlyAsks(s.bench(r.Context()), "", message)}
	return reply(w, http.StatusOK, answer)
}

// convert fills the page's converter between codes and values from the query.
func convert(b *lab.Bench, p *web.BringUpProps, q url.Values) {
	p.Convert = web.Form{ID: "convert", Values: url.Values{"range": {q.Get("range")}, "code": {q.Get("code")}, "value": {q.Get("value")}}, Errors: map[string]string{}}
	if options := web.CodeOptions(&p.Def); q.Get("range") == "" && len(options) > 0 {
		p.Convert.Values.Set("range", options[0].Value)
	}
	answer, field, err := converted(b, p.Convert.Values)
	if err != nil {
		p.Convert.Errors[field] = err.Error()
	}
	p.Converted = answer
}

// converted converts a code to its value, or else a value to its code; nil
// where neither is given.
func converted(b *lab.Bench, q url.Values) (answer *web.CodeAnswer, field string, err error) {
	c, known := web.CodesByKey(&b.Definition, q.Get("range"))
	code, value := strings.TrimSpace(q.Get("code")), strings.TrimSpace(q.Get("value"))
	switch {
	case !known && code+value == "":
		return nil, "", nil
	case !known:
		return nil, "range", fmt.Errorf("choose a range")
	case code != "":
		n, err := c.ParseCode(code)
		if err != nil {
			return nil, "code", err
		}
		a := c.Answer(n)
		return &a, "", nil
	case value != "":
		v, err := quantity.Parse(value, c.Unit)
		if err != nil {
			return nil, "value", err
		}
		n, beyond := c.Code(v)
		a := c.Answer(n)
		if beyond {
			a.Note = "the value lies beyond the converter: its end"
		}
		return &a, "", nil
	}
	return nil, "", nil
}

// bringUpCode is the JSON answer of the converter for the page's script.
func (s *Server) bringUpCode(w http.ResponseWriter, r *http.Request) error {
	a, _, err := converted(s.bench(r.Context()), r.URL.Query())
	answer := struct {
		*web.CodeAnswer
		Error string `json:"error,omitempty"`
	}{CodeAnswer: a}
	if err != nil {
		answer.Error = err.Error()
	}
	return reply(w, http.StatusOK, answer)
}
