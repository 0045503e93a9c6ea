package routes

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/liverun"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

const (
	homeRuns = 8
)

func (s *Server) homePage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.home(r.Context())
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.Home(p))
}

const (
	homeTopic = "home"
	homeEvery = 500 * time.Millisecond
)

// homeLive is the WebSocket of the first page: it keeps the run at work and
// the demonstration lot up to date.
func (s *Server) homeLive(w http.ResponseWriter, r *http.Request) error {
	type seen struct {
		bench web.BenchBrief
		work  web.HomeProps
	}
	watched(s, w, r, homeTopic, homeEvery, func(ctx context.Context) (now seen, _ error) {
		s.goingOn(s.bench(ctx), &now.work)
		now.bench = s.brief(ctx)
		return now, nil
	}, func(now seen) map[string]templ.Component {
		parts := web.BenchParts(now.bench)
		parts[web.PartHomeWork] = web.HomeWork(now.work)
		return parts
	})
	return nil
}

// goingOn returns the run at work and the progress of the demonstration lot.
func (s *Server) goingOn(b *lab.Bench, p *web.HomeProps) {
	s.atWork(b, p)
	if done, total := s.preparing(); done < total {
		p.Demo = &web.DemoProgress{Lot: s.PreparingLot, Done: done, Total: total, Href: "/compare?lot=" + url.QueryEscape(s.PreparingLot)}
	}
}

func (s *Server) home(ctx context.Context) (web.HomeProps, error) {
	p := web.HomeProps{Page: s.frame(ctx, "Today", "/"), OfferSeat: s.bench(ctx).Rehearse != nil}
	p.CanStart = personOf(ctx).Role >= store.Operator
	p.Start = web.Form{ID: "start", Values: url.Values{"seat": {"1"}}}
	last, err := s.Store.LastRuns(ctx, homeRuns)
	if err != nil {
		return p, err
	}
	if p.Last, err = s.runRows(ctx, last); err != nil {
		return p, err
	}
	for i := range last {
		p.Page.Rehearsal = p.Page.Rehearsal || last[i].Rehearsal
	}
	if p.Lots, p.MoreLots, err = s.lotRows(ctx); err != nil {
		return p, err
	}
	if err := s.startOptions(ctx, &p); err != nil {
		return p, err
	}
	p.Busy = s.bench(ctx).WhyBusy(personOf(ctx))
	s.goingOn(s.bench(ctx), &p)
	if p.Check, p.CheckWords, err = s.lastCheck(ctx); err != nil {
		return p, err
	}
	p.Page.Live = "/live"
	p.Newcomer = len(last) == 0 || p.Demo != nil
	return p, nil
}

func (s *Server) preparing() (done, total int) {
	if s.Preparing == nil {
		return 0, 0
	}
	return s.Preparing()
}

// startOptions lists the procedures, under their devices.
func (s *Server) startOptions(ctx context.Context, p *web.HomeProps) error {
	procs, err := s.Store.ProcedureHeads(ctx)
	for _, q := range procs {
		p.Procedures = append(p.Procedures, web.Option{Value: q.Key, Label: q.Name, Group: q.DeviceName})
	}
	return err
}

// optionsOf converts devices into options of a select.
func optionsOf(devices []store.DeviceHead) (out []web.Option) {
	for _, d := range devices {
		out = append(out, web.Option{Value: d.Key, Label: d.Name})
	}
	return out
}

// atWork returns the run at work as the first page shows it.
func (s *Server) atWork(b *lab.Bench, p *web.HomeProps) {
	now, known := s.Runs.Snapshot(b.Station.Snapshot().Run, liverun.NoPicture)
	if !known || now.Record.Manual {
		return
	}
	rec := &now.Record
	p.Running = &web.RunRow{
		ID: rec.ID, Device: rec.Device.Name, Procedure: rec.Procedure.Name, Unit: rec.Unit.Serial, Lot: rec.Unit.Lot,
		Operator: rec.Operator, Status: rec.Status, Started: rec.Started, Rehearsal: rec.Rehearsal,
	}
	p.Progress, p.Of = runPropsOf(now).Progress, enabled(&rec.Procedure)
}

func enabled(p *procedure.Procedure) int {
	n := 0
	for i := range p.Measurements {
		if !p.Measurements[i].Disabled {
			n++
		}
	}
	return n
}

// runRows converts stored runs into rows of a list, with what stands behind each.
func (s *Server) runRows(ctx context.Context, runs []store.RunRow) ([]web.RunRow, error) {
	if err := s.Lab.Badges(ctx, runs); err != nil {
		return nil, err
	}
	var out []web.RunRow
	for i := range runs {
		out = append(out, s.runRow(&runs[i]))
	}
	return out, nil
}

