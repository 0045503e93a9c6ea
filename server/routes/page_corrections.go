package routes

import (
	"context"
	"net/http"
	"net/url"

	"ohmkeep/server/check"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

// Corrections of the bench in use, as a page.

func (s *Server) correctionsPages() []route {
	return []route{
		{"GET", "/bench/corrections", store.Viewer, page, s.correctionsPage},
		{"POST", "/bench/corrections", store.Operator, page, s.correctionsForm},
	}
}

// newestCorrections is how many decisions are listed.
const newestCorrections = 50

func (s *Server) correctionsPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.correctionsProps(r.Context(), number(r.URL.Query(), "revision", 0))
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.Corrections(p))
}

// correctionsProps gathers the page; shown is the revision whose paths it lists, 0
// for those in use.
func (s *Server) correctionsProps(ctx context.Context, shown int) (web.CorrectionsProps, error) {
	b := s.bench(ctx)
	p := web.CorrectionsProps{Page: s.frame(ctx, "Corrections", "/bench"), Def: &b.Definition, CanUse: personOf(ctx).Role >= store.Operator, Now: s.Now(), Form: web.Form{ID: "corrections"}}
	p.Page.Rehearsal = b.Identity().Rehearsal
	last, unused, err := s.Lab.CorrectionsInUse(ctx, b)
	if err != nil {
		return p, err
	}
	if p.Unused = unused; last != nil {
		if p.Newest = last.Revision; unused == "" {
			p.InUse, p.Shown = last.Body, last.Body
		}
	}
	list, err := s.Store.ListCorrections(ctx, b.Definition.Key, newestCorrections)
	if err != nil {
		return p, err
	}
	for i := range list {
		c := &list[i]
		p.Rows = append(p.Rows, web.CorrectionsRow{Revision: c.Revision, At: c.At, By: c.By, Why: c.Why, What: web.CorrectionsWhat(c.Body, c.Damaged != ""),
			Again: c.Body != nil && (p.InUse == nil || c.Revision != p.InUse.Revision)})
		if c.Revision == shown {
			p.Shown = c.Body
		}
	}
	return p, s.proposeOn(ctx, b, &p)
}

// proposeOn puts what the newest check that measured the paths would correct on the
// page.
func (s *Server) proposeOn(ctx context.Context, b *lab.Bench, p *web.CorrectionsProps) error {
	list, _, err := s.Store.ListChecks(ctx, b.Definition.Key, "", newestChecks)
	if err != nil {
		return err
	}
	for i := range list {
		c := &list[i]
		if c.Damaged != "" || c.Record.Result(check.Empty) == nil {
			continue
		}
		p.Check = checkRow(c, b.Definition.Name)
		p.Proposal, err = s.Lab.ProposeCorrections(ctx, b, c.ID)
		if problem.CodeOf(err) == problem.Conflict {
			p.NoWhy, err = problem.Of(err).Message, nil
		}
		return err
	}
	return nil
}

func (s *Server) correctionsForm(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	q := lab.CorrectionsChange{Check: f.Get("check"), Again: number(f, "again", 0), None: f.Get("none") != "", Expected: number(f, "expected", 0), Why: f.Get("why")}
	if _, err := s.Lab.ChangeCorrections(r.Context(), s.bench(r.Context()), personOf(r.Context()), q); err != nil {
		e := classify(err, s.Log)
		p, err := s.correctionsProps(r.Context(), 0)
		if err != nil {
			return err
		}
		p.Form = formOf("corrections", url.Values{"why": {q.Why}}, e, map[string]string{"why": "why"})
		return show(r.Context(), w, e.Status, web.Corrections(p))
	}
	return seeOther(w, r, "/bench/corrections")
}
