package routes

import (
	"net/http"
	"net/url"
	"time"

	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// messageRow returns the page's row of a message that was sent by hand, decoded.
func (s *Server) messageRow(said *lab.Said) web.SaidRow {
	return web.SaidRow{By: said.By, At: said.At, Exchange: said.Exchange, Err: said.Err, MadeSafe: said.MadeSafe,
		Means: web.NewDecoder(&s.Protocol).Exchange(&said.Exchange), Rows: web.NewDecoder(&s.Protocol).Rows(said.Exchange.Events)}
}

func (s *Server) sayForm(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	q := lab.Message{Connection: f.Get("connection"), Text: f.Get("message"), Confirm: f["confirm"]}
	seconds, err := quantity.Parse(f.Get("wait"), quantity.Second)
	if err != nil {
		err = problem.Field("wait", err.Error())
	} else {
		q.Wait = time.Duration(min(seconds, 3600) * float64(time.Second))
		_, err = s.Lab.Say(r.Context(), s.bench(r.Context()), personOf(r.Context()), q)
	}
	if err == nil {
		back := url.Values{"connection": {q.Connection}, "wait": {f.Get("wait")}}
		return seeOther(w, r, "/bench/bring-up?"+back.Encode()+"#console")
	}
	e := s.classify(r.Context(), err)
	if e.unconfirmed != nil {
		return s.askToConfirm(w, r, e, "Send "+clipped(q.Text, 40))
	}
	p, err := s.bringUpProps(r.Context(), url.Values{})
	if err != nil {
		return err
	}
	p.Say = formOf("say", f, e, nil)
	return show(r.Context(), w, e.Status, web.BringUp(p))
}

// clipped returns the beginning of a text, cut to a length.
func clipped(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most]) + "…"
	}
	return text
}
