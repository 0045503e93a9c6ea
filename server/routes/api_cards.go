package routes

import (
	"net/http"
	"time"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/lab"
	"ohmkeep/store"
)

// What a bench with cards offers beside its link, by the API.

func (s *Server) cardEndpoints() []endpoint {
	const tag = "cards"
	return []endpoint{
		{route: route{"GET", "/benches/{key}/connections", store.Viewer, page, s.ofBench(s.apiConnections)}, id: "listConnections", tag: tag,
			summary: "How each connection to the cards stands, why, and what a person can do; empty on the rehearsal bench.", response: apiList[apiConnectionHealth]{}},
		{route: route{"GET", "/benches/{key}/traffic", store.Viewer, page, s.ofBench(s.apiBenchTraffic)}, id: "listTraffic", tag: tag, query: trafficParams,
			summary: "What was said between host and cards, oldest first: the newest events after a number, as far as the log reaches.", response: apiTraffic{}},
		{route: route{"POST", "/benches/{key}/messages", store.Operator, page, s.ofBench(s.apiSay)}, id: "sendMessage", tag: tag,
			summary: "Send one message to a card while nothing runs, as whoever holds control. One that does more than ask makes the bench safe afterwards, " +
				"and is refused until the cautions are confirmed.", request: apiMessage{}, response: apiExchange{}},
		{route: route{"POST", "/benches/{key}/checks", store.Operator, page, s.ofBench(s.apiStartCheck)}, id: "checkCards", tag: tag, status: http.StatusAccepted,
			summary: "Check cards against the protocol, with an empty socket; the bench is made safe afterwards.", request: apiCheckRequest{}, response: apiCardCheck{}},
		{route: route{"GET", "/benches/{key}/checks", store.Viewer, page, s.ofBench(s.apiCheckResult)}, id: "getCardCheck", tag: tag,
			summary: "The check of cards at work, or the last one.", response: apiCardCheck{}},
		{route: route{"GET", "/runs/{id}/traffic", store.Viewer, page, s.apiRunTraffic}, id: "getRunTraffic", tag: tag, query: trafficParams,
			summary: "What was said between host and cards during a run, oldest first.", response: apiTraffic{}},
		{route: route{"GET", "/benches/{key}/confirmations", store.Viewer, page, s.ofBench(s.apiConfirmations)}, id: "listConfirmations", tag: tag, query: confirmParams,
			summary: "What is to be confirmed before a bench with cards is energised, and what has been in this session of control.", response: apiList[apiConfirmStanding]{}},
		{route: route{"POST", "/benches/{key}/confirmations", store.Operator, page, s.ofBench(s.apiConfirm)}, id: "confirm", tag: tag,
			summary: "Confirm ahead of a start. Where nobody holds control, this takes it.", request: apiConfirmRequest{}, response: apiList[apiConfirmStanding]{}},
	}
}

var confirmParams = []param{apidoc.Query("device", "Key of the device that is seated; left out: what is asked whatever is seated.", apidoc.Text(64))}

// apiToConfirm is the JSON of one safety point that a person has to confirm.
type apiToConfirm struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

func toConfirm(a *lab.Unconfirmed) []apiToConfirm {
	if a == nil {
		return nil
	}
	var out []apiToConfirm
	for _, item := range a.Open {
		out = append(out, apiToConfirm(item))
	}
	return out
}

// apiConfirmStanding is the JSON of one safety point with the person who has
// confirmed it, if any.
type apiConfirmStanding struct {
	Name string    `json:"name"`
	Text string    `json:"text"`
	By   string    `json:"by,omitempty" doc:"absent: not confirmed in this session of control"`
	At   time.Time `json:"at,omitzero"`
}

// apiConfirmRequest is the JSON request that confirms safety points, by name.
type apiConfirmRequest struct {
	Device  string   `json:"device,omitempty" doc:"key of the device that is seated"`
	Confirm []string `json:"confirm" doc:"names of what is confirmed"`
}

func (s *Server) apiConfirmations(w http.ResponseWriter, r *http.Request) error {
	o, err := s.Lab.OccasionOf(r.Context(), s.bench(r.Context()), r.URL.Query().Get("device"))
	if err != nil {
		return err
	}
	return replyList(w, standingsOf(s.bench(r.Context()), o))
}

func (s *Server) apiConfirm(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiConfirmRequest](r)
	if err != nil {
		return err
	}
	o, err := s.Lab.OccasionOf(r.Context(), s.bench(r.Context()), q.Device)
	if err != nil {
		return err
	}
	if _, err := s.Lab.Confirm(r.Context(), s.bench(r.Context()), personOf(r.Context()), q.Confirm, o); err != nil {
		return err
	}
	return replyList(w, standingsOf(s.bench(r.Context()), o))
}

// standingsOf lists the safety points of a bench with the confirmations of
// whoever holds control. The rehearsal bench has none.
func standingsOf(b *lab.Bench, o lab.Occasion) []apiConfirmStanding {
	out := []apiConfirmStanding{}
	for _, x := range b.Standings(o) {
		out = append(out, apiConfirmStanding{x.Name, x.Text, x.By, x.At})
	}
	return out
}