// runRow converts a stored run into a row of a list.
func (s *Server) runRow(r *store.RunRow) web.RunRow {
	row := web.RunRow{
		ID: r.ID, Device: r.DeviceName, Procedure: r.ProcedureName, Unit: r.Unit.Serial, Lot: r.Unit.Lot,
		Operator: r.Operator, Outcome: r.Outcome, Status: r.Status, Started: r.Started, Took: s.took(r.Started, r.Ended),
		Readings: r.Readings, Note: r.Note, Rehearsal: r.Rehearsal, Badge: r.Badge,
	}
	if r.Manual {
		row.Procedure = ""
	}
	return row
}

// homeLots is the number of lots on the first page.
const homeLots = 12

// lotRows are the newest lots, in the order of their names, and whether there
// are more.
func (s *Server) lotRows(ctx context.Context) (out []web.LotRow, more bool, err error) {
	lots, err := s.Store.NewestLots(ctx, homeLots+1)
	if more = len(lots) > homeLots; more {
		lots = lots[:homeLots]
	}
	for _, l := range lots {
		out = append(out, web.LotRow{Lot: l.Lot, Href: "/compare?lot=" + url.QueryEscape(l.Lot), Device: l.DeviceName, Units: l.Units, Passed: l.Passed})
	}
	slices.SortFunc(out, func(a, b web.LotRow) int { return strings.Compare(a.Lot, b.Lot) })
	return out, more, err
}

// startForm handles the form that starts a run, and goes to the run's page. A
// refused entry comes back with what was typed.
func (s *Server) startForm(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	q := lab.StartRequest{
		Procedure: f.Get("procedure"), Serial: f.Get("serial"), Lot: f.Get("lot"), Note: f.Get("note"),
		Seat: f.Get("seat") == "1", Acknowledge: f["acknowledge"], Confirm: f["confirm"],
	}
	if q.Procedure != "" {
		p, err := s.Store.GetProcedure(r.Context(), q.Procedure, 0)
		if err == nil {
			q.Device = p.Body.Device
		} else if problem.CodeOf(err) != problem.NotFound {
			return err
		}
	}
	id, err := s.Lab.Start(r.Context(), s.bench(r.Context()), personOf(r.Context()), q)
	if err == nil {
		return seeOther(w, r, "/runs/"+id)
	}
	p := s.classify(r.Context(), err)
	if len(p.Findings) > 0 {
		return s.askToAcknowledge(w, r, p)
	}
	if p.unconfirmed != nil {
		return s.askToConfirm(w, r, p, "Start the run")
	}
	home, err := s.home(r.Context())
	if err != nil {
		return err
	}
	home.Start = formOf("start", f, p, map[string]string{"device": "procedure"})
	return show(r.Context(), w, p.Status, web.Home(home))
}

// formOf returns a submitted form with its problems beside the fields. rename
// maps a problem's field to the form's; a problem with no field of the form
// goes to the top.
func formOf(id string, values url.Values, p *Problem, rename map[string]string) web.Form {
	form := web.Form{ID: id, Values: values, Errors: map[string]string{}}
	for _, f := range p.Fields {
		name := f.Field
		if to, ok := rename[name]; ok {
			name = to
		}
		if _, onForm := values[rowOf(name)]; !onForm {
			form.Errors[""] = joinText(form.Errors[""], f.Field+": "+f.Message)
			continue
		}
		form.Errors[name] = joinText(form.Errors[name], f.Message)
	}
	if len(p.Fields) == 0 {
		form.Errors[""] = p.Detail
	}
	return form
}

// rowOf returns the name of a repeated field without its row number: "level"
// for "level-2".
func rowOf(name string) string {
	if i := strings.LastIndexByte(name, '-'); i > 0 {
		if _, err := strconv.Atoi(name[i+1:]); err == nil {
			return name[:i]
		}
	}
	return name
}

// sorted sorts options by group, then by label.
func sorted(options []web.Option) []web.Option {
	slices.SortStableFunc(options, func(a, b web.Option) int {
		return cmp.Or(strings.Compare(a.Group, b.Group), strings.Compare(a.Label, b.Label))
	})
	return options
}

func joinText(a, b string) string {
	if a == "" || a == b {
		return b
	}
	return a + "; " + b
}

// problemsOf returns the fields that an error names as being at fault.
func problemsOf(err error, s *Server) dut.Problems { return classify(err, s.Log).Fields }
