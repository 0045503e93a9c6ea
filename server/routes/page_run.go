package routes

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/edge"
	"ohmkeep/server/lab"
	"ohmkeep/server/liverun"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

// chosen returns the index of the measurement that a page's address asks for,
// or -1.
func chosen(r *http.Request) int {
	m, err := strconv.Atoi(r.URL.Query().Get("m"))
	if err != nil || m < 0 {
		return -1
	}
	return m
}

// runPage is the page of a run at work and of one that has ended: the address
// stays the same.
func (s *Server) runPage(w http.ResponseWriter, r *http.Request) error {
	id := chi.URLParam(r, "id")
	if asksForBudgets(r) {
		err := s.budgetsPage(w, r, id, "/runs/"+id, func(rec *procedure.Record) web.Page {
			p := s.frame(r.Context(), "Uncertainty: "+runTitle(rec), "/runs")
			p.Rehearsal = rec.Rehearsal
			return p
		})
		return s.orDamaged(w, r, id, err)
	}
	p, err := s.runProps(r.Context(), id, chosen(r))
	if err == nil {
		err = s.withBudgets(r, &p)
	}
	if err != nil {
		return s.orDamaged(w, r, id, err)
	}
	return show(r.Context(), w, http.StatusOK, web.Run(p))
}

// orDamaged answers a page about a run that could not be made: where that is because
// the run is damaged, with what is whole of it.
func (s *Server) orDamaged(w http.ResponseWriter, r *http.Request, id string, err error) error {
	if problem.CodeOf(err) != problem.Corrupt {
		return err
	}
	return s.damagedRunPage(w, r, id, web.DamagedRunProps{Page: s.frame(r.Context(), "A damaged run", "/runs"), Base: "/runs/" + id})
}

func (s *Server) runProps(ctx context.Context, id string, m int) (web.RunProps, error) {
	p, seq, err := s.view(ctx, id, m)
	if err != nil {
		return p, err
	}
	who := personOf(ctx)
	p.Page = s.frame(ctx, runTitle(&p.Record), "/runs")
	p.Page.Rehearsal = p.Record.Rehearsal
	if seq != 0 {
		p.Page.Live, p.Page.Seq = p.Base+"/live", seq
	}
	if p.Traffic, err = s.Store.HasTraffic(ctx, id); err != nil {
		return p, err
	}
	p.CanEdit, p.CanDelete = who.Role >= store.Operator, who.Role >= store.Owner
	p.NoteForm = web.Form{ID: "note", Values: url.Values{"note": {p.Record.Note}}}
	p.ShareForm = web.Form{ID: "share", Values: url.Values{"days": {"30"}}}
	if p.CanEdit {
		err = s.showShares(ctx, &p)
	}
	return p, err
}

// damagedRunPage shows what is whole of a run whose page cannot be shown, and what
// is damaged.
func (s *Server) damagedRunPage(w http.ResponseWriter, r *http.Request, id string, p web.DamagedRunProps) error {
	rec, lost, err := s.Store.WholeRun(r.Context(), id)
	if err != nil {
		return err
	}
	if len(lost) == 0 { // its head is whole: its results, or an index that leads to them
		lost = []string{"its results, or what leads to them in the file"}
	}
	p.Record, p.Damaged, p.Page.Rehearsal = *rec, lost, rec.Rehearsal
	return show(r.Context(), w, http.StatusOK, web.DamagedRun(p))
}

func runTitle(rec *procedure.Record) string {
	t := rec.Device.Name
	if rec.Unit.Serial != "" {
		t += ", unit " + rec.Unit.Serial
	}
	return t
}

func (s *Server) showShares(ctx context.Context, p *web.RunProps) error {
	links, err := s.Lab.Shares(ctx, p.Record.ID)
	if err != nil {
		return err
	}
	for _, l := range links {
		if l.Revoked.IsZero() && (l.Expires.IsZero() || l.Expires.After(s.Now())) {
			p.Shares = append(p.Shares, web.Share{ID: strconv.FormatInt(l.ID, 10), Href: s.Lab.SharedAt(l.ID), Created: l.Created, Expires: l.Expires})
		}
	}
	return nil
}

// runLive is the WebSocket of a run page.
func (s *Server) runLive(w http.ResponseWriter, r *http.Request) error {
	s.stream(w, r, liverun.Topic(chi.URLParam(r, "id")))
	return nil
}

