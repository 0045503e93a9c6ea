package routes

import (
	"context"
	"net/http"
	"net/url"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/server/lab"
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
	cardCheckTopic = "card-check"
	cardCheckEvery = 300 * time.Millisecond
)

// checkView returns a check of cards as pages show it, its raw exchanges
// decoded.
func (s *Server) checkView(c *lab.CardCheck) web.CardCheck {
	out := web.CardCheck{Running: c.Running, By: c.By, Started: c.Started, Ended: c.Ended, Connections: c.Connections, Dropped: c.Dropped, Err: c.Err, Turn: c.Turn}
	decoders := map[string]*web.Decoder{} // each follows its connection
	for _, f := range c.Findings {
		if decoders[f.Connection] == nil {
			decoders[f.Connection] = web.NewDecoder(&s.Protocol)
		}
		row := web.CheckFinding{Finding: f.Finding, Connection: f.Connection, Rows: decoders[f.Connection].Rows(f.Events)}
		row.Events = nil // they are in the rows
		out.Findings = append(out.Findings, row)
	}
	return out
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
	check, _ := p.CardCheck()
	out.Result = s.checkView(&check)
	out.Page.Rehearsal = p.Identity().Rehearsal
	if p.Cards == nil {
		return out
	}
	out.Page.Live, out.Page.Seq = "/bench/check-cards/live", s.Hub.Open(cardCheckTopic).Seq()
	out.Connections = connectionOptions(p.Cards.Health())
	if len(out.Connections) > 1 {
		out.Connections = append([]web.Option{{Value: lab.AllCards, Label: "all, one after the other"}}, out.Connections...)
	}
	out.Items = toConfirmRows(p.ToConfirm(who, lab.EmptySocket))
	return out
}

func (s *Server) cardCheckForm(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	err := s.Lab.CheckCards(r.Context(), s.bench(r.Context()), personOf(r.Context()), f.Get("connection"), f["confirm"])
	if err == nil {
		return seeOther(w, r, "/bench/check-cards#result")
	}
	e := s.classify(r.Context(), err)
	p := s.cardCheckProps(r.Context())
	p.Form = formOf("check", f, e, nil)
	if e.unconfirmed != nil {
		p.Form.Errors = map[string]string{"": "Nothing was started: confirm each line."}
	}
	return show(r.Context(), w, e.Status, web.CardCheckPage(p))
}

func (s *Server) cardCheckStopForm(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.StopCardCheck(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	return seeOther(w, r, "/bench/check-cards")
}

// cardCheckLive is the WebSocket that sends the findings of a card check as
// they come.
func (s *Server) cardCheckLive(w http.ResponseWriter, r *http.Request) error {
	type seen struct {
		bench  web.BenchBrief
		at     *lab.Bench
		change uint64 // stands for all findings, which are many
	}
	watched(s, w, r, cardCheckTopic, cardCheckEvery, func(ctx context.Context) (seen, error) {
		b := s.bench(ctx)
		_, change := b.CardCheck()
		return seen{s.brief(ctx), b, change}, nil
	}, func(now seen) map[string]templ.Component {
		parts := web.BenchParts(now.bench)
		check, _ := now.at.CardCheck()
		c := s.checkView(&check)
		parts[web.PartCheckSummary], parts[web.PartCheckStop] = web.CheckSummary(c), web.CheckStop(c)
		for _, g := range c.Groups() {
			parts[web.PartCheckGroup(g.At)] = web.CheckGroupPart(g)
		}
		return parts
	})
	return nil
}
