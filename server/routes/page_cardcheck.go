package routes

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/server/lab"
	"ohmkeep/server/live"
	"ohmkeep/server/problem"
	"ohmkeep/server/talk"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) cardCheckPages() []route {
	return []route{
		{"GET", "/bench/check-cards", store.Viewer, page, s.cardCheckPage},
		{"GET", "/bench/check-cards/live", store.Viewer, control, s.cardCheckLive},
		{"POST", "/bench/check-cards", store.Operator, page, s.cardCheckForm},
		{"POST", "/bench/check-cards/stop", store.Operator, control, s.cardCheckStopForm},
	}
}

const (
	keptFindings  = 1000
	keptRows      = 40   // events of one finding
	keptRowsAll   = 6000 // events of all that passed
	allCards      = ""   // every connection, one after the other
	checkingCards = "a check of the cards is at work"

	cardCheckTopic = "card-check"
	cardCheckEvery = 300 * time.Millisecond
)

// errStopped ends a check that somebody stops.
var errStopped = errors.New("it was stopped")

// cardCheck is the check of cards at work, or the last one.
type cardCheck struct {
	mu     sync.Mutex
	place  *lab.Bench
	cancel context.CancelCauseFunc // nil where none is at work
	now    web.CardCheck
	rows   int    // events in now
	change uint64 // counts what changed
}

// result is how the check stands, with a number that tells it from how it
// stood before; nothing of another bench's.
func (c *cardCheck) result(p *lab.Bench) (web.CardCheck, uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.place != p {
		return web.CardCheck{}, c.change
	}
	out := c.now
	out.Findings = slices.Clone(out.Findings)
	return out, c.change
}

func (c *cardCheck) found(connection string, f talk.Finding, d *web.Decoder) {
	row := web.CheckFinding{Finding: f, Connection: connection, Rows: d.Rows(f.Events[max(0, len(f.Events)-keptRows):])}
	row.Events = nil // they are in the rows
	c.mu.Lock()
	defer c.mu.Unlock()
	c.change++
	if len(c.now.Findings) >= keptFindings {
		c.now.Dropped++
		return
	}
	if c.rows+len(row.Rows) > keptRowsAll && f.Verdict != talk.Fail {
		row.Rows = nil
	}
	c.rows += len(row.Rows)
	c.now.Findings = append(c.now.Findings, row)
}

// stop ends a check at work and reports whether one was.
func (c *cardCheck) stop(why error) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cancel == nil {
		return false
	}
	c.cancel(why)
	return true
}

// checkRequest asks for a check of cards.
type checkRequest struct {
	connection string // allCards for all
	confirm    []string
}

// startCheck checks cards in the background, while nothing else runs.
func (s *Server) startCheck(ctx context.Context, who lab.Person, q checkRequest) error {
	p := s.bench(ctx)
	if p.Cards == nil {
		return noCards()
	}
	connections := []string{q.connection}
	if health := p.Cards.Health(); q.connection == allCards {
		connections = nil
		for _, h := range health {
			connections = append(connections, h.Connection)
		}
	} else if !slices.ContainsFunc(health, func(h talk.Health) bool { return h.Connection == q.connection }) {
		return problem.Field("connection", "choose a connection")
	}
	if _, err := s.confirm(ctx, who, q.confirm, occasion{empty: true}); err != nil {
		return err
	}
	if err := s.holdsControl(who); err != nil {
		return err
	}
	work, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	begun, refused := make(chan struct{}), make(chan error, 1)
	go func() {
		defer cancel(nil)
		refused <- p.Station.WhileIdle(func() error {
			s.checkCards(work, cancel, p, who, connections, func() { close(begun) })
			return nil
		})
	}()
	select {
	case <-begun:
	case err := <-refused:
		if err != nil {
			return s.inTheWay(err)
		}
	}
	s.note(ctx, who, "check cards", p.Definition.Key, q.connection)
	return nil
}

