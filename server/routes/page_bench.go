package routes

import (
	"context"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strconv"

	"ohmkeep/server/bench"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

// benchPage is the page of the bench's state, with the forms that seat and
// fault a rehearsal bench.
func (s *Server) benchPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.benchProps(r.Context())
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.Bench(p))
}

func (s *Server) benchProps(ctx context.Context) (web.BenchProps, error) {
	now, who := s.bench(ctx).Now(), personOf(ctx)
	p := web.BenchProps{
		Reason: now.Reason, HasCards: s.bench(ctx).Cards != nil, Health: s.bench(ctx).Health(),
		Page: s.frame(ctx, s.bench(ctx).Definition.Name, "/bench"), Def: s.bench(ctx).Definition, Identity: s.bench(ctx).Identity(), State: now.State,
		CanTakeOver: who.Role >= store.Owner, Asked: who.Session != "" && s.Lab.Control(s.bench(ctx)).Asker == who.Session,
		AtWork: s.bench(ctx).AtWork(), Holder: now.Holder, Mine: now.Session != "" && now.Session == who.Session, CanUse: who.Role >= store.Operator,
		Seat: web.Form{ID: "seat"}, BenchForm: web.Form{ID: "faults"},
	}
	p.Page.Rehearsal = s.bench(ctx).Identity().Rehearsal
	var err error
	if p.Check, p.CheckWords, err = s.lastCheck(ctx); err != nil {
		return p, err
	}
	if p.DueWords, err = s.dueWords(ctx); err != nil || s.bench(ctx).Rehearse == nil {
		return p, err
	}
	devices, err := s.Store.DeviceHeads(ctx)
	if err != nil {
		return p, err
	}
	for _, d := range devices {
		if d.Model != "" {
			p.Models = append(p.Models, web.Option{Value: form.DeviceChoice(d.Key), Label: d.Name, Group: "A unit of a device"})
		}
	}
	for _, m := range s.bench(ctx).Rehearse.Models() {
		p.Models = append(p.Models, web.Option{Value: form.ModelChoice(m.Key), Label: m.Title, Group: "Pin 1 on contact 1, straight"})
	}
	sorted(p.Models)
	ofUnits, ofBench := s.bench(ctx).Rehearse.UnitFaultKinds(), s.bench(ctx).Rehearse.BenchFaultKinds()
	p.UnitFaults, p.BenchFaults = faultChoices(ofUnits), faultChoices(ofBench)
	seed, world := s.bench(ctx).Rehearse.Drawn()
	worlds := s.bench(ctx).Rehearse.Worlds()
	p.Worlds = []web.Option{{Label: "as it is now"}}
	for _, w := range worlds {
		p.Worlds = append(p.Worlds, web.Option{Value: w.Key, Label: w.Title})
	}
	p.Drawn = form.SurroundingsText(seed, world, worlds)
	p.Seat.Values = url.Values{}
	form.SurroundingsValues(p.Seat.Values, seed, world, worlds)
	q, err := s.Lab.Seated(ctx, s.bench(ctx))
	if err != nil || q == nil {
		return p, err
	}
	p.Seated = []string{"In the socket: " + s.seatedWords(ctx, &bench.Seating{Device: q.Device, Model: q.Model, Serial: q.Serial}) + ", seed " + strconv.FormatUint(q.Seed, 10)}
	for _, f := range q.UnitFaults {
		p.Seated = append(p.Seated, form.UnitFaultText(ofUnits, f))
	}
	for _, f := range q.BenchFaults {
		p.Given = append(p.Given, form.BenchFaultText(ofBench, f, &p.Def))
	}
	p.Seat.Values, p.BenchForm.Values = form.SeatingValues(q), form.BenchFaultValues(q.BenchFaults, ofBench)
	form.SurroundingsValues(p.Seat.Values, seed, world, worlds)
	return p, nil
}

// faultChoices lists the kinds of fault with the fields that each asks for.
func faultChoices(kinds []bench.FaultKind) []web.FaultChoice {
	var out []web.FaultChoice
	for _, c := range form.FaultChoices(kinds) {
		out = append(out, web.FaultChoice(c))
	}
	return out
}

// seatForm handles the form that seats something in the socket of the
// rehearsal bench.
func (s *Server) seatForm(w http.ResponseWriter, r *http.Request) error {
	q, err := s.seatingOf(r.Context(), r.PostForm)
	if err == nil {
		err = s.Lab.Seat(r.Context(), s.bench(r.Context()), personOf(r.Context()), q)
	}
	return s.benchAnswer(w, r, err, func(p *web.BenchProps, e *Problem) {
		p.Seat = formOf("seat", r.PostForm, e, map[string]string{"device": "model", "world.ambient": "ambient"})
	})
}

