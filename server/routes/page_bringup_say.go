package routes

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/quantity"
	"ohmkeep/server/talk"
	"ohmkeep/web"
)

const (
	maxMessage = 1000 // characters: the protocol takes 1024 bytes with the line end
	minWait    = 10 * time.Millisecond
	maxWait    = 10 * time.Second
)

// sayRequest is one message to a card.
type sayRequest struct {
	connection string
	message    string
	wait       time.Duration
	confirm    []string
}

func (q *sayRequest) check(cards lab.Cards) error {
	var ps dut.Problems
	if !slices.ContainsFunc(cards.Health(), func(h talk.Health) bool { return h.Connection == q.connection }) {
		ps.Add("connection", "choose a connection")
	}
	switch {
	case q.message == "":
		ps.Add("message", "write a message")
	case !utf8.ValidString(q.message) || strings.ContainsAny(q.message, "\r\n"):
		ps.Add("message", "must be one line of text")
	case len(q.message) > maxMessage:
		ps.Add("message", "has %d bytes; at most %d fit", len(q.message), maxMessage)
	}
	if q.wait < minWait || q.wait > maxWait {
		ps.Add("wait", "must be 10 ms to 10 s")
	}
	return ps.Err()
}

// holdsControl refuses where whoever asks does not hold control of the bench.
func (s *Server) holdsControl(who lab.Person) error {
	if err := s.mayUse(who); err != nil {
		return err
	}
	if s.at().Station.Snapshot().Session != who.Session {
		return problem.New(problem.Conflict, "Take control of the bench first.")
	}
	return nil
}

// say sends one message to a card while nothing runs. After one that does more
// than ask the bench is made safe.
func (s *Server) say(ctx context.Context, who lab.Person, q sayRequest) (web.SaidRow, error) {
	p := s.bench(ctx)
	if p.Cards == nil {
		return web.SaidRow{}, noCards()
	}
	q.message = strings.TrimSpace(q.message)
	if err := q.check(p.Cards); err != nil {
		return web.SaidRow{}, err
	}
	d := web.NewDecoder(&s.Protocol)
	asks := s.onlyAsks(d, q.connection, q.message)
	if !asks {
		if _, err := s.confirm(ctx, who, q.confirm, occasion{}); err != nil {
			return web.SaidRow{}, err
		}
	}
	if err := s.holdsControl(who); err != nil {
		return web.SaidRow{}, err
	}
	row := web.SaidRow{By: who.Name, At: s.Now(), MadeSafe: !asks, Exchange: talk.Exchange{Connection: q.connection, Sent: q.message}}
	err := p.Station.WhileIdle(func() error {
		if asks {
			s.exchange(ctx, p, &q, &row)
			return nil
		}
		s.byHand.do("a message sent by hand", func() {
			s.exchange(ctx, p, &q, &row)
			if err := p.Station.MakeSafe(context.WithoutCancel(ctx), who.Name); err != nil {
				row.MadeSafe = false
				row.Err = joinText(row.Err, notSafe(err))
			}
		})
		return nil
	})
	if err != nil {
		return web.SaidRow{}, s.inTheWay(err)
	}
	row.Means = d.Exchange(&row.Exchange)
	row.Rows = web.NewDecoder(&s.Protocol).Rows(row.Exchange.Events)
	s.byHand.mu.Lock()
	s.byHand.of(p)
	s.byHand.said = append([]web.SaidRow{row}, s.byHand.said[:min(len(s.byHand.said), keptSaid-1)]...)
	s.byHand.mu.Unlock()
	s.note(ctx, who, "message to a card", q.connection, q.message)
	return row, nil
}

// onlyAsks reports whether a message does no more than ask. What a dialect
// reads with otherwise than the protocol may do more on its card, whatever the
// protocol says of that header. No connection is any of them.
func (s *Server) onlyAsks(d *web.Decoder, connection, message string) bool {
	own := bench.ProtocolCommands().Read
	for _, c := range s.at().Definition.Connections {
		read := c.Commands.Read
		if (connection == "" || c.Name == connection) && read != "" && read != own && d.NamesAnyOf(message, read) {
			return false
		}
	}
	return d.OnlyAsks(message)
}

// exchange sends the message; what goes wrong is part of what came of it.
func (s *Server) exchange(ctx context.Context, p *lab.Bench, q *sayRequest, row *web.SaidRow) {
	x, err := p.Cards.Say(ctx, q.connection, q.message, q.wait)
	if err != nil {
		row.Err = err.Error()
	}
	if x.Sent != "" || len(x.Events) > 0 {
		row.Exchange = x
	}
}

func (s *Server) sayForm(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	f := r.PostForm
	q := sayRequest{connection: f.Get("connection"), message: f.Get("message"), confirm: f["confirm"]}
	seconds, err := quantity.Parse(f.Get("wait"), quantity.Second)
	if err != nil {
		err = problem.Field("wait", err.Error())
	} else {
		q.wait = time.Duration(min(seconds, 3600) * float64(time.Second))
		_, err = s.say(r.Context(), personOf(r.Context()), q)
	}
	if err == nil {
		back := url.Values{"connection": {q.connection}, "wait": {f.Get("wait")}}
		return seeOther(w, r, "/bench/bring-up?"+back.Encode()+"#console")
	}
	e := classify(err, s.Log)
	if e.ask != nil {
		return s.askToConfirm(w, r, e, "Send "+clipped(q.message, 40))
	}
	p, err := s.bringUpProps(r.Context(), url.Values{})
	if err != nil {
		return err
	}
	p.Say = formOf("say", f, e, nil)
	return show(r.Context(), w, e.Status, web.BringUp(p))
}

// clipped is the beginning of a text.
func clipped(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most]) + "…"
	}
	return text
}
