package routes

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/a-h/templ"
	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/standing"
	"ohmkeep/store"
	"ohmkeep/web"
)

// The bench's check of itself, page by page.

func (s *Server) benchCheckPages() []route {
	return []route{
		{"GET", "/bench/check", store.Viewer, page, s.benchCheckPage},
		{"GET", "/bench/check/live", store.Viewer, control, s.benchCheckLive},
		{"POST", "/bench/check", store.Operator, page, s.benchCheckForm},
		{"POST", "/bench/check/stop", store.Operator, control, s.benchCheckStopForm},
		{"POST", "/bench/check/end", store.Operator, page, s.benchCheckEndForm},
		{"POST", "/bench/check/seat-back", store.Operator, page, s.benchCheckSeatBackForm},
		{"GET", "/bench/checks", store.Viewer, page, s.benchChecksPage},
		{"GET", "/bench/checks/{id}", store.Viewer, page, s.benchCheckRecordPage},
	}
}

const (
	benchCheckTopic = "bench-check"
	benchCheckEvery = 300 * time.Millisecond
	newestChecks    = 5
	checksOfPage    = 50
)

func (s *Server) benchCheckPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.benchCheckProps(r.Context())
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.BenchCheckPage(p))
}

func (s *Server) benchCheckProps(ctx context.Context) (web.BenchCheckProps, error) {
	b := s.bench(ctx)
	p := web.BenchCheckProps{Page: s.frame(ctx, "Bench check", "/bench"), CanUse: personOf(ctx).Role >= store.Operator, Form: web.Form{ID: "bench-check"}}
	p.Page.Rehearsal = b.Identity().Rehearsal
	p.Page.Live, p.Page.Seq = "/bench/check/live", s.Hub.Open(benchCheckTopic).Seq()
	var err error
	p.Now, err = s.benchCheckView(ctx, b)
	return p, err
}

// checkRow is a stored check as pages show it; nil for nil.
func checkRow(c *store.BenchCheck, benchName string) *web.BenchCheckRow {
	if c == nil {
		return nil
	}
	return &web.BenchCheckRow{ID: c.ID, Bench: benchName, Verdict: c.Verdict, By: c.By, Began: c.Began.Local(), At: c.At.Local(), Ended: localOrZero(c.Ended),
		Damaged: c.Damaged, Record: c.Record}
}

func localOrZero(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.Local()
}

// benchCheckView gathers how the check of the bench stands, the same for all who
// look at it.
func (s *Server) benchCheckView(ctx context.Context, b *lab.Bench) (web.BenchCheckNow, error) {
	now, _ := b.BenchCheck()
	def := b.Definition
	out := web.BenchCheckNow{Running: now.Running, Done: now.Done, Of: now.Of, Broken: now.Broken, Err: now.Err, Refused: now.Refused, Turn: now.Turn,
		Seats: b.Rehearse != nil, Def: &def}
	open, err := s.Lab.OpenCheck(ctx, b)
	if err != nil {
		return out, err
	}
	out.Open = open != nil
	list, _, err := s.Store.ListChecks(ctx, def.Key, "", newestChecks)
	if err != nil {
		return out, err
	}
	for i := range list {
		out.Newest = append(out.Newest, *checkRow(&list[i], def.Name))
	}
	if len(list) > 0 && list[0].Damaged == "" && (out.Open || s.Now().Sub(list[0].At) < lab.CheckStaysOpen) {
		out.Check = out.Newest[0]
	}
	if b.Rehearse == nil {
		return out, nil
	}
	seated, err := s.Lab.Seated(ctx, b)
	if err != nil {
		return out, err
	}
	if out.Seated = lab.NothingSeated; seated != nil {
		out.Seated = seated.Model
	}
	before, err := s.Lab.TakenOut(ctx, b)
	if before != nil {
		out.Back = s.seatedWords(ctx, &bench.Seating{Device: before.Device, Model: before.Model, Serial: before.Serial})
	}
	return out, err
}

