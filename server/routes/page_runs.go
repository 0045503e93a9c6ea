package routes

import (
	"context"
	"net/http"
	"net/url"
	"strings"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

const runsPerPage = 50

// filterNames are the fields of the history's filter, as in its addresses.
var filterNames = []string{"device", "unit", "lot", "outcome", "status", "from", "to", "q"}

// runsPage is the page of the history of runs.
func (s *Server) runsPage(w http.ResponseWriter, r *http.Request) error {
	ctx, q := r.Context(), r.URL.Query()
	p := web.RunsProps{Page: s.frame(ctx, "Runs", "/runs"), Filter: web.Form{ID: "filter", Values: url.Values{}, Errors: map[string]string{}}}
	for _, name := range filterNames {
		p.Filter.Values.Set(name, q.Get(name))
	}
	devices, err := s.Store.DeviceHeads(ctx)
	if err != nil {
		return err
	}
	p.Devices = optionsOf(devices)
	status := http.StatusOK
	filter, err := filterOf(q)
	var list *store.Page
	if err == nil {
		list, err = s.Store.ListRuns(ctx, filter, q.Get("cursor"), runsPerPage)
	}
	if err != nil {
		e := s.classify(r.Context(), err)
		if e.Status >= 500 {
			return err
		}
		status = e.Status
		p.Filter = formOf("filter", p.Filter.Values, e, nil)
		return show(ctx, w, status, web.Runs(p))
	}
	if p.Rows, err = s.runRows(ctx, list.Runs); err != nil {
		return err
	}
	for i := range list.Runs {
		p.Page.Rehearsal = p.Page.Rehearsal || list.Runs[i].Rehearsal
	}
	p.Total, p.More = list.Total, list.More
	address := filterQuery(q)
	p.CSV, p.WideCSV = "/runs.csv?"+address.Encode(), "/runs/wide.csv?"+address.Encode()
	p.Bundle = "/runs.tar.gz?" + address.Encode()
	if list.Next != "" {
		older := filterQuery(q)
		older.Set("cursor", list.Next)
		p.Older = "/runs?" + older.Encode()
	}
	if q.Get("cursor") != "" {
		p.Newer = "/runs?" + address.Encode()
	}
	return show(ctx, w, status, web.Runs(p))
}

// filterQuery returns the filter as part of an address, without empty fields.
func filterQuery(q url.Values) url.Values {
	out := url.Values{}
	for _, name := range filterNames {
		if v := strings.TrimSpace(q.Get(name)); v != "" {
			out.Set(name, v)
		}
	}
	return out
}

// lastRuns returns the newest finished run of each unit of a lot, in the order
// in which the units were first run.
func (s *Server) lastRuns(ctx context.Context, lot string) ([]store.RunRow, error) {
	var out []store.RunRow
	seen := map[string]bool{}
	err := s.Store.EachRun(ctx, store.Filter{Lot: lot, Status: procedure.Done}, func(r *store.RunRow) error {
		key := r.Device + "\x00" + r.Unit.Serial
		if r.Status == procedure.Damaged { // of which unit it is, is not known
			key = r.ID
		}
		if !seen[key] {
			seen[key] = true
			out = append(out, *r)
		}
		return nil
	})
	for i, j := 0, len(out)-1; i < j; i, j = i+1, j-1 {
		out[i], out[j] = out[j], out[i]
	}
	return out, err
}