// checkCards goes through the connections and leaves the bench safe. It is
// called while the station is idle.
func (s *Server) checkCards(ctx context.Context, cancel context.CancelCauseFunc, p *lab.Bench, who lab.Person, connections []string, begun func()) {
	c := &s.cardCheck
	c.mu.Lock()
	c.place, c.cancel, c.rows = p, cancel, 0
	c.change++
	c.now = web.CardCheck{Running: true, By: who.Name, Started: s.Now(), Connections: connections}
	c.mu.Unlock()
	s.byHand.set(checkingCards)
	begun()
	var err error
	for _, connection := range connections {
		d := web.NewDecoder(&s.Protocol)
		err = live.Protected(func() error {
			return p.Cards.Check(ctx, connection, func(f talk.Finding) { c.found(connection, f, d) })
		})
		if cause := context.Cause(ctx); cause != nil {
			err = cause
		}
		if err != nil {
			break
		}
	}
	if safe := p.Station.MakeSafe(context.WithoutCancel(ctx), who.Name); safe != nil {
		err = errors.Join(err, safe)
	}
	s.byHand.set("")
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cancel, c.now.Running, c.now.Ended, c.now.Err = nil, false, s.Now(), errText(err)
	c.change++
}

func (s *Server) cardCheckPage(w http.ResponseWriter, r *http.Request) error {
	return show(r.Context(), w, http.StatusOK, web.CardCheckPage(s.cardCheckProps(r.Context())))
}

func (s *Server) cardCheckProps(ctx context.Context) web.CardCheckProps {
	p, who, now := s.bench(ctx), personOf(ctx), s.bench(ctx).Station.Snapshot()
	out := web.CardCheckProps{
		Page: s.frame(ctx, "Check the cards", "/bench"), HasCards: p.Cards != nil, CanUse: who.Role >= store.Operator,
		Form: web.Form{ID: "check", Values: url.Values{}}, Takes: now.Session == "",
	}
	out.Result, _ = s.cardCheck.result(p)
	out.Page.Rehearsal = p.Identity().Rehearsal
	if p.Cards == nil {
		return out
	}
	out.Page.Live, out.Page.Seq = "/bench/check-cards/live", s.Hub.Open(cardCheckTopic).Seq()
	out.Connections = connectionOptions(p.Cards.Health())
	if len(out.Connections) > 1 {
		out.Connections = append([]web.Option{{Value: allCards, Label: "all, one after the other"}}, out.Connections...)
	}
	out.Items = s.toAsk(who, occasion{empty: true})
	return out
}

func (s *Server) cardCheckForm(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	f := r.PostForm
	err := s.startCheck(r.Context(), personOf(r.Context()), checkRequest{f.Get("connection"), f["confirm"]})
	if err == nil {
		return seeOther(w, r, "/bench/check-cards#result")
	}
	e := classify(err, s.Log)
	p := s.cardCheckProps(r.Context())
	p.Form = formOf("check", f, e, nil)
	if e.ask != nil {
		p.Form.Errors = map[string]string{"": "Nothing was started: confirm each line."}
	}
	return show(r.Context(), w, e.Status, web.CardCheckPage(p))
}

func (s *Server) cardCheckStopForm(w http.ResponseWriter, r *http.Request) error {
	who := personOf(r.Context())
	if err := s.mayUse(who); err != nil {
		return err
	}
	if s.cardCheck.stop(errStopped) {
		s.note(r.Context(), who, "stop check of cards", s.bench(r.Context()).Definition.Key, "")
	}
	return seeOther(w, r, "/bench/check-cards")
}

// cardCheckLive shows findings as they come.
func (s *Server) cardCheckLive(w http.ResponseWriter, r *http.Request) error {
	type seen struct {
		bench  web.BenchBrief
		change uint64 // stands for all findings, which are many
	}
	watched(s, w, r, cardCheckTopic, cardCheckEvery, func(ctx context.Context) (seen, error) {
		_, change := s.cardCheck.result(s.bench(r.Context()))
		return seen{s.brief(ctx), change}, nil
	}, func(now seen) map[string]templ.Component {
		parts := web.BenchParts(now.bench)
		c, _ := s.cardCheck.result(s.bench(r.Context()))
		parts[web.PartCheckSummary], parts[web.PartCheckStop] = web.CheckSummary(c), web.CheckStop(c)
		for _, g := range c.Groups() {
			parts[web.PartCheckGroup(g.At)] = web.CheckGroupPart(g)
		}
		return parts
	})
	return nil
}
