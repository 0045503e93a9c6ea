package routes

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/store"
	"ohmkeep/web"
)

// eventsPerPage is the number of lines of the log on a page.
const eventsPerPage = 100

// eventParams are the fields of the log's filter, in addresses of pages and of
// the API.
var eventParams = []param{
	apidoc.Query("by", "Name of the person.", apidoc.Text(lab.MaxSerial)),
	apidoc.Query("action", "What was done, such as: delete run.", apidoc.Text(64)),
	apidoc.Query("subject", "What it was done with: the key of a document, the id of a run.", apidoc.Text(130)),
	apidoc.Query("q", "Text anywhere in the line.", apidoc.Text(200)),
	apidoc.Query("from", "At this time or on this day, or later: 2030-01-31 or 2030-01-31T15:04:05Z.", apidoc.Text(40)),
	apidoc.Query("to", "Before this time, or up to and on this day.", apidoc.Text(40)),
}

// eventFilterOf parses a filter of the log from a query, the same for the page,
// the file and the API. The cursor is the number of a line.
func eventFilterOf(q url.Values) (store.EventFilter, error) {
	f := store.EventFilter{By: strings.TrimSpace(q.Get("by")), Action: strings.TrimSpace(q.Get("action")),
		Subject: strings.TrimSpace(q.Get("subject")), Text: strings.TrimSpace(q.Get("q"))}
	var ps dut.Problems
	for i := range eventParams {
		if v := q.Get(eventParams[i].Name); v != "" {
			ps = append(ps, eventParams[i].Check(v)...)
		}
	}
	f.From, f.To = moment(&ps, "from", q.Get("from"), 0), moment(&ps, "to", q.Get("to"), 1)
	if text := q.Get("cursor"); text != "" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || n < 1 {
			ps.Add("cursor", "is not the number of a line")
		}
		f.Before = n
	}
	return f, ps.Err()
}

// eventsPage is the page of who did what.
func (s *Server) eventsPage(w http.ResponseWriter, r *http.Request) error {
	ctx, q := r.Context(), r.URL.Query()
	p := web.EventsProps{Page: s.frame(ctx, "Who did what", "/events"), Filter: web.Form{ID: "filter", Values: url.Values{}}}
	address := url.Values{}
	for i := range eventParams {
		name := eventParams[i].Name
		p.Filter.Values.Set(name, q.Get(name))
		if v := q.Get(name); v != "" {
			address.Set(name, v)
		}
	}
	p.CSV = "/events.csv?" + address.Encode()
	f, err := eventFilterOf(q)
	if err != nil {
		e := s.classify(r.Context(), err)
		p.Filter = formOf("filter", p.Filter.Values, e, nil)
		return show(ctx, w, e.Status, web.Events(p))
	}
	events, err := s.Store.FindEvents(ctx, f, eventsPerPage+1)
	if err != nil {
		return err
	}
	if f.Before > 0 {
		p.Newest = "/events?" + address.Encode()
	}
	if len(events) > eventsPerPage {
		events = events[:eventsPerPage]
		address.Set("cursor", strconv.FormatInt(events[eventsPerPage-1].ID, 10))
		p.Older = "/events?" + address.Encode()
	}
	for _, e := range events {
		p.Rows = append(p.Rows, web.EventRow{Number: strconv.FormatInt(e.ID, 10), At: e.At, By: e.By, Action: e.Action,
			Subject: e.Subject, Link: linkOf(kindOf(e.Action) + " " + e.Subject), Detail: e.Detail, Broken: e.Broken})
	}
	return show(ctx, w, http.StatusOK, web.Events(p))
}

// kindOf is the kind of thing that an action is about, where that has a page; a
// thing that was deleted has none.
func kindOf(action string) string {
	verb, kind, _ := strings.Cut(action, " ")
	switch {
	case verb == "delete":
		return ""
	case action == "note", action == "keep manual work":
		return "run"
	}
	return kind
}

// csvEvents answers with the lines of the log that the query's filter picks,
// newest first.
func (s *Server) csvEvents(w http.ResponseWriter, r *http.Request) error {
	f, err := eventFilterOf(r.URL.Query())
	if err != nil {
		return err
	}
	return s.csvAnswer(w, r, "ohmkeep-log-"+s.day(), func(b *csvBody) error {
		e := store.NewEventsCSV(b)
		if err := s.Store.EachEvent(r.Context(), f, e.Row); err != nil {
			return err
		}
		return e.Close()
	})
}