func (s *Server) benchCheckForm(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	q := lab.CheckRequest{Seat: f.Get("seat") != "", Confirm: f["confirm"]}
	for _, step := range strings.Fields(f.Get("steps")) {
		q.Steps = append(q.Steps, check.Step(step))
	}
	err := s.Lab.CheckBench(r.Context(), s.bench(r.Context()), personOf(r.Context()), q)
	if err == nil {
		return seeOther(w, r, "/bench/check#"+web.StageOf(q.Steps[0]))
	}
	e := s.classify(r.Context(), err)
	if e.unconfirmed != nil {
		return s.askToConfirm(w, r, e, "Start the step")
	}
	return s.benchCheckRefused(w, r, e)
}

// benchCheckRefused shows the page with what was refused.
func (s *Server) benchCheckRefused(w http.ResponseWriter, r *http.Request, e *Problem) error {
	p, err := s.benchCheckProps(r.Context())
	if err != nil {
		return err
	}
	p.Form = formOf("bench-check", url.Values{}, e, map[string]string{"step": ""})
	return show(r.Context(), w, e.Status, web.BenchCheckPage(p))
}

func (s *Server) benchCheckStopForm(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.StopBenchCheck(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	return seeOther(w, r, "/bench/check")
}

func (s *Server) benchCheckEndForm(w http.ResponseWriter, r *http.Request) error {
	ended, err := s.Lab.EndBenchCheck(r.Context(), s.bench(r.Context()), personOf(r.Context()))
	if err != nil {
		return s.benchCheckRefused(w, r, s.classify(r.Context(), err))
	}
	return seeOther(w, r, "/bench/checks/"+ended.ID)
}

func (s *Server) benchCheckSeatBackForm(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.SeatBack(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return s.benchCheckRefused(w, r, s.classify(r.Context(), err))
	}
	return seeOther(w, r, "/bench/check")
}

// benchCheckLive is the WebSocket that shows a step at work and what it found.
func (s *Server) benchCheckLive(w http.ResponseWriter, r *http.Request) error {
	type seen struct {
		bench web.BenchBrief
		check web.BenchCheckNow
	}
	watched(s, w, r, benchCheckTopic, benchCheckEvery, func(ctx context.Context) (seen, error) {
		n, err := s.benchCheckView(ctx, s.bench(ctx))
		return seen{s.brief(ctx), n}, err
	}, func(now seen) map[string]templ.Component {
		parts, n := web.BenchParts(now.bench), now.check
		parts[web.PartBenchCheckHead], parts[web.PartBenchCheckButtons] = web.BenchCheckHead(n), web.BenchCheckButtons(n)
		parts[web.PartBenchCheckList] = web.BenchCheckList(n)
		for _, g := range web.CheckStages() {
			parts[web.PartCheckStage(g)] = web.CheckStageForm(g, n)
			for _, info := range g.Steps {
				parts[web.PartCheckStep(info.Step)] = web.CheckStepPart(info, n)
			}
		}
		return parts
	})
	return nil
}

func (s *Server) benchChecksPage(w http.ResponseWriter, r *http.Request) error {
	b := s.bench(r.Context())
	list, next, err := s.Store.ListChecks(r.Context(), b.Definition.Key, r.URL.Query().Get("after"), checksOfPage)
	if err != nil {
		return err
	}
	p := web.BenchChecksProps{Page: s.frame(r.Context(), "Checks of the bench", "/bench"), Bench: b.Definition.Name}
	p.Page.Rehearsal = b.Identity().Rehearsal
	for i := range list {
		p.Rows = append(p.Rows, *checkRow(&list[i], p.Bench))
	}
	if next != "" {
		p.Next = "/bench/checks?after=" + url.QueryEscape(next)
	}
	return show(r.Context(), w, http.StatusOK, web.BenchChecks(p))
}

func (s *Server) benchCheckRecordPage(w http.ResponseWriter, r *http.Request) error {
	c, err := s.Store.GetCheck(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	def, err := s.definitionAt(r.Context(), c.Bench, c.Began)
	if err != nil {
		return err
	}
	p := web.BenchCheckRecordProps{Page: s.frame(r.Context(), "Bench check", "/bench"), Check: *checkRow(c, def.Name), Def: def}
	p.Page.Rehearsal = c.Record.Identity.Rehearsal
	if p.Doubt, err = s.inDoubt(r.Context(), c, r.URL.Query().Get("cursor")); err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.BenchCheckRecord(p))
}

// inDoubt is a page of the runs that a check puts in doubt; nil where it found no
// fault.
func (s *Server) inDoubt(ctx context.Context, c *store.BenchCheck, cursor string) (*web.InDoubt, error) {
	from, to, some, err := s.Lab.InDoubt(ctx, c)
	if err != nil || !some {
		return nil, err
	}
	list, err := s.Store.ListRuns(ctx, store.Filter{Bench: c.Bench, From: from, To: to}, cursor, runsPerPage)
	if err != nil {
		return nil, err
	}
	d := &web.InDoubt{Since: from, Total: list.Total, More: list.More, CanRun: personOf(ctx).Role >= store.Operator && s.bench(ctx).Definition.Key == c.Bench}
	behind := s.Lab.Standings()
	for i := range list.Runs {
		st, err := behind.Of(ctx, &list.Runs[i])
		if err != nil {
			return nil, err
		}
		d.Runs = append(d.Runs, web.DoubtRow{RunRow: s.runRow(&list.Runs[i]), Standing: st})
	}
	address := "/bench/checks/" + c.ID
	if list.Next != "" {
		d.Next = address + "?cursor=" + url.QueryEscape(list.Next) + "#in-doubt"
	}
	if cursor != "" {
		d.First = address + "#in-doubt"
	}
	return d, nil
}

// definitionAt is the description of a bench as it was at a time: its newest
// revision from before, or its first.
func (s *Server) definitionAt(ctx context.Context, key string, at time.Time) (*bench.Definition, error) {
	if b := s.bench(ctx); key == b.Definition.Key && key == lab.RehearsalKey {
		return &b.Definition, nil // part of the program, described anew at each start
	}
	revisions, err := s.Store.BenchRevisions(ctx, key)
	if err != nil && problem.CodeOf(err) != problem.NotFound {
		return nil, err
	}
	rev := 0
	for _, r := range revisions { // newest first
		if rev = r.Rev; !r.At.After(at) {
			break
		}
	}
	stored, err := s.storedBenchAt(ctx, key, rev)
	if err != nil {
		return nil, err
	}
	return &stored.Body, nil
}

func (s *Server) storedBenchAt(ctx context.Context, key string, rev int) (*store.Revised[bench.Definition], error) {
	if rev == 0 {
		return s.storedBench(ctx, key)
	}
	return s.Store.GetBench(ctx, key, rev)
}

// checkBrief says in a few words that a check of the bench in use is due, or has
// found a fault; "" where neither is so.
func (s *Server) checkBrief(ctx context.Context) string {
	switch next, err := s.Lab.Next(ctx, s.bench(ctx)); {
	case err != nil:
		s.fault(ctx, "what stands behind a run is not known", err)
		return "bench check not known"
	case next.Badge == standing.Doubtful:
		return "the bench check found a fault"
	case next.Badge == standing.Due:
		return "bench check due"
	}
	return ""
}

// dueWords say when the last good check of the bench in use was, and what would
// stand behind a run that began now.
func (s *Server) dueWords(ctx context.Context) (string, error) {
	good, err := s.Lab.LastGood(ctx, s.bench(ctx))
	if err != nil {
		return "", err
	}
	next, err := s.Lab.Next(ctx, s.bench(ctx))
	if err != nil {
		return "", err
	}
	words := "No whole check of this bench was good yet."
	if !good.IsZero() {
		words = "The last whole check that was good ended " + web.AgoWords(s.Now(), good) + "."
	}
	if next.Badge != standing.Checked {
		words += " A run that began now would be “" + string(next.Badge) + "”: " + next.Said
	}
	return words, nil
}

// lastCheck is the last check of the bench in use, and what is said of it in a
// line.
func (s *Server) lastCheck(ctx context.Context) (*web.BenchCheckRow, string, error) {
	b := s.bench(ctx)
	c, err := s.Lab.LastCheck(ctx, b.Definition.Key)
	if err != nil {
		return nil, "", err
	}
	row := checkRow(c, b.Definition.Name)
	return row, web.CheckLine(row, s.Now()), nil
}
