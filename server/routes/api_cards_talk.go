package routes

import (
	"encoding/hex"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/lab"
	"ohmkeep/web"
)

var trafficParams = []param{
	apidoc.Query("after", "Number of the event to begin after; left out: from the first.", apidoc.Whole(0, 1<<53)),
	apidoc.Query("limit", "How many events at most; left out: 200.", apidoc.Whole(1, 5000)),
}

// trafficQuery returns the query parameters after and limit, which have passed
// checked.
func trafficQuery(q url.Values) (after uint64, limit int) {
	after, _ = strconv.ParseUint(q.Get("after"), 10, 64)
	return after, number(q, "limit", 200)
}

func (s *Server) apiConnections(w http.ResponseWriter, r *http.Request) error {
	var out []apiConnectionHealth
	for _, h := range s.bench(r.Context()).Health() {
		out = append(out, apiConnectionHealth(h))
	}
	return replyList(w, out)
}

// apiEvent is the JSON of one event of the traffic with a card: bytes that
// were written or came in together, or a note.
type apiEvent struct {
	N          uint64             `json:"n" doc:"counts from 1 for a bench"`
	At         time.Time          `json:"at"`
	Connection string             `json:"connection"`
	Direction  cardinfo.Direction `json:"direction" doc:"out: host to card"`
	Hex        string             `json:"hex" doc:"the bytes, two hexadecimal digits each"`
	Text       string             `json:"text" doc:"the bytes as text, control characters by name such as <LF>; of a note its words"`
	Means      []string           `json:"means" doc:"what lines that end here mean by the protocol"`
}

func apiEvents(rows []web.TrafficRow) []apiEvent {
	out := make([]apiEvent, len(rows))
	for i, r := range rows {
		out[i] = apiEvent{N: r.N, At: r.At, Connection: r.Connection, Direction: r.Dir, Hex: hex.EncodeToString(r.Bytes), Text: web.Visible(r.Bytes)}
		if r.Dir == cardinfo.Note {
			out[i].Text = string(r.Bytes)
		}
		for _, m := range r.Means {
			out[i].Means = append(out[i].Means, m.Text)
		}
	}
	return out
}

// apiTraffic is the JSON of a section of the traffic with cards.
type apiTraffic struct {
	Items   []apiEvent `json:"items"`
	Last    uint64     `json:"last" doc:"number of the newest event there is"`
	Dropped int        `json:"dropped,omitempty" doc:"of a run: events between the first ones and the last that were not kept"`
}

func (s *Server) apiBenchTraffic(w http.ResponseWriter, r *http.Request) error {
	var out apiTraffic
	if p := s.bench(r.Context()); p.Cards != nil {
		after, limit := trafficQuery(r.URL.Query())
		rows, last := s.logAfter(p, after, limit)
		out.Items, out.Last = apiEvents(rows), last
	}
	return reply(w, http.StatusOK, out)
}