func (s *Server) stopForm(w http.ResponseWriter, r *http.Request) error {
	id := chi.URLParam(r, "id")
	err := s.Lab.Stop(r.Context(), personOf(r.Context()), id)
	if p := asConflict(err, s); p != nil {
		return seeOther(w, r, "/runs/"+id) // it has ended already: that is what was wanted
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/runs/"+id)
}

func asConflict(err error, s *Server) *Problem {
	if err == nil {
		return nil
	}
	if p := classify(err, s.Log); p.Status == http.StatusConflict {
		return p
	}
	return nil
}

// edit wraps the handler of a small form on the run page: a refused entry
// comes back on that page.
func (s *Server) edit(w http.ResponseWriter, r *http.Request, act func(id string, f url.Values) error, refused func(*web.RunProps, url.Values, *Problem)) error {
	id := chi.URLParam(r, "id")
	err := act(id, r.PostForm)
	if err == nil {
		return seeOther(w, r, "/runs/"+id)
	}
	e := s.classify(r.Context(), err)
	p, err := s.runProps(r.Context(), id, -1)
	if err != nil {
		return err
	}
	refused(&p, r.PostForm, e)
	return show(r.Context(), w, e.Status, web.Run(p))
}

func (s *Server) noteForm(w http.ResponseWriter, r *http.Request) error {
	return s.edit(w, r, func(id string, f url.Values) error {
		return s.Lab.SetNote(r.Context(), personOf(r.Context()), id, strings.ReplaceAll(f.Get("note"), "\r\n", "\n"))
	}, func(p *web.RunProps, f url.Values, e *Problem) { p.NoteForm = formOf("note", f, e, nil) })
}

func (s *Server) rerunForm(w http.ResponseWriter, r *http.Request) error {
	id, err := s.Lab.Rerun(r.Context(), s.bench(r.Context()), personOf(r.Context()), chi.URLParam(r, "id"), r.PostForm["confirm"])
	if err != nil {
		if p := s.classify(r.Context(), err); p.unconfirmed != nil {
			return s.askToConfirm(w, r, p, "Start the run")
		}
		return err
	}
	return seeOther(w, r, "/runs/"+id)
}

// shareForm handles the form that makes a share link. Only its hash is stored:
// the page can show the link as long as this server runs, and never again
// after.
func (s *Server) shareForm(w http.ResponseWriter, r *http.Request) error {
	ctx, id := r.Context(), chi.URLParam(r, "id")
	days, err := daysOf(r.PostForm.Get("days"))
	var link lab.ShareLink
	if err == nil {
		link, err = s.Lab.Share(ctx, personOf(ctx), lab.ShareRequest{Kind: store.RunShare, Subject: id, Expires: days})
	}
	if err == nil {
		s.Lab.ShareSeen(link.ID, s.publicAddress(r)+link.Path)
		return seeOther(w, r, "/runs/"+id+"#share")
	}
	p, viewErr := s.runProps(ctx, id, -1)
	if viewErr != nil {
		return viewErr
	}
	e := s.classify(r.Context(), err)
	p.ShareForm = formOf("share", r.PostForm, e, nil)
	return show(ctx, w, e.Status, web.Run(p))
}

// publicAddress is the address that a link leads to: the server's own, so that
// whoever asks by another name does not put that name into a link.
func (s *Server) publicAddress(r *http.Request) string {
	if s.Public != "" {
		return s.Public
	}
	scheme := "http://"
	if edge.Secure(r) {
		scheme = "https://"
	}
	return scheme + r.Host
}

func daysOf(text string) (time.Duration, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return 0, nil
	}
	days, err := strconv.Atoi(text)
	if err != nil || days < 1 || days > int(lab.MaxShare/(24*time.Hour)) {
		return 0, problem.Field("days", "give whole days, 1 to 3650, or nothing for a link that stays")
	}
	return time.Duration(days) * 24 * time.Hour, nil
}

func (s *Server) revokeForm(w http.ResponseWriter, r *http.Request) error {
	return s.edit(w, r, func(id string, f url.Values) error {
		n, err := strconv.ParseInt(f.Get("id"), 10, 64)
		if err != nil {
			return problem.NoSuch("such share link")
		}
		return s.revokeRunShare(r, id, n)
	}, func(p *web.RunProps, f url.Values, e *Problem) { p.ShareForm = formOf("share", f, e, nil) })
}

func (s *Server) deleteForm(w http.ResponseWriter, r *http.Request) error {
	id := chi.URLParam(r, "id")
	if r.PostForm.Get("confirm") != "yes" {
		return problem.New(problem.Invalid, "Tick the box to confirm that the run and its readings are to be deleted for good.")
	}
	if err := s.Lab.DeleteRun(r.Context(), personOf(r.Context()), id); err != nil {
		return err
	}
	return seeOther(w, r, "/runs")
}

// revokeRunShare makes a link of a run void, and ends what is open with it.
func (s *Server) revokeRunShare(r *http.Request, id string, share int64) error {
	err := s.Lab.RevokeShare(r.Context(), personOf(r.Context()), id, share)
	if err == nil {
		s.People.Grants.TakenBack(r.Context())
	}
	return err
}

func (s *Server) sharedRunPage(w http.ResponseWriter, r *http.Request, id string) error {
	if asksForBudgets(r) {
		return s.budgetsPage(w, r, id, "/s/"+chi.URLParam(r, "token"), func(rec *procedure.Record) web.Page {
			return web.Page{Title: "Uncertainty: " + runTitle(rec), Public: true, Rehearsal: rec.Rehearsal}
		})
	}
	p, seq, err := s.view(r.Context(), id, chosen(r))
	if problem.CodeOf(err) == problem.Corrupt {
		return s.damagedRunPage(w, r, id, web.DamagedRunProps{Page: web.Page{Title: "A damaged run", Public: true}, Base: "/s/" + chi.URLParam(r, "token"), Shared: true})
	}
	if err != nil {
		return err
	}
	p.Shared, p.Base = true, "/s/"+chi.URLParam(r, "token")
	p.Page = web.Page{Title: runTitle(&p.Record), Public: true, Rehearsal: p.Record.Rehearsal}
	if seq != 0 {
		s.Runs.Share(id)
		p.Page.Live = p.Base + "/live" // from the start: its numbers are its own
	}
	if err := s.withBudgets(r, &p); err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.Run(p))
}
