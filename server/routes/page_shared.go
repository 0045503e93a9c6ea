package routes

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/derive"
	"ohmkeep/server/liverun"
	"ohmkeep/server/problem"
	"ohmkeep/server/turn"
	"ohmkeep/store"
	"ohmkeep/web"
)

// sharedPages are what a share link opens, without signing in.
func (s *Server) sharedPages() []route {
	return []route{
		{"GET", "/s/{token}", store.Nobody, page, s.shared(s.sharedPage)},
		{"GET", "/s/{token}/wide.csv", store.Nobody, report, s.shared(s.sharedWide)},
		{"GET", "/s/{token}/live", store.Nobody, control, s.shared(s.sharedLive)},
		{"GET", "/s/{token}/results.csv", store.Nobody, report, s.shared(s.ofSharedRun(s.csvResults))},
		{"GET", "/s/{token}/budgets.csv", store.Nobody, report, s.shared(s.ofSharedRun(s.csvBudgets))},
		{"GET", "/s/{token}/readings.csv", store.Nobody, report, s.shared(s.ofSharedRun(s.csvReadings))},
	}
}

type shareKey struct{}

// shareOf returns the share link that a request was made with.
func shareOf(ctx context.Context) store.Share {
	x, _ := ctx.Value(shareKey{}).(store.Share)
	return x
}

// shared wraps a handler for those who have a share link: what it opens is
// registered, and ends when the link is revoked.
func (s *Server) shared(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		ctx, leave, x, err := s.People.ShareOf(r.Context(), chi.URLParam(r, "token"))
		defer leave()
		if problem.CodeOf(err) == problem.Denied {
			return problem.New(problem.NotFound, "This link has expired, was revoked, or never was one. Ask whoever gave it to you for a new one.")
		}
		if err != nil {
			return err
		}
		r = r.WithContext(context.WithValue(ctx, shareKey{}, x))
		defer cutWhenTakenBack(w, r)()
		return gone(r.Context(), handle(w, r))
	}
}

// notOfThisLink is the answer of an address below a link that shows something
// else.
func notOfThisLink() error { return problem.NoSuch("page at this address") }

// ofSharedRun wraps a handler of a run's file for a link to that run.
func (s *Server) ofSharedRun(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		x := shareOf(r.Context())
		if x.Kind != store.RunShare {
			return notOfThisLink()
		}
		chi.RouteContext(r.Context()).URLParams.Add("id", x.Subject)
		return handle(w, r)
	}
}

func (s *Server) sharedPage(w http.ResponseWriter, r *http.Request) error {
	x := shareOf(r.Context())
	switch x.Kind {
	case store.RunShare:
		return s.sharedRunPage(w, r, x.Subject)
	case store.LotShare, store.ComparisonShare:
		return s.sharedLot(w, r, &x)
	case store.DeviceShare:
		return s.sharedDevice(w, r, &x)
	}
	return notOfThisLink()
}

// sharedDevice shows a device, without the ways that lead elsewhere.
func (s *Server) sharedDevice(w http.ResponseWriter, r *http.Request, x *store.Share) error {
	p, err := s.deviceProps(r.Context(), x.Subject)
	if err != nil {
		return err
	}
	p.Shared, p.CanEdit = true, false
	p.Page = web.Page{Title: p.Device.Name, Public: true, Rehearsal: p.Page.Rehearsal}
	return show(r.Context(), w, http.StatusOK, web.Device(p))
}

// sharedLot shows a lot, or one result over its units. What it reads grows with
// the lot, so it waits for its turn as a report.
func (s *Server) sharedLot(w http.ResponseWriter, r *http.Request, x *store.Share) error {
	base := "/s/" + chi.URLParam(r, "token")
	p := web.LotProps{Page: web.Page{Title: "Lot " + x.Subject, Public: true}, Lot: x.Subject, Outcome: map[derive.Outcome]int{}, Shared: true}
	err := turn.Do(store.From(r.Context(), store.Reports), func(ctx context.Context) error {
		return s.fillLot(ctx, &p, base, r.URL.Query())
	})
	if err != nil {
		return err
	}
	if x.Kind == store.LotShare {
		p.WideCSV = base + "/wide.csv"
		return show(r.Context(), w, http.StatusOK, web.Lot(p))
	}
	i := slices.IndexFunc(p.Stats, func(st web.LotStat) bool { return resultKey(&st) == x.Detail })
	if i < 0 {
		return problem.New(problem.NotFound, "The units of this lot have no such result any more.")
	}
	one := p.Stats[i : i+1]
	p.Stats, p.Rows, p.Earlier, p.Later, p.Plot = one, nil, "", "", nil
	pickStat(&p, base, "0")
	return show(r.Context(), w, http.StatusOK, web.Lot(p))
}

// resultKey names a result of a lot in a link: its number on the page changes
// when units with other results join the lot.
func resultKey(st *web.LotStat) string {
	var parts []string
	for _, part := range []string{st.Measurement, st.Name, st.Where, st.Pin} {
		if part != "" {
			parts = append(parts, part)
		}
	}
	return strings.Join(parts, " · ")
}

// sharedWide answers with the wide table of a shared lot.
func (s *Server) sharedWide(w http.ResponseWriter, r *http.Request) error {
	x := shareOf(r.Context())
	if x.Kind != store.LotShare {
		return notOfThisLink()
	}
	own := *r.URL
	own.RawQuery = url.Values{"lot": {x.Subject}}.Encode()
	r.URL = &own // the link's lot, whatever was asked for
	return s.csvWide(w, r)
}

func (s *Server) sharedLive(w http.ResponseWriter, r *http.Request) error {
	x := shareOf(r.Context())
	if x.Kind != store.RunShare {
		return notOfThisLink()
	}
	s.stream(w, r, liverun.SharedTopic(x.Subject))
	return nil
}