// benchAnswer answers a form of the bench's page: it goes back to the page, or
// shows it with what was refused. Where the page has no such form now, the
// refusal is a page of its own.
func (s *Server) benchAnswer(w http.ResponseWriter, r *http.Request, err error, refused func(*web.BenchProps, *Problem)) error {
	if err == nil {
		return seeOther(w, r, "/bench")
	}
	if b := s.bench(r.Context()); b.Rehearse == nil || b.AtWork() {
		return err
	}
	e := s.classify(r.Context(), err)
	p, err := s.benchProps(r.Context())
	if err != nil {
		return err
	}
	refused(&p, e)
	return show(r.Context(), w, e.Status, web.Bench(p))
}

// anotherBelow bounds the seeds that the page itself draws: short enough to be
// written down.
const anotherBelow = 1_000_000

// seatingOf parses the seat form; the bench's own faults stay as they are.
func (s *Server) seatingOf(ctx context.Context, f url.Values) (q bench.Seating, err error) {
	b := s.bench(ctx)
	if b.Rehearse == nil {
		return q, nil
	}
	model := ""
	if key, ok := form.SeatedDevice(f); ok {
		d, err := s.Store.GetDevice(ctx, key, 0)
		if err != nil {
			return q, problem.Field("model", "there is no such device")
		}
		model = d.Body.Model
	}
	q, seeded, ps := form.CheckSeating(f, b.Rehearse.Models(), model)
	_, world := b.Rehearse.Drawn()
	ps = append(ps, form.CheckSurroundings(f, world, b.Rehearse.Worlds(), &q)...)
	if len(ps) > 0 {
		return q, ps
	}
	if f.Get("another") != "" {
		another := rand.Uint64N(anotherBelow)
		q.BenchSeed = &another
	}
	if !seeded {
		q.Seed = lab.SeedOf(q.Device+q.Model, q.Serial)
	}
	if kept, err := s.Lab.Seated(ctx, b); err != nil {
		return q, err
	} else if kept != nil {
		q.BenchFaults = kept.BenchFaults
	}
	return q, nil
}

// faultsForm handles the form that sets the faults of the rehearsal bench
// itself.
func (s *Server) faultsForm(w http.ResponseWriter, r *http.Request) error {
	if s.bench(r.Context()).Rehearse == nil {
		return problem.New(problem.Conflict, "This is a real bench.")
	}
	b := s.bench(r.Context())
	q, err := s.Lab.Seated(r.Context(), b)
	if err == nil {
		if q == nil {
			q = &bench.Seating{Model: lab.NothingSeated}
		}
		faults, ps := form.CheckBenchFaults(r.PostForm, b.Rehearse.BenchFaultKinds(), &b.Definition)
		q.BenchFaults, err = faults, ps.Err()
	}
	if err == nil {
		err = s.Lab.Seat(r.Context(), s.bench(r.Context()), personOf(r.Context()), *q)
	}
	return s.benchAnswer(w, r, err, func(p *web.BenchProps, e *Problem) { p.BenchForm = formOf("faults", r.PostForm, e, nil) })
}

// safeForm handles the button that makes the bench safe, and goes back to the
// page that had it.
func (s *Server) safeForm(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.MakeSafe(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	back := "/bench"
	if u, err := url.Parse(r.Referer()); err == nil && u.Host == r.Host {
		back = localPath(u.RequestURI())
	}
	return seeOther(w, r, back)
}

// stripLive is the WebSocket that keeps the head of a page up to date which has
// none of its own: the bench's state, and who asks for control.
func (s *Server) stripLive(w http.ResponseWriter, r *http.Request) error {
	watched(s, w, r, "strip", homeEvery, func(ctx context.Context) (web.BenchBrief, error) { return s.brief(ctx), nil }, web.BenchParts)
	return nil
}

// controlForm handles the buttons of control.
func (s *Server) controlForm(w http.ResponseWriter, r *http.Request) error {
	acts := map[string]func(context.Context, *lab.Bench, lab.Person) error{
		"": s.Lab.TakeControl, "take": s.Lab.TakeControl, "release": s.Lab.ReleaseControl, "ask": s.Lab.AskControl, "hand": s.Lab.HandOver, "refuse": s.Lab.RefuseControl,
		"keep": func(_ context.Context, b *lab.Bench, who lab.Person) error { return b.HoldsControl(who) }, // to act is enough
	}
	act, known := acts[r.PostForm.Get("do")]
	if !known {
		return problem.New(problem.Invalid, "There is no such thing to do with control.")
	}
	if err := act(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	if to := r.PostForm.Get("to"); to != "" {
		u, err := url.Parse(to)
		if err == nil && localPath(to) == u.RequestURI() {
			return seeOther(w, r, u.RequestURI()+"#"+u.Fragment)
		}
	}
	return seeOther(w, r, "/bench")
}