func (s *Server) apiRunTraffic(w http.ResponseWriter, r *http.Request) error {
	t, rows, err := s.runTraffic(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	out := apiTraffic{Dropped: t.Dropped}
	if len(rows) > 0 {
		out.Last = rows[len(rows)-1].N
	}
	after, limit := trafficQuery(r.URL.Query())
	for len(rows) > 0 && rows[0].N <= after {
		rows = rows[1:]
	}
	out.Items = apiEvents(rows[:min(len(rows), limit)])
	return reply(w, http.StatusOK, out)
}

// apiMessage is the JSON request that sends one message to a card.
type apiMessage struct {
	Connection string   `json:"connection"`
	Message    string   `json:"message" max:"1000"`
	Wait       float64  `json:"wait,omitempty" doc:"how long answers are gathered, seconds, 0.01 to 10; left out: 0.3"`
	Confirm    []string `json:"confirm,omitempty" doc:"names of what is confirmed before the bench is energised"`
}

// apiExchange is the JSON of a message's outcome: what was sent and what came
// back.
type apiExchange struct {
	Connection string     `json:"connection"`
	Sent       string     `json:"sent"`
	Answers    []string   `json:"answers"`
	Took       float64    `json:"took" doc:"seconds"`
	Errors     []string   `json:"errors" doc:"what the card's error queue held afterwards"`
	Means      []string   `json:"means" doc:"what was sent and what came back, by the protocol"`
	Events     []apiEvent `json:"events"`
	Problem    string     `json:"problem,omitempty" doc:"why it could not be sent, or the bench not be made safe"`
	MadeSafe   bool       `json:"madeSafe" doc:"the bench was made safe afterwards"`
}

func (s *Server) apiSay(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiMessage](r)
	if err != nil {
		return err
	}
	if q.Wait == 0 {
		q.Wait = 0.3
	}
	wait := time.Duration(min(max(q.Wait, 0), 3600) * float64(time.Second))
	said, err := s.Lab.Say(r.Context(), s.bench(r.Context()), personOf(r.Context()), lab.Message{Connection: q.Connection, Text: q.Message, Wait: wait, Confirm: q.Confirm})
	if err != nil {
		return err
	}
	row := s.messageRow(&said)
	x := row.Exchange
	out := apiExchange{Connection: x.Connection, Sent: x.Sent, Answers: x.Answers, Took: x.Took.Seconds(), Errors: x.Errors,
		Events: apiEvents(row.Rows), Problem: row.Err, MadeSafe: row.MadeSafe}
	for _, m := range row.Means {
		out.Means = append(out.Means, m.Text)
	}
	return reply(w, http.StatusOK, out)
}

// apiCheckRequest is the JSON request that starts a check of cards.
type apiCheckRequest struct {
	Connection string   `json:"connection,omitempty" doc:"left out: every connection, one after the other"`
	Confirm    []string `json:"confirm,omitempty" doc:"names of what is confirmed; that the socket is empty is asked each time"`
}

// apiCardCheck is the JSON of a check of cards: its state and findings.
type apiCardCheck struct {
	Running  bool             `json:"running"`
	By       string           `json:"by,omitempty"`
	Started  time.Time        `json:"started,omitzero" doc:"absent: none since the server started"`
	Ended    time.Time        `json:"ended,omitzero"`
	Problem  string           `json:"problem,omitempty" doc:"why it ended before its end"`
	Findings []apiCardFinding `json:"findings"`
	Dropped  int              `json:"dropped,omitempty" doc:"findings beyond what is kept"`
}

// apiCardFinding is the JSON of one finding of a check of cards.
type apiCardFinding struct {
	Connection string           `json:"connection"`
	Group      string           `json:"group"`
	Title      string           `json:"title"`
	Verdict    cardinfo.Verdict `json:"verdict"`
	Expected   string           `json:"expected"`
	Came       string           `json:"came"`
	Took       float64          `json:"took" doc:"seconds"`
	Events     []apiEvent       `json:"events"`
}

func (s *Server) cardCheckNow(b *lab.Bench) apiCardCheck {
	now, _ := b.CardCheck()
	c := s.checkView(&now)
	out := apiCardCheck{Running: c.Running, By: c.By, Started: c.Started, Ended: c.Ended, Problem: c.Err, Dropped: c.Dropped}
	for _, f := range c.Findings {
		out.Findings = append(out.Findings, apiCardFinding{f.Connection, f.Group, f.Title, f.Verdict, f.Expected, f.Came, f.Took.Seconds(), apiEvents(f.Rows)})
	}
	return out
}

func (s *Server) apiStartCheck(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiCheckRequest](r)
	if err != nil {
		return err
	}
	if err := s.Lab.CheckCards(r.Context(), s.bench(r.Context()), personOf(r.Context()), q.Connection, q.Confirm); err != nil {
		return err
	}
	return reply(w, http.StatusAccepted, s.cardCheckNow(s.bench(r.Context())))
}

func (s *Server) apiCheckResult(w http.ResponseWriter, r *http.Request) error {
	return reply(w, http.StatusOK, s.cardCheckNow(s.bench(r.Context())))
}
