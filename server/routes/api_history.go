package routes

import (
	"math"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

func (s *Server) historyEndpoints() []endpoint {
	const tag = "history"
	byDevice := filterParams[:1]
	return []endpoint{
		{route: route{"GET", "/runs", store.Viewer, page, s.apiHistory}, id: "listRuns", tag: tag,
			query:   append(filterParams[:len(filterParams):len(filterParams)], pageParams...),
			summary: "Runs, newest first.", response: apiHistory{}},
		{route: route{"GET", "/runs.csv", store.Viewer, report, s.csvHistory}, id: "exportRuns", tag: tag, query: filterParams, media: mediaCSV,
			summary: "Runs as CSV, newest first."},
		{route: route{"GET", "/results/wide.csv", store.Viewer, report, s.csvWide}, id: "exportWide", tag: tag, query: filterParams, media: mediaCSV,
			summary: "A row for each run and a column for each result, as CSV; behind all values, in their order, the ends of each interval and its outcome."},
		{route: route{"GET", "/units", store.Viewer, report, s.apiUnits}, id: "listUnits", tag: tag,
			query: append(byDevice[:1:1], apidoc.Query("limit", "The most units to answer with; 1000 where it is left out.", apidoc.Whole(1, 10_000)),
				apidoc.Query("cursor", "Where to go on: next of the answer before.", apidoc.Text(maxUnitCursor))),
			summary: "The units that were measured, by device, lot and serial number.", response: apiList[store.UnitRow]{}},
		{route: route{"GET", "/lots", store.Viewer, report, s.apiLots}, id: "listLots", tag: tag, query: byDevice,
			summary: "The lots that units belong to.", response: apiList[string]{}},
		{route: route{"GET", "/overview", store.Viewer, report, s.apiOverview}, id: "getOverview", tag: tag,
			summary: "How many runs, readings and units there are, runs by outcome, and the newest runs.", response: store.Overview{}},
	}
}

// maxUnitCursor is the longest cursor of a list of units, in characters: it holds
// a device's key, a lot and a serial number, of at most 6 bytes a character in
// JSON, as base64.
const maxUnitCursor = 4 * (64 + 2*6*lab.MaxSerial + 12) / 3

// withoutLimits is the filter's value for runs whose results have no limits.
const withoutLimits = "no limits"

var filterParams = []param{
	apidoc.Query("device", "Key of the device.", apidoc.Text(64)),
	apidoc.Query("procedure", "Key of the procedure.", apidoc.Text(64)),
	apidoc.Query("unit", "Serial number of the unit.", apidoc.Text(lab.MaxSerial)),
	apidoc.Query("lot", "Lot of the unit.", apidoc.Text(lab.MaxSerial)),
	apidoc.Query("outcome", "Outcome of the run.", apidoc.Text(0, string(derive.Pass), string(derive.ConditionalPass), string(derive.ConditionalFail),
		string(derive.Fail), string(derive.Invalid), withoutLimits)),
	apidoc.Query("status", "Where the run stands.", apidoc.Text(0, string(procedure.Running), string(procedure.Done), string(procedure.Stopped),
		string(procedure.Interrupted), string(procedure.Failed))),
	apidoc.Query("from", "Started at this time or on this day, or later: 2030-01-31 or 2030-01-31T15:04:05Z.", apidoc.Text(40)),
	apidoc.Query("to", "Started before this time, or up to and on this day.", apidoc.Text(40)),
	apidoc.Query("q", "Text found in the device's or procedure's name, note, serial number, lot or operator.", apidoc.Text(200)),
}

var pageParams = []param{
	apidoc.Query("limit", "The most runs to answer with; 50 where it is left out.", apidoc.Whole(1, 500)),
	apidoc.Query("cursor", "Where to go on: next of the answer before.", apidoc.Text(64)),
}

// filterOf parses a filter of runs from a query, the same for pages, the API
// and CSV. Days are those of the server's time zone.
func filterOf(q url.Values) (store.Filter, error) {
	f := store.Filter{
		Device: q.Get("device"), Procedure: q.Get("procedure"), Serial: strings.TrimSpace(q.Get("unit")),
		Lot: strings.TrimSpace(q.Get("lot")), Outcome: derive.Outcome(q.Get("outcome")),
		Status: procedure.Status(q.Get("status")), Text: strings.TrimSpace(q.Get("q")),
	}
	var ps dut.Problems
	for i := range filterParams {
		if v := q.Get(filterParams[i].Name); v != "" {
			ps = append(ps, filterParams[i].Check(v)...)
		}
	}
	if f.Outcome == withoutLimits {
		f.Outcome, f.WithoutLimits = "", true
	}
	f.From = moment(&ps, "from", q.Get("from"), 0)
	f.To = moment(&ps, "to", q.Get("to"), 1)
	if f.From.IsZero() || f.To.IsZero() || f.From.Before(f.To) {
		return f, ps.Err()
	}
	ps.Add("to", "is not after from")
	return f, ps.Err()
}

// moment parses a time, or a day to which days later is added.
func moment(ps *dut.Problems, field, text string, days int) time.Time {
	if text == "" {
		return time.Time{}
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, time.Local); err == nil && storable(t) {
		return t.AddDate(0, 0, days)
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil && storable(t) {
		return t
	}
	ps.Add(field, "must be a day such as 2030-01-31 or a time such as 2030-01-31T15:04:05Z")
	return time.Time{}
}

// storable reports whether a time fits in the nanoseconds that times are kept
// in, with room for a day.
func storable(t time.Time) bool {
	return t.Year() > 1700 && t.Before(time.Unix(0, math.MaxInt64).AddDate(-1, 0, 0))
}

// apiHistory is a page of runs.
type apiHistory struct {
	Items []store.RunRow `json:"items"`
	Next  string         `json:"next,omitempty" doc:"cursor of the next page; absent on the last. A page may hold fewer runs than asked for, or none, and still have a next"`
	Total int            `json:"total" doc:"runs that the filter picks, as far as they were counted: up to 10000, and fewer where several conditions or a short text must be looked for in a long history"`
	More  bool           `json:"more,omitempty" doc:"there are, or may be, more runs than total"`
}

func (s *Server) apiHistory(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	f, err := filterOf(q)
	if err != nil {
		return err
	}
	p, err := s.Store.ListRuns(r.Context(), f, q.Get("cursor"), number(q, "limit", 50))
	if problem.CodeOf(err) == problem.Invalid {
		return problem.Field("cursor", err.Error())
	}
	if err != nil {
		return err
	}
	if err := s.Lab.Badges(r.Context(), p.Runs); err != nil {
		return err
	}
	return reply(w, http.StatusOK, apiHistory{p.Runs, p.Next, p.Total, p.More})
}

func (s *Server) apiUnits(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	list, next, err := s.Store.UnitPage(r.Context(), q.Get("device"), q.Get("cursor"), number(q, "limit", 1000))
	if problem.CodeOf(err) == problem.Invalid {
		return problem.Field("cursor", err.Error())
	}
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, apiList[store.UnitRow]{list, next})
}

func (s *Server) apiLots(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.Lots(r.Context(), r.URL.Query().Get("device"))
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiOverview(w http.ResponseWriter, r *http.Request) error {
	o, err := s.Store.GetOverview(r.Context(), 10)
	if err != nil {
		return err
	}
	if err := s.Lab.Badges(r.Context(), o.Last); err != nil {
		return err
	}
	return reply(w, http.StatusOK, o)
}
